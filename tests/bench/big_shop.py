"""A shop of any size: catalog and logs of parts that were received, weighed, spun and struck.

    python tests/bench/big_shop.py FOLDER PARTS [BATCHES]

Batches lie a day apart, half of each model, 200 parts each unless said otherwise. One part in 200
is too heavy, one part of every batch is struck, every tenth batch a little early; one part in 100
has a finding. Seeded: the same call writes the same files.
"""

import csv
import datetime as dt
import sys
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

CATALOG = """
[site]
code = "BIG"
time_zone = "Europe/Lisbon"
[[gauge]]
code = "S1"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.3
due = 2060-01-01
[[gauge]]
code = "RO"
measures = "length"
unit = "mm"
resolution = 0.01
u = 0.01
due = 2060-01-01
[[gauge]]
code = "RIG"
measures = "drop"
unit = "mm"
resolution = 1
u = 1
due = 2060-01-01
[[runout_limit]]
direction = "lateral"
stage = "rim"
limit_mm = 0.5
[[finding_limit]]
zone = "sidewall"
defect = "void"
size_mm = 5
severity = "major"
[[protocol]]
code = "hits"
stage = "rim"
standard_energy_j = 40
required_multiple = 3
method = "repeat"
positions_deg = [0]
fails_at = "crack"
"""
MODEL = """
[[model]]
code = "{0}"
depth_mm = 50
brake = "disc"
tyre = "tubeless"
spokes = 24
[[claim]]
model = "{0}"
stage = "rim"
claimed_g = 450
over_g = 10
under_g = 15
from = 2000-01-01
[[plan]]
model = "{0}"
stage = "rim"
requires = ["weighing", "runout-lateral"]
"""
BATCH = """
[[batch]]
code = "B{0:05}"
model = "{1}"
made_on = {2}
quantity = {3}
mould = "M{4}"
resin_lot = "R{5}"
"""
FIRST_DAY = dt.date(2012, 1, 2)
WHO = {"station": "IN", "inspector": "ann"}
COLUMNS = {
    "receipt": ("serial", "model", "batch"),
    "weighing": ("serial", "stage", "gauge", "gross_g"),
    "runout": ("serial", "stage", "gauge", "direction", "tir_mm"),
    "finding": ("serial", "zone", "defect", "angle_deg", "size_mm"),
    "drop": ("serial", "test", "protocol", "gauge", "drop_no", "position_deg", "striker_kg",
             "height_mm", "damage", "drawn"),
}  # fmt: skip


def write(folder: Path, parts: int, batches: int = 0) -> None:
    """The catalog and one file for each kind of record."""
    folder.mkdir(parents=True, exist_ok=True)
    batches = batches or -(-parts // 200)
    each = -(-parts // batches)
    text = CATALOG + MODEL.format("D50") + MODEL.format("D60")
    days = [FIRST_DAY + dt.timedelta(days=number) for number in range(batches)]
    for number, day in enumerate(days):
        factors = (number // 40, number // 12)
        text += BATCH.format(number, "D50" if number % 2 else "D60", day, each, *factors)
    (folder / "catalog.toml").write_text(text)
    files = {kind: (folder / f"{kind}-all.csv").open("w", newline="") for kind in COLUMNS}
    try:
        out = {}
        for kind, file in files.items():
            names = (*COLUMNS[kind], "taken_at", "station", "inspector")
            out[kind] = csv.DictWriter(file, names)
            out[kind].writeheader()
        for number in range(parts):
            for kind, row in _part(number, number // each, days[number // each]):
                out[kind].writerow(row | WHO)
    finally:
        for file in files.values():
            file.close()


def _part(number: int, batch: int, day: dt.date) -> Iterator[tuple[str, dict[str, Any]]]:
    chance = Random(number)
    level = Random(-1 - batch).gauss(0, 1.5)
    of_day = number % 3000
    start = dt.datetime.combine(day, dt.time(7), dt.UTC) + dt.timedelta(seconds=20 * of_day)

    def at(seconds: int) -> str:
        return (start + dt.timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%SZ")

    serial, stage = f"S{number:07}", "rim"
    model = "D50" if batch % 2 else "D60"
    yield "receipt", {
        "serial": serial, "model": model, "batch": f"B{batch:05}", "taken_at": at(0),
    }  # fmt: skip
    mass = 448 + level + chance.gauss(0, 2) + (15 if number % 200 == 7 else 0)
    yield "weighing", {
        "serial": serial, "stage": stage, "gauge": "S1", "gross_g": f"{mass:.1f}",
        "taken_at": at(5),
    }  # fmt: skip
    yield "runout", {
        "serial": serial, "stage": stage, "gauge": "RO", "direction": "lateral",
        "tir_mm": f"{min(0.05 + chance.expovariate(12), 0.6):.2f}", "taken_at": at(9),
    }  # fmt: skip
    if number % 100 == 50:
        yield "finding", {
            "serial": serial, "zone": "sidewall", "defect": "void",
            "angle_deg": chance.randrange(360), "size_mm": chance.choice((1, 2, 3, 6)),
            "taken_at": at(12),
        }  # fmt: skip
    if number % 200 == 11:
        last = 3 if batch % 10 else 2
        for drop in range(1, last + 1):
            yield "drop", {
                "serial": serial, "test": f"T{number:07}", "protocol": "hits", "gauge": "RIG",
                "drop_no": drop, "position_deg": 0, "striker_kg": "4.078865", "height_mm": 1000,
                "damage": "crack" if last == drop == 2 else "none", "drawn": "random",
                "taken_at": at(12 + drop),
            }  # fmt: skip


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]), *map(int, sys.argv[3:4]))
