"""How long an import takes, against csv.reader and sqlite3's executemany over the same rows.

Run by hand: python tests/bench/import_speed.py [WEIGHINGS] [--profile]
Prints the ratio; the limit is 4. The rows are weighings of parts that were received before.
"""

import csv
import resource
import sqlite3
import subprocess
import sys
import time
import uuid
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

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
LIMIT = 4.0


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
        rows.writerow(["serial", "model", "batch", "taken_at", "station", "inspector"])
        for i in range(parts):
            at = (start + timedelta(seconds=20 * i)).isoformat() + "Z"
            rows.writerow([f"R{i:07}", "D50", f"B{i // 200}", at, "IN", "ann"])
    with (folder / "weighing-all.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["record_id", "serial", "stage", "gauge", "gross_g", "taken_at", "station",
                       "inspector"])  # fmt: skip
        for i in range(parts):
            at = (start + timedelta(seconds=20 * i + 10)).isoformat() + "Z"
            identity = uuid.UUID(int=random.getrandbits(128), version=4)
            mass = f"{random.gauss(450, 2):.1f}"
            rows.writerow([identity, f"R{i:07}", "rim", "S1", mass, at, "IN", "ann"])


def plain_import(source: Path, database: Path) -> float:
    """The limit: csv.reader into one table with a unique identity."""
    began = time.perf_counter()
    connection = sqlite3.connect(database)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute(
        "CREATE TABLE weighing (record_id TEXT UNIQUE, serial TEXT, stage TEXT, gauge TEXT, "
        "gross_g REAL, taken_at TEXT, station TEXT, inspector TEXT)"
    )
    with source.open(newline="") as file:
        rows = csv.reader(file)
        next(rows)
        with connection:
            connection.executemany("INSERT INTO weighing VALUES (?,?,?,?,?,?,?,?)", rows)
    connection.close()
    return time.perf_counter() - began


def run(*arguments: str) -> tuple[float, float]:
    """Seconds and the highest memory in MB of one command in a process of its own."""
    began = time.perf_counter()
    subprocess.run([sys.executable, "-m", "qc", *arguments], check=True, stdout=subprocess.DEVNULL)
    memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return time.perf_counter() - began, memory


def main() -> None:
    parts = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with TemporaryDirectory() as name:
        folder = Path(name)
        shop = folder / "shop"
        shop.mkdir()
        write_shop(shop, parts)
        db = f"sqlite:///{folder / 'bench.sqlite'}"
        plain = plain_import(shop / "weighing-all.csv", folder / "plain.sqlite")
        run("import", "--db", db, str(shop / "catalog.toml"))
        receipts, _ = run("import", "--db", db, str(shop / "receipt-all.csv"))
        ours, memory = run("import", "--db", db, str(shop / "weighing-all.csv"))
        print(f"{parts} weighings: csv.reader and executemany {plain:.1f} s")
        print(f"receipts {receipts:.1f} s ({receipts / plain:.2f} times)")
        print(f"weighings {ours:.1f} s, ratio {ours / plain:.2f} (limit {LIMIT}), {memory:.0f} MB")


if __name__ == "__main__":
    main()
