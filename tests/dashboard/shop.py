"""A small invented shop for the screens: 26 batches of one rim, every kind of screen with data."""

import json
import math
import random
from pathlib import Path

from qc.commands import main

CATALOG = """\
[site]
code = "HQ"
time_zone = "Europe/Lisbon"
[[model]]
code = "K40"
depth_mm = 40
brake = "disc"
tyre = "tubeless"
spokes = 24
[[claim]]
model = "K40"
stage = "rim"
claimed_g = 430
over_g = 12
under_g = 12
from = 2026-01-01
[[gauge]]
code = "S1"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.1
due = 2027-01-01
[[gauge]]
code = "S2"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.1
due = 2027-01-01
[[gauge]]
code = "D1"
measures = "length"
unit = "mm"
resolution = 0.01
u = 0.005
due = 2027-01-01
[[gauge]]
code = "R1"
measures = "drop"
unit = "mm"
resolution = 1
u = 1
due = 2027-01-01
[[runout_limit]]
direction = "lateral"
stage = "rim"
limit_mm = 0.5
[[protocol]]
code = "hits"
stage = "rim"
standard_energy_j = 40
required_multiple = 3
method = "repeat"
positions_deg = [0, 180]
fails_at = "set"
change_limit_mm = 1
[[plan]]
model = "K40"
stage = "rim"
requires = ["weighing", "runout-lateral"]
"""

SHIFTED_FROM = 20  # batches from this one on are 8 g heavier
LATE, STRUCK, CORRECTED, VOID = "K_26-1", "K_05-3", "K_03-2", "K_04-2"


def files(folder: Path) -> Path:
    """The shop's logs and catalog, written into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(40)
    catalog, records = [CATALOG], []
    for batch in range(1, 27):
        day = f"2026-{2 + batch // 14:02}-{1 + 2 * (batch % 14):02}"
        resin = "R2" if batch >= SHIFTED_FROM else "R1"
        catalog.append(
            f'[[batch]]\ncode = "B{batch:02}"\nmodel = "K40"\nmade_on = {day}\nquantity = 3\n'
            f'resin_lot = "{resin}"\nmould = "M{1 + batch % 2}"\n'
        )
        level = 430 + chance.gauss(0, 1) + 8 * (batch >= SHIFTED_FROM)
        for number in (1, 2, 3):
            serial = f"K_{batch:02}-{number}"
            at = f"{day}T08:{number}0"
            records.append(_record("receipt", at, "0", serial, model="K40", batch=f"B{batch:02}"))
            mass = round(level + chance.gauss(0, 1.5) + 9 * (serial == LATE), 1)
            gauge = "S2" if batch == 10 else "S1"
            records.append(
                _record("weighing", at, "1", serial, stage="rim", gauge=gauge, gross_g=mass)
            )
            if serial != "K_02-1":
                records.append(
                    _record("runout", at, "2", serial, stage="rim", gauge="D1",
                            direction="lateral", readings_mm=_turn(chance))
                )  # fmt: skip
    for number in range(1, 7):
        records.append(
            _record("drop", f"2026-05-01T09:0{number}", "0", STRUCK, test="T1", protocol="hits",
                    gauge="R1", drop_no=number, position_deg=180 * (number % 2), striker_kg=10.2,
                    height_mm=400, damage="crack" if number == 5 else "none",
                    lateral_change_mm=0.0, radial_change_mm=0.0)
        )  # fmt: skip
    records += _mended(records)
    records += [
        _check("2026-02-01T07:00:00", 500.0),
        _check("2026-05-02T07:00:00", 502.5),
        _record("disposition", "2026-05-03T10:00", "0", "", batch="B26", decision="hold",
                reason="all *heavy*, see <b>scale</b>"),
    ]  # fmt: skip
    (folder / "catalog.toml").write_text("\n".join(catalog), encoding="utf-8")
    lines = "\n".join(json.dumps(record) for record in records)
    (folder / "all.jsonl").write_text(lines + "\n", encoding="utf-8")
    return folder


def _record(
    kind: str, minute: str, second: str, serial: str, **fields: object
) -> dict[str, object]:
    about = {"serial": serial} if serial else {}
    head = {"kind": kind, "taken_at": f"{minute}:0{second}", "station": "bench", "inspector": "I1"}
    return head | about | fields


def _check(at: str, reading: float) -> dict[str, object]:
    return {
        "kind": "gauge-check", "taken_at": at, "station": "bench", "inspector": "I1",
        "gauge": "S2", "check": "daily", "found": "as-found", "reference": "500 g weight",
        "nominal": 500, "reading": reading, "limit": 0.5,
    }  # fmt: skip


def _mended(records: list[dict[str, object]]) -> list[dict[str, object]]:
    """One weighing corrected, one made void."""
    made = []
    for number, serial in enumerate((CORRECTED, VOID), 1):
        weighing = next(r for r in records if r["kind"] == "weighing" and r.get("serial") == serial)
        weighing["record_id"] = f"00000000-0000-4000-8000-00000000000{number}"
        what: dict[str, object] = {"void": True}
        if serial == CORRECTED:
            what = {"replacement": weighing | {"gross_g": 433.3}}
        made.append(
            _record("correction", "2026-04-20T10:00", str(number), "", of=weighing["record_id"],
                    reason="typing slip", **what)
        )  # fmt: skip
    return made


def _turn(chance: random.Random) -> list[float]:
    return [
        round(0.12 * math.cos(math.radians(10 * i - 40)) + chance.gauss(0, 0.01), 3)
        for i in range(36)
    ]


def take_in(url: str, folder: Path) -> None:
    """Import a folder into a database."""
    assert main(["--db", url, "import", str(folder)]) == 0
