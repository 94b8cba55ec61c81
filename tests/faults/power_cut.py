"""The power goes while `rimqc import` writes an SQLite database; what is left must be whole.

    python -m tests.faults.power_cut --count 200

The import is stopped at a random instant and its files are copied as they stand, without the
shared memory that no disk holds. Then the copy is harmed as a disk may harm it: what was not yet
synced is cut off, torn or overwritten. That is the end of the write-ahead log beyond the last
commit, and those pages of the database that a checkpoint may be about to write, which the log
still holds (SQLite's file format, chapters 4 and 4.4). Whatever a reader saw before the cut must
be in the copy, once; `verify` must find it in order; the import, run again, must end as one that
nobody disturbed. Every fourth begins on an empty database; every other one checkpoints often.
"""

import contextlib
import itertools
import os
import random
import shutil
import signal
import sqlite3
import struct
import sys
import time
from collections import Counter
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import NamedTuple

from qc.ledger.types import id_text
from tests.conftest import Databases
from tests.faults.campaign import Outcome, answers, by_hand, held, lost_or_doubled, outcome, unlike
from tests.faults.killed_import import (
    CHECKPOINT_PAGES,
    import_logs,
    seconds,
    shop_logs,
    words,
)
from tests.killing import start
from tests.maker import answer

# the share of cuts that fall in the middle of writing
AMID_WRITES = 0.8
WAL_HEADER, FRAME_HEADER, SECTOR = 32, 24, 512
# where the index of the log says how far it is committed, under which salt, and how far it is in
# the database; of its two headers the second, which is written first
COMMITTED_AT, SALT_AT, BACKFILLED_AT = 64, 80, 96
SALT_IN_LOG = 16


class Index(NamedTuple):
    """What the shared memory said of the log, in frames, and under which salt it is written."""

    committed: int = 0
    backfilled: int = 0
    salt: bytes = b""


def run(databases: Databases, folder: Path, count: int, seed: int = 1) -> Outcome:
    """Cut the power so often, each time of an import into a database of its own."""
    if databases.kind != "sqlite":
        raise SystemExit("a power cut is played on the files of SQLite only; leave --db out")
    chance = random.Random(seed)
    logs = shop_logs(folder / "logs", 12)
    clean = f"sqlite:///{folder}/clean.sqlite"
    import_logs(folder, logs, clean)
    expected, wanted = answers(clean), set(held(clean))
    counts = Counter(dict.fromkeys(
        ("cut", "log harmed", "pages harmed", "before any record", "ended before", "lost",
         "doubled"), 0))  # fmt: skip
    wrong: list[str] = []
    took, writes = seconds(databases, folder, logs), _writes(databases.new(), folder, logs)
    for number in itertools.takewhile(lambda _: counts["cut"] < count, itertools.count()):
        empty = number % 4 == 0
        db = databases.empty() if empty else databases.new()
        begun = start(folder / "told", words(folder, logs, db),
                      pages=CHECKPOINT_PAGES * (number % 2))  # fmt: skip
        database = Path(db.removeprefix("sqlite:///"))
        if chance.random() < AMID_WRITES:
            _await_writes(chance.randint(1, writes), begun, Path(f"{database}-wal"))
        else:
            time.sleep(chance.uniform(0, took[empty]))
        if not begun.is_alive():
            counts["ended before"] += 1
            continue
        _stop(begun)
        copy = folder / f"cut-{number}.sqlite"
        index = _copied(database, copy)
        seen = _seen(database)
        begun.kill()
        begun.join()
        counts["cut"] += 1
        counts["before any record"] += not seen
        counts["log harmed"] += _harm_log(copy, index, chance)
        counts["pages harmed"] += _harm_pages(copy, index, chance)
        left = f"sqlite:///{copy}"
        if seen:
            counts.update(lost_or_doubled(held(left), seen))
            if not answer(left, "verify")["ok"]:
                wrong.append(f"cut {number}: verify found something")
        again = import_logs(folder, logs, left)
        if again.err:
            wrong.append(f"cut {number}, run again: {again.code} {again.err}")
        counts.update(lost_or_doubled(held(left), wanted))
        wrong += [f"cut {number}: {what}" for what in unlike(left, expected)]
        for path in folder.glob(f"{copy.name}*"):
            path.unlink()
    return outcome(counts, wrong)


