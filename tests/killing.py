"""Commands in processes of their own, that can be killed at any of their statements.

On request they can also be killed whenever they are about to touch a file.

They are forked from one server that has loaded the program already: quick to start, and truly at
the same time.
"""

import contextlib
import io
import multiprocessing
import os
import signal
import sys
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy import Engine, event

import qc.commands.intake
import qc.ledger.importing
from qc.commands import main

# small, so that a small shop takes many transactions
CHUNK = 25
_FILES = frozenset({"open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "shutil.rmtree"})
_FORKS = multiprocessing.get_context("forkserver")
_FORKS.set_forkserver_preload([__name__])


class Ended(msgspec.Struct):
    """How a command ended, and how many statements it took."""

    code: int
    out: str
    err: str
    statements: int


def start(told: Path, words: list[str], last: int = 0, files: bool = False) -> BaseProcess:
    """Run a command in a process; it is killed at its `last` statement (0: never).

    With `files`, whatever opens, moves, makes or removes a file counts as a statement too.
    """
    told.unlink(missing_ok=True)
    process = _FORKS.Process(target=_run, args=(told, words, last, files))
    process.start()
    return process


def ended(process: BaseProcess, told: Path) -> Ended:
    """Wait for a process that was not killed."""
    process.join(120)
    assert process.exitcode == 0
    return msgspec.json.decode(told.read_bytes(), type=Ended)


def _run(told: Path, words: list[str], last: int, files: bool) -> None:
    qc.ledger.gathering.CHUNK = qc.ledger.gathering.TRANSACTION = CHUNK
    said = 0

    def before(*_: Any) -> None:
        nonlocal said
        said += 1
        if said == last:
            os.kill(os.getpid(), signal.SIGKILL)

    event.listen(Engine, "before_cursor_execute", before)
    if files:
        sys.addaudithook(lambda name, _: before() if name in _FILES else None)
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    told.write_bytes(msgspec.json.encode(Ended(code, out.getvalue(), err.getvalue(), said)))
