"""`rimqc import` killed at random instants; run again it must end as one clean run.

    python tests/faults/killed_import.py --count 200

Every fourth begins on an empty database, so that making the tables is killed too. Every other one
has its write-ahead log checkpointed after nearly every commit, amid which it is killed.
"""

import itertools
import random
import time
from collections import Counter
from pathlib import Path

from qc.errors import RimqcError
from tests.conftest import Databases
from tests.faults.campaign import (
    Outcome,
    answers,
    by_hand,
    held,
    killed,
    lost_or_doubled,
    outcome,
    unlike,
)
from tests.faults.shift import catalog_of_all, work
from tests.killing import Ended, ended, start
from tests.maker import write_catalog, write_jsonl, write_shop

CHECKPOINT_PAGES = 20


def run(databases: Databases, folder: Path, count: int, seed: int = 1) -> Outcome:
    """Kill so many imports, each into a database of its own, and run each again."""
    chance = random.Random(seed)
    logs = shop_logs(folder / "logs", 24)
    clean = f"sqlite:///{folder}/clean.sqlite"
    whole = import_logs(folder, logs, clean)
    expected, wanted = answers(clean), held(clean)
    refused = _files(folder / "refused")
    counts = Counter(dict.fromkeys(
        ("killed", "before any record", "within", "after the last", "ended before", "lost",
         "doubled"), 0))  # fmt: skip
    wrong: list[str] = []
    took = seconds(databases, folder, logs)
    for number in itertools.takewhile(lambda _: counts["killed"] < count, itertools.count()):
        empty = number % 4 == 0
        db = databases.empty() if empty else databases.new()
        begun = start(folder / "told", words(folder, logs, db),
                      pages=CHECKPOINT_PAGES * (number % 2))  # fmt: skip
        if not killed(begun, chance.uniform(0, took[empty])):
            counts["ended before"] += 1
            continue
        counts["killed"] += 1
        found = held_so_far(db)
        when = "before any record" if not found else "within"
        counts[when if found != wanted else "after the last"] += 1
        again = import_logs(folder, logs, db)
        if again.code != whole.code or again.err:
            wrong.append(f"run again: {again.code} {again.err}")
        counts.update(lost_or_doubled(held(db), set(wanted)))
        wrong += unlike(db, expected)
        if _files(folder / "refused") != refused:
            wrong.append(f"refused files: {sorted(_files(folder / 'refused'))}")
    return outcome(counts, wrong)


def shop_logs(folder: Path, parts: int) -> Path:
    """Logs of every kind with a line that is refused, and a shift whose level moves."""
    folder.mkdir()
    write_shop(folder, 8)
    write_catalog(folder, catalog_of_all())
    bodies = work(parts, random.Random(parts))
    write_jsonl(folder / "shift.jsonl", [line for own in bodies for body in own for line in body])
    return folder


def words(folder: Path, logs: Path, db: str) -> list[str]:
    """The command line of an import that writes what is refused below the folder."""
    return ["import", str(logs), "--db", db, "--refused", str(folder / "refused"),
            "--format", "json"]  # fmt: skip


def import_logs(folder: Path, logs: Path, db: str) -> Ended:
    """An import that nobody disturbs."""
    return ended(start(folder / "told", words(folder, logs, db)), folder / "told")


def seconds(databases: Databases, folder: Path, logs: Path) -> dict[bool, float]:
    """How long an import takes, on an empty database and on one that is ready."""
    took = {}
    for empty in (True, False):
        db = databases.empty() if empty else databases.new()
        began = time.monotonic()
        import_logs(folder, logs, db)
        took[empty] = time.monotonic() - began
    return took


def held_so_far(db: str) -> Counter[str]:
    """What an import left; nothing where it was killed before the tables were made."""
    try:
        return held(db)
    except RimqcError as fault:
        if fault.exit_code != 2:  # no database yet, or an empty one
            raise
        return Counter()


def _files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.glob("*") if path.is_file()}


if __name__ == "__main__":
    by_hand(__doc__, run)
