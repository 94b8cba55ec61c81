"""One record accepted in a journal of ten thousand, a hundred thousand and a million records.

    python tests/bench/growth.py [--sizes 10000,100000,1000000] [--months 24] [--rounds 200]
                                 [--db postgresql+psycopg://…/postgres]

Each journal is filled by imports of `big_shop.py`, one for each month; on PostgreSQL (`--db` names
any database of a server; others are made and dropped there) the months become partitions. Then
the journals take turns: each accepts a first weighing of a received part, a second one that makes
the part judged anew, and a correction, in a transaction each, which is what anybody waits for.
Then the streams that the first weighing touched are judged for drift, as the server does in quiet
moments; that takes a look at every batch of the model. Prints the median of each in milliseconds,
and the exponent of time against size fitted to them; flat is 0, and 0.1 is the limit of accepting
(a quarter more for ten times as many records), 1 that of judging.
"""

import argparse
import csv
import math
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

sys.path.insert(0, str(Path(__file__).parents[2]))
from qc.ledger.journal import prepare
from qc.ledger.ledger import Ledger
from qc.ledger.months import month_of
from qc.records.kinds import Record
from tests.bench.big_shop import write
from tests.maker import correction, record

LIMIT = 0.1
JUDGING, LINEAR = "judging drift after a first weighing", 1.0
AT = "2026-02-02T10:00:00"


def slices(shop: Path, months: int) -> Iterator[Path]:
    """The logs of a shop, divided into folders by equal parts of every file."""
    for month in range(months):
        folder = shop / f"month-{month:03}"
        folder.mkdir()
        for file in sorted(shop.glob("*.csv")):
            with file.open(newline="") as source:
                head, *lines = csv.reader(source)
            part = lines[len(lines) * month // months : len(lines) * (month + 1) // months]
            with (folder / file.name).open("w", newline="") as target:
                csv.writer(target).writerows([head, *part])
        yield folder


def fill(db: str, folder: Path, size: int, months: int) -> None:
    """Import about as many records, as many at a time as arrive in a month."""
    shop = folder / str(size)
    write(shop, size // 3)
    command = [sys.executable, "-m", "qc", "import", "--db", db]
    subprocess.run([*command, str(shop / "catalog.toml")], check=True, stdout=subprocess.DEVNULL)
    for number, month in enumerate(slices(shop, months)):
        subprocess.run([*command, str(month)], check=True, stdout=subprocess.DEVNULL)
        if db.startswith("postgresql") and number < months - 1:
            _pass(db, f"{2000 + number // 12}_{number % 12 + 1:02}")


def _pass(db: str, month: str) -> None:
    """Let what has arrived so far have arrived in another month."""
    engine = create_engine(make_url(db))
    with engine.begin() as connection:
        now = f"journal_{month_of(datetime.now(UTC))}"
        connection.execute(text(f"ALTER TABLE {now} RENAME TO journal_{month}"))
    engine.dispose()


def questions() -> dict[str, Callable[[int], Record]]:
    """The records that are accepted one by one, by what they ask of the program."""

    def received(n: int) -> str:
        return f"NEW-{n:05}"

    def receipt(n: int) -> Record:
        return record("receipt", serial=received(n), batch="B00001", model="D50", taken_at=AT)

    def weighing(n: int, **more: object) -> Record:
        return record("weighing", serial=received(n), gross_g=450, taken_at=AT, **more)

    return {
        "a receipt": receipt,
        "a first weighing": weighing,
        "a second weighing": lambda n: weighing(n, repeat=2),
        "a correction": lambda n: correction(weighing(n, repeat=2), void=True),
    }


@contextmanager
def databases(
    sizes: list[int], months: int, server: str | None, folder: Path
) -> Iterator[list[str]]:
    """A filled database of each size."""
    made = []
    admin = create_engine(make_url(server), isolation_level="AUTOCOMMIT") if server else None
    try:
        for size in sizes:
            db = f"sqlite:///{folder}/{size}.sqlite"
            if admin is not None:
                name = f"{make_url(server).database}_growth_{size}"
                with admin.connect() as connection:
                    connection.execute(text(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)"))
                    connection.execute(text(f"CREATE DATABASE {name}"))
                db = make_url(server).set(database=name).render_as_string(hide_password=False)
            began = time.perf_counter()
            made.append(db)
            fill(db, folder, size, months)
            print(f"{size:,} records filled in {time.perf_counter() - began:.0f} s", flush=True)
        yield made
    finally:
        if admin is not None:
            with admin.connect() as connection:
                for db in made:
                    name = make_url(db).database
                    connection.execute(text(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)"))
            admin.dispose()


def exponent(sizes: list[int], times: list[float]) -> float:
    """Slope of the line through the logarithms."""
    x, y = [math.log(size) for size in sizes], [math.log(took) for took in times]
    return statistics.linear_regression(x, y).slope


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", default="10000,100000,1000000")
    parser.add_argument("--months", type=int, default=24)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--db", help="a PostgreSQL database; without it files of SQLite")
    args = parser.parse_args()
    sizes = [int(size) for size in args.sizes.split(",")]
    with (
        TemporaryDirectory() as name,
        databases(sizes, args.months, args.db, Path(name)) as made,
        ExitStack() as opened,
    ):
        ledgers = [opened.enter_context(Ledger(db)) for db in made]
        took: dict[str, list[list[float]]] = {what: [[] for _ in sizes] for what in questions()}
        took[JUDGING] = judging = [[] for _ in sizes]
        for n in range(args.rounds):
            for what, make in questions().items():
                item = make(n)
                for ledger, times in zip(ledgers, took[what], strict=True):
                    began = time.perf_counter()
                    with ledger.writing() as connection:
                        (answer,) = ledger.accept_into(connection, [prepare(item)])
                    times.append(time.perf_counter() - began)
                    assert answer.outcome == "accepted"
                for ledger, times in zip(ledgers, judging, strict=True):
                    began = time.perf_counter()
                    ledger.settle()
                    if what == "a first weighing":
                        times.append(time.perf_counter() - began)
        print(f"| one record, ms | {' | '.join(f'{s:,}' for s in sizes)} | exponent | at most |")
        print("| --- |" + " --- |" * (len(sizes) + 2))
        for what, each in took.items():
            medians = [statistics.median(times) * 1000 for times in each]
            slope = exponent(sizes, medians)
            limit = LINEAR if what == JUDGING else LIMIT
            shown = f"{slope:.3f}" if slope <= limit else f"**{slope:.3f}**"
            print(f"| {what} | {' | '.join(f'{m:.2f}' for m in medians)} | {shown} | {limit:g} |")


if __name__ == "__main__":
    main()
