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
import sqlite3
import sys
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import msgspec
import psycopg
from sqlalchemy import Engine, event

import qc.commands.intake
import qc.ledger.engine
import qc.ledger.importing
import qc.ledger.writer
from qc.commands import main

# small, so that a small shop takes many transactions
CHUNK = 25
_FILES = frozenset({"open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "shutil.rmtree"})
_FORKS = multiprocessing.get_context("forkserver")
# what commands load late is loaded before they are forked
_LATE = ("qc.ledger.follow", "qc.ledger.drift_flags", "qc.devices.sending", "qc.commands.import_",
         "qc.commands.watch_", "qc.commands.serve_", "alembic.command", "streamlit.web.bootstrap",
         "uvicorn", "qc.stations.screens", "qc.stations.server")  # fmt: skip
_FORKS.set_forkserver_preload([__name__, *_LATE])


class Ended(msgspec.Struct):
    """How a command ended, and how many statements it took."""

    code: int
    out: str
    err: str
    statements: int


def start(
    told: Path, words: list[str], last: int = 0, files: bool = False, pages: int = 0
) -> BaseProcess:
    """Run a command in a process; it is killed at its `last` statement (0: never).

    With `files`, whatever opens, moves, makes or removes a file counts as a statement too. SQLite
    is told to checkpoint whenever its log has grown to so many `pages` (0: as ever).
    """
    told.unlink(missing_ok=True)
    process = _FORKS.Process(target=_run, args=(told, words, last, files, pages))
    process.start()
    return process


def ended(process: BaseProcess, told: Path) -> Ended:
    """Wait for a process that was not killed."""
    process.join(120)
    assert process.exitcode == 0
    return msgspec.json.decode(told.read_bytes(), type=Ended)


def _run(told: Path, words: list[str], last: int, files: bool, pages: int) -> None:
    qc.ledger.gathering.CHUNK = qc.ledger.gathering.TRANSACTION = CHUNK
    qc.ledger.writer.QUIET_SECONDS = 0.05  # drift is settled amid what is killed
    if pages:
        _checkpoint_every(pages)
    said = 0

    def before(*_: Any) -> None:
        nonlocal said
        said += 1
        if said == last:
            os.kill(os.getpid(), signal.SIGKILL)

    _at_every_statement(before)
    if files:
        sys.addaudithook(lambda name, _: before() if name in _FILES else None)
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    told.write_bytes(msgspec.json.encode(Ended(code, out.getvalue(), err.getvalue(), said)))


def _at_every_statement(before: Callable[..., None]) -> None:
    """Have this called at each statement that goes to SQLite, and each way to PostgreSQL.

    At the drivers: what goes with every record does not pass through SQLAlchemy.
    """

    def opened(connection: Any, _record: Any) -> None:
        if isinstance(connection, sqlite3.Connection):
            connection.set_trace_callback(before)

    event.listen(Engine, "connect", opened)
    wait = psycopg.Connection.wait

    def and_before(self: Any, *arguments: Any, **more: Any) -> Any:
        before()
        return wait(self, *arguments, **more)

    psycopg.Connection.wait = and_before  # type: ignore[method-assign]


def _checkpoint_every(pages: int) -> None:
    set_up = qc.ledger.engine._set_up_sqlite

    def and_pages(connection: Any, record: Any) -> None:
        set_up(connection, record)
        connection.execute(f"PRAGMA wal_autocheckpoint={pages}")

    qc.ledger.engine._set_up_sqlite = and_pages