def _writes(db: str, folder: Path, logs: Path) -> int:
    """How many writes to its log are seen of an import that nobody disturbs."""
    begun = start(folder / "told", words(folder, logs, db))
    return _await_writes(sys.maxsize, begun, Path(f"{db.removeprefix('sqlite:///')}-wal"))


def _await_writes(most: int, begun: BaseProcess, log: Path) -> int:
    """Wait until so many writes to the log were seen: from there to a commit lies what can tear.

    Returns how many there were, which are fewer where the import ends before.
    """
    seen = last = 0
    while seen < most and begun.is_alive():
        with contextlib.suppress(FileNotFoundError):
            written = log.stat().st_mtime_ns
            seen += written != last
            last = written
    return seen


def _stop(begun: BaseProcess) -> None:
    """Stop a process, and wait until none of its threads runs any more."""
    os.kill(begun.pid or 0, signal.SIGSTOP)
    threads = Path(f"/proc/{begun.pid}/task")
    while begun.is_alive() and any(
        (thread / "stat").read_text().rpartition(")")[2].split()[0] not in "TZX"
        for thread in threads.iterdir()
    ):
        time.sleep(0.001)


def _seen(database: Path) -> set[str]:
    """The records that a reader sees; none where the tables or the log are just being made."""
    query = "SELECT record_id FROM journal WHERE kind != 'catalog'"
    try:
        with contextlib.closing(
            sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=0)
        ) as reader:
            return {id_text(kept) for (kept,) in reader.execute(query)}
    except sqlite3.OperationalError:
        return set()


def _copied(database: Path, copy: Path) -> Index:
    """Copy the database and its log, and say what the shared memory says of the log."""
    for ending in ("", "-journal", "-wal"):  # a file becomes one with a log by way of a journal
        if Path(f"{database}{ending}").exists():
            shutil.copy(f"{database}{ending}", f"{copy}{ending}")
    shared = Path(f"{database}-shm")
    said = shared.read_bytes()[:136] if shared.exists() else b""
    if len(said) < 136:
        return Index()
    (committed,), (backfilled,) = (
        struct.unpack_from("=I", said, at) for at in (COMMITTED_AT, BACKFILLED_AT)
    )
    return Index(committed, backfilled, said[SALT_AT : SALT_AT + 8])


def _harm_log(copy: Path, index: Index, chance: random.Random) -> bool:
    """Harm what stands in the log beyond the last commit: nobody waited for the disk to have it."""
    log = Path(f"{copy}-wal")
    if not log.exists() or log.stat().st_size <= WAL_HEADER:
        return False
    kept = bytearray(log.read_bytes())
    if kept[SALT_IN_LOG : SALT_IN_LOG + 8] != index.salt:
        return False  # it is begun anew, and its header, which goes first, was not written yet
    end = WAL_HEADER + index.committed * (FRAME_HEADER + _page_size(kept))
    if len(kept) <= end:
        return False
    at = chance.randrange(end, len(kept))
    how = chance.choice(("cut off", "never written", "torn"))
    if how == "cut off":
        del kept[at:]
    elif how == "never written":
        kept[at:] = bytes(len(kept) - at)
    else:
        for sector in range(at, len(kept), SECTOR):
            if chance.random() < 0.5:
                size = min(SECTOR, len(kept) - sector)
                kept[sector : sector + size] = chance.randbytes(size)
    log.write_bytes(kept)
    return True


def _harm_pages(copy: Path, index: Index, chance: random.Random) -> bool:
    """Tear pages of the database that the log holds committed and that were not yet synced.

    The first sector stays, for no disk tears a sector.
    """
    log = Path(f"{copy}-wal")
    if index.committed <= index.backfilled or not log.exists():
        return False
    frames, pages = log.read_bytes(), bytearray(copy.read_bytes())
    size = _page_size(frames)
    for frame in range(index.backfilled, index.committed):
        header = WAL_HEADER + frame * (FRAME_HEADER + size)
        (page,) = struct.unpack_from(">I", frames, header)
        for at in range((page - 1) * size, min(page * size, len(pages)), SECTOR):
            if at and chance.random() < 0.5:
                pages[at : at + SECTOR] = chance.randbytes(SECTOR)
    copy.write_bytes(pages)
    return True


def _page_size(log: bytes | bytearray) -> int:
    (size,) = struct.unpack_from(">I", log, 8)
    return int(size)


if __name__ == "__main__":
    by_hand(__doc__, run)
