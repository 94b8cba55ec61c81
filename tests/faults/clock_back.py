"""The clock of a server that takes records is set back and forth; nothing may be lost or confused.

    python -m tests.faults.clock_back --count 200      # wants libfaketime (Debian: faketime)

Stations post a shift to `rimqc serve`, whose clock is set anew again and again while it runs: by
seconds to by ten years, mostly back. Every third time what comes next is not posted but imported,
by a `rimqc import` of the same clock, which must say when that is behind the last seal. Every body
must be acknowledged whatever the clock says, the sealed journal must hold, `verify` must tell of a
clock that was set back, and when all have come every answer must be that of one import of the same
lines. The time of a record is the station's; only the seals go by the server's clock.
"""

import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from qc.ledger.clock import behind
from qc.ledger.ledger import Ledger
from tests.conftest import Databases
from tests.faults.campaign import (
    ASKED,
    Outcome,
    answers,
    begin_shop,
    by_hand,
    held,
    lost_or_doubled,
    outcome,
)
from tests.faults.killed_serve import Station, of_one_import
from tests.faults.networks import free_port
from tests.faults.one_station import Line
from tests.faults.shift import work
from tests.maker import write_jsonl

LIBRARY = next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)
LEAPS = (1, 60, 3600, 86_400, 40 * 86_400, 3650 * 86_400)
A_LITTLE = timedelta(seconds=30)
# set so often on one database
LEAPS_A_ROUND = 20


def run(databases: Databases, folder: Path, count: int, seed: int = 1) -> Outcome:
    """Set the clock so often. Raises SystemExit where it cannot be set for a process alone."""
    if LIBRARY is None:
        raise SystemExit("no libfaketime here: install the package faketime")
    chance = random.Random(seed)
    counts = Counter(dict.fromkeys(
        ("set back", "set on", "acknowledged", "imports", "told by an import", "told by verify",
         "lost", "doubled"), 0
    ))  # fmt: skip
    wrong: list[str] = []
    for begun in range(0, count, LEAPS_A_ROUND):
        aside = folder / f"round-{begun}"
        aside.mkdir()
        leaps = min(LEAPS_A_ROUND, count - begun)
        wrong += _round(databases.new(), aside, leaps, chance, counts)
    return outcome(counts, wrong)


def _round(
    db: str, folder: Path, leaps: int, chance: random.Random, counts: Counter[str]
) -> list[str]:
    own = [body for bodies in work(8, chance) for body in bodies]
    (token,) = begin_shop(db, folder, 1)
    clock, port, wrong = folder / "clock", free_port(), []
    at, back = datetime.now(UTC), False
    _set(clock, at)
    with _served(folder, db, port, clock):
        for number in range(leaps):
            some = own[number * len(own) // leaps : (number + 1) * len(own) // leaps]
            if number % 3 == 2:
                wrong += _imported(db, folder, [line for body in some for line in body], at, counts)
            else:
                station = Station(f"http://127.0.0.1:{port}", token, some)
                station.start()
                station.join(120)
                if station.is_alive() or station.refused:
                    return [*wrong, f"by the clock at {at} it said {station.refused or 'nothing'}"]
            acknowledged = {line["record_id"] for body in some for line in body}
            counts["acknowledged"] += len(acknowledged)
            counts.update(lost_or_doubled(held(db), acknowledged))
            leap = chance.choice(LEAPS) * chance.choice((-1, -1, 1))
            back = back or (leap < -60 and number < leaps - 1)
            counts["set back" if leap < 0 else "set on"] += 1
            at = max(datetime(1990, 1, 1, tzinfo=UTC), at + timedelta(seconds=leap))
            _set(clock, at)
    found = answers(db)
    told = found["verify"].pop("clock_set_back", [])
    counts["told by verify"] += len(told)
    if back and not told:
        wrong.append("verify does not tell of the clock")
    expected = of_one_import(folder, [line for body in own for line in body])
    return wrong + [f"{name} differs" for name in ASKED if found[name] != expected[name]]


def _imported(
    db: str, folder: Path, lines: list[Line], at: datetime, counts: Counter[str]
) -> list[str]:
    """Import them by the clock as it stands; what is wrong with what was said of it."""
    log = write_jsonl(folder / f"log-{counts['imports']}.jsonl", lines)
    with Ledger(db) as ledger, ledger.reading() as connection:
        # the clock has gone on a little since it was set
        must, may = behind(connection, at + A_LITTLE), behind(connection, at - A_LITTLE)
    importing = [sys.executable, "-m", "qc", "--db", db, "import", str(log)]
    ended = subprocess.run(
        importing, check=False, env=_faked(folder / "clock"), capture_output=True, text=True
    )
    counts["imports"] += 1
    counts["told by an import"] += bool(ended.stderr)
    if ended.returncode or (must and not ended.stderr) or (ended.stderr and not may):
        return [f"an import at {at} ended with {ended.returncode}: {ended.stderr or 'no word'}"]
    return []


def _set(clock: Path, at: datetime) -> None:
    """Have the served process believe that it is this moment, from now on."""
    aside = clock.with_suffix(".new")
    aside.write_text(f"@{at:%Y-%m-%d %H:%M:%S}\n")
    aside.replace(clock)


def _faked(clock: Path) -> dict[str, str]:
    return os.environ | {
        "LD_PRELOAD": str(LIBRARY), "FAKETIME_TIMESTAMP_FILE": str(clock), "TZ": "UTC",
        "FAKETIME_NO_CACHE": "1", "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip


@contextmanager
def _served(folder: Path, db: str, port: int, clock: Path) -> Iterator[None]:
    """A server whose clock reads what stands in a file; its timers run as ever."""
    line = [sys.executable, "-m", "qc", "--db", db, "serve", "--port", str(port)]
    with (folder / "said").open("w") as said:
        server = subprocess.Popen(line, env=_faked(clock), stdout=said, stderr=said)
        try:
            yield
        finally:
            server.terminate()
            server.wait(60)


if __name__ == "__main__":
    by_hand(__doc__, run)
