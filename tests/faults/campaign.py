"""What the fault campaigns share: how they count and print, databases made anew, one comparison."""

import argparse
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import create_engine, select, text
from sqlalchemy.engine import make_url
from sqlalchemy.pool import NullPool

from qc.ledger.ledger import Ledger, now
from qc.ledger.migrate import upgrade
from qc.ledger.tables import Journal
from qc.people.tokens import add_station
from tests.conftest import Databases
from tests.faults.shift import catalog_of_all
from tests.maker import answer, take_catalog

ASKED = ("flags --all", "claims", "margins", "drift", "verify")


class Outcome(NamedTuple):
    """What was done and seen, in the order in which it is printed; `wrong` must be empty."""

    counts: Counter[str]
    wrong: list[str]


def outcome(counts: Counter[str], wrong: list[str]) -> Outcome:
    """What was counted and what was wrong; a record lost or doubled is wrong by itself."""
    records = [f"{what}: {counts[what]}" for what in ("lost", "doubled") if counts[what]]
    return Outcome(counts, wrong + records)


Campaign = Callable[[Databases, Path, int, int], Outcome]


def by_hand(doc: str | None, run: Campaign, count: int = 200) -> None:
    """Run a campaign on databases of its own, and print what was counted."""
    parser = argparse.ArgumentParser(
        description=doc, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=count, help=f"faults (default {count})")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--db", help="a PostgreSQL database, which is emptied (default: SQLite)")
    args = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="rimqc-faults-"))
    try:
        outcome = run(made_anew(folder, args.db), folder, args.count, args.seed)
    finally:
        shutil.rmtree(folder)
    print(", ".join(f"{what} {n}" for what, n in outcome.counts.items()))
    print(
        "\n".join(outcome.wrong) or "nothing lost, nothing doubled, every answer right, verify ok"
    )
    raise SystemExit(1 if outcome.wrong else 0)


def made_anew(folder: Path, server: str | None = None) -> Databases:
    """Databases as the tests have them: SQLite files, or one on a server that is emptied anew."""
    made = 0

    def empty() -> str:
        nonlocal made
        made += 1
        return f"sqlite:///{folder}/{made}.sqlite"

    def new() -> str:
        template, url = folder / "template.sqlite", empty()
        if not template.exists():
            upgrade(make_url(f"sqlite:///{template}"))
        shutil.copy(template, url.removeprefix("sqlite:///"))
        return url

    def emptied() -> str:
        engine = create_engine(make_url(server or ""), poolclass=NullPool)
        with engine.begin() as connection:
            connection.execute(text("DROP SCHEMA public CASCADE"))
            connection.execute(text("CREATE SCHEMA public"))
        return server or ""

    def upgraded() -> str:
        upgrade(make_url(emptied()))
        return server or ""

    if server is None:
        return Databases("sqlite", empty, new)
    os.environ.pop("PGOPTIONS", None)  # the tests' own haste
    return Databases("postgresql", emptied, upgraded)


def answers(db: str) -> dict[str, Any]:
    """What the reporting commands and `verify` say."""
    return {name: answer(db, *name.split()) for name in ASKED}


def unlike(db: str, expected: Mapping[str, Any]) -> list[str]:
    """Which answers of a database are not the expected ones."""
    found = answers(db)
    return [f"{name} differs" for name in ASKED if found[name] != expected[name]]


def held(db: str) -> Counter[str]:
    """How often each record stands in the journal, by its identity; catalog entries left out."""
    with Ledger(db) as ledger, ledger.reading() as connection:
        query = select(Journal.record_id).where(Journal.kind != "catalog")
        return Counter(connection.execute(query).scalars())


def begin_shop(db: str, folder: Path, stations: int) -> list[str]:
    """Give a database the catalog of the shifts and so many stations; their tokens."""
    with Ledger(db) as ledger:
        take_catalog(ledger, folder, catalog_of_all())
        with ledger.writing() as connection:
            return [add_station(connection, f"W{n}", now()) for n in range(stations)]


def lost_or_doubled(found: Mapping[str, int], wanted: set[str]) -> Counter[str]:
    """The two counts that must stay 0, over the records that were acknowledged."""
    doubled = sum(found[name] - 1 for name in found)
    return Counter({"lost": len(wanted - found.keys()), "doubled": doubled})


def killed(process: BaseProcess, after_s: float) -> bool:
    """Kill a process so long after; whether it had not ended before."""
    process.join(after_s)
    process.kill()
    process.join()
    return process.exitcode == -9


@contextmanager
def small_disk(folder: Path, kilobytes: int) -> Iterator[Path]:
    """A file system of that size, mounted in `folder` while the context lasts (for root only)."""
    import subprocess

    folder.mkdir(exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(folder)]
    subprocess.run(mount, check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def may_mount() -> bool:
    """Whether this machine lets us mount a file system."""
    import subprocess

    try:
        with tempfile.TemporaryDirectory() as aside, small_disk(Path(aside) / "disk", 64):
            return True
    except (OSError, subprocess.CalledProcessError):
        return False
