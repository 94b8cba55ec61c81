"""How long an import takes: weighings and their receipts, validated, journalled, sealed, judged.

    python tests/bench/import_speed.py [PARTS] [--db postgresql+psycopg://…/empty]

The limit, over the same rows in the same run: csv.reader and executemany into a table with a
unique identity, on SQLite; on PostgreSQL COPY into a table without any, then one INSERT … SELECT
into one with a unique identity. The same folder again, all of it held already, against csv.reader
and a hash of each line. Prints seconds, ratios (at most 2.5, 3 and 3) and the most memory (at most
200 MB).
"""

import argparse
import csv
import hashlib
import os
import sqlite3
import subprocess
import sys
import time
import uuid
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.row import row

CATALOG = """
[site]
code = "BENCH"
time_zone = "Europe/Lisbon"
[[model]]
code = "D50"
depth_mm = 50
brake = "disc"
tyre = "tubeless"
spokes = 24
[[claim]]
model = "D50"
stage = "rim"
claimed_g = 450
over_g = 10
under_g = 15
from = 2020-01-01
[[gauge]]
code = "S1"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.3
due = 2040-01-01
"""
BATCH = '[[batch]]\ncode = "B{0}"\nmodel = "D50"\nmade_on = {1}\nquantity = 200\n'
LIMITS = {"sqlite": 2.5, "postgresql": 3.0}
AGAIN, MEMORY_MB = 3.0, 200.0


def write_shop(folder: Path, parts: int) -> None:
    """A catalog, a file of receipts and a file of weighings with identities of their own."""
    random = Random(7)
    start = datetime(2024, 1, 1, 8)  # noqa: DTZ001 - logs write local time
    batches = range(parts // 200 + 1)
    made = [(start + timedelta(days=i % 300)).date() for i in batches]
    text = CATALOG + "".join(BATCH.format(i, day) for i, day in zip(batches, made, strict=True))
    (folder / "catalog.toml").write_text(text)
    with (folder / "receipt-all.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["record_id", "serial", "model", "batch", "taken_at", "station", "inspector"])
        for i in range(parts):
            at = (start + timedelta(seconds=20 * i)).isoformat() + "Z"
            identity = uuid.UUID(int=random.getrandbits(128), version=4)
            rows.writerow([identity, f"R{i:07}", "D50", f"B{i // 200}", at, "IN", "ann"])
    with (folder / "weighing-all.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["record_id", "serial", "stage", "gauge", "gross_g", "taken_at", "station",
                       "inspector"])  # fmt: skip
        for i in range(parts):
            at = (start + timedelta(seconds=20 * i + 10)).isoformat() + "Z"
            identity = uuid.UUID(int=random.getrandbits(128), version=4)
            mass = f"{random.gauss(450, 2):.1f}"
            rows.writerow([identity, f"R{i:07}", "rim", "S1", mass, at, "IN", "ann"])


COLUMNS = {
    "receipt": "record_id serial model batch taken_at station inspector",
    "weighing": "record_id serial stage gauge gross_g taken_at station inspector",
}


def plain_sqlite(shop: Path, database: Path) -> float:
    """Seconds of csv.reader into tables with a unique identity, one transaction a file."""
    began = time.perf_counter()
    connection = sqlite3.connect(database)
    connection.execute("PRAGMA journal_mode=WAL")
    for kind, names in COLUMNS.items():
        columns = names.replace(" ", ", ").replace("record_id", "record_id TEXT UNIQUE")
        connection.execute(f"CREATE TABLE {kind} ({columns})")
        marks = ", ".join("?" * len(names.split()))
        with (shop / f"{kind}-all.csv").open(newline="") as file:
            rows = csv.reader(file)
            next(rows)
            with connection:
                connection.executemany(f"INSERT INTO {kind} VALUES ({marks})", rows)
    connection.close()
    return time.perf_counter() - began


def plain_postgresql(shop: Path, url: str) -> float:
    """Seconds of COPY, then one INSERT … SELECT into a table with a unique identity."""
    import psycopg

    began = time.perf_counter()
    with psycopg.connect(url.replace("+psycopg", "")) as connection:
        for kind, names in COLUMNS.items():
            columns = ", ".join(f"{name} text" for name in names.split())
            connection.execute(f"CREATE TEMP TABLE raw_{kind} ({columns})")
            connection.execute(f"CREATE TABLE plain_{kind} ({columns}, UNIQUE (record_id))")
            with (
                connection.cursor() as cursor,
                cursor.copy(f"COPY raw_{kind} FROM STDIN (FORMAT csv, HEADER)") as copy,
                (shop / f"{kind}-all.csv").open("rb") as file,
            ):
                while block := file.read(1 << 16):
                    copy.write(block)
            connection.execute(f"INSERT INTO plain_{kind} SELECT * FROM raw_{kind}")
        connection.commit()
        took = time.perf_counter() - began
        for kind in COLUMNS:
            connection.execute(f"DROP TABLE plain_{kind}")
    return took


def plain_again(shop: Path) -> float:
    """Seconds of csv.reader and a hash of each line."""
    began = time.perf_counter()
    for kind in COLUMNS:
        with (shop / f"{kind}-all.csv").open(newline="") as file:
            for row in csv.reader(file):
                hashlib.sha256(",".join(row).encode()).digest()
    return time.perf_counter() - began


def run(*arguments: str) -> tuple[float, float]:
    """Seconds and the highest memory in MB of one command in a process of its own."""
    began = time.perf_counter()
    line = [sys.executable, "-m", "qc", *arguments]
    process = subprocess.Popen(line, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{arguments} ended with {status}")
    return time.perf_counter() - began, used.ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="?", type=int, default=1_000_000)
    parser.add_argument("--db", help="an empty PostgreSQL database instead of an SQLite file")
    args = parser.parse_args()
    kind = "postgresql" if args.db else "sqlite"
    with TemporaryDirectory() as name:
        folder = Path(name)
        shop = folder / "shop"
        shop.mkdir()
        write_shop(shop, args.parts)
        db = args.db or f"sqlite:///{folder / 'bench.sqlite'}"
        if args.db:
            plain = plain_postgresql(shop, args.db)
        else:
            plain = plain_sqlite(shop, folder / "plain.sqlite")
        run("import", "--db", db, str(shop / "catalog.toml"))
        logs = [str(shop / f"{kind}-all.csv") for kind in COLUMNS]
        ours, memory = run("import", "--db", db, *logs)
        what = f"import of {args.parts:,} receipts and as many weighings, {kind}"
        print(row(what, ours, plain, LIMITS[kind]))
        print(row("its memory", memory, MEMORY_MB, 1, "MB"))
        bound = plain_again(shop)
        again, _ = run("import", "--db", db, *logs)
        print(row(f"the same again, all held already, {kind}", again, bound, AGAIN))


if __name__ == "__main__":
    main()
