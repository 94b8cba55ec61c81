"""A small shop for judging: its catalog, short ways to its records, and the judge."""

import datetime as dt
import tomllib
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.toml_file import read_entry
from qc.judgement.part import Judged, judge_batch, judge_part
from qc.judgement.readings import Around, Change, Doubt, Held
from qc.records.kinds import Record
from qc.records.parsing import RecordParser

RECORDED = dt.datetime(2026, 1, 5, 12, tzinfo=dt.UTC)
PARSER = RecordParser(None)

CATALOG = """
[site]
code = "HQ"
time_zone = "Europe/Lisbon"

[[model]]
code = "D50"
depth_mm = 50
brake = "disc"
tyre = "tubeless"
spokes = 24

[[batch]]
code = "B1"
model = "D50"
made_on = 2026-02-02
quantity = 40

[[claim]]
model = "D50"
stage = "rim"
claimed_g = 820
over_g = 10
under_g = 15
from = 2026-01-01

# a strip of tape, two to a rim
[[fitted_part]]
code = "tape"
mass_g = 17.5
u_g = 0.3
sd_g = 0.1

[[gauge]]
code = "S1"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.2

[[gauge]]
code = "S2"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.3

[[gauge]]
code = "C1"
measures = "length"
unit = "mm"
resolution = 0.12
u = 0.04

[[characteristic]]
code = "width"
unit = "mm"
name = "Inner width"
"""
# what a record of a kind says where a test does not care
USUAL: dict[str, dict[str, Any]] = {
    "receipt": {"model": "D50", "batch": "B1"},
    "weighing": {"stage": "rim", "gauge": "S1"},
    "runout": {"stage": "rim", "gauge": "C1", "direction": "lateral"},
    "measurement": {"characteristic": "width", "gauge": "C1"},
    "inspection": {"stage": "rim", "method": "visual", "zones": "hook", "result": "clean"},
    "finding": {"zone": "hook", "defect": "void", "angle_deg": 10, "size_mm": 1},
    "balance": {
        "stage": "front-wheel",
        "state": "as-found",
        "heavy_deg": 10,
        "residual_g": 2,
        "radius_mm": 300,
    },
    "drop": {
        "test": "T1",
        "protocol": "P1",
        "gauge": "C1",
        "position_deg": 0,
        "striker_kg": 4,
        "height_mm": 1000,
        "damage": "none",
    },
    "build": {"stage": "front-wheel", "hub": "24 holes", "builder": "Ola"},
    "gauge-check": {
        "gauge": "S1",
        "check": "daily",
        "found": "as-found",
        "reference": "500 g",
        "nominal": 500,
        "reading": 500,
        "limit": "0.5",
    },
    "disposition": {"reason": "as agreed"},
    "shipment": {"order": "10", "to": "K-7"},
    "customer-return": {"reason": "rattles"},
}


def catalog(more: str = "", base: str = CATALOG) -> Catalog:
    """The shop's catalog with further tables; all recorded at once."""
    content = tomllib.loads(base + more, parse_float=Decimal)
    entries = [
        read_entry(table, item)[0]
        for table, items in content.items()
        for item in (items if isinstance(items, list) else [items])
    ]
    return Catalog(Recorded(str(n), n, RECORDED, entry) for n, entry in enumerate(entries, 1))


def at(day: int, hour: int = 10, minute: int = 0) -> dt.datetime:
    """A moment of March 2026, UTC, which is Lisbon's time until the 29th."""
    return dt.datetime(2026, 3, day, hour, minute, tzinfo=dt.UTC)


def record(kind: str, when: dt.datetime | int, **fields: Any) -> Any:
    """A record of R-1 (or of a batch) taken at a moment, or on a day of March at ten."""
    moment = at(when) if isinstance(when, int) else when
    value: dict[str, Any] = {"station": "bench", "inspector": "jo", **USUAL[kind], **fields}
    if kind == "receipt" or (kind != "gauge-check" and "batch" not in fields):
        value.setdefault("serial", "R-1")
    plain = {
        name: str(inner)
        if isinstance(inner, int | float) and not isinstance(inner, bool)
        else inner
        for name, inner in value.items()
    }
    return PARSER.from_object({"kind": kind, "taken_at": moment.isoformat(), **plain})


def judge(
    known: Catalog,
    *history: Record | Held,
    doubts: Mapping[str, Sequence[Doubt]] | None = None,
    received: bool = True,
) -> Judged:
    """R-1 judged by its history, received on the first of March unless it says otherwise."""
    held = [item if isinstance(item, Held) else Held(item) for item in history]
    if received:
        held.append(Held(record("receipt", 1)))
    return judge_part("R-1", held, Around(known, doubts or {}))


def judge_whole_batch(known: Catalog, *history: Record) -> Judged:
    """B1 judged by what was recorded of it as such."""
    return judge_batch("B1", [Held(item) for item in history], Around(known, {}))


def mended(original: Record, when: dt.datetime | int, content: Record | None, **more: Any) -> Held:
    """A record that a correction changed (None: took away) at a moment."""
    moment = at(when) if isinstance(when, int) else when
    return Held(original, (Change(moment, content, **more),))


def open_flags(judged: Judged) -> list[str]:
    """The names of the flags that stand."""
    return sorted(flag.verdict.flag for flag in judged.flags if flag.closed_at is None)


def the_flag(judged: Judged, name: str) -> Any:
    """The one flag of a name, open or closed."""
    (found,) = [flag for flag in judged.flags if flag.verdict.flag == name]
    return found


def quantity(judged: Judged, characteristic: str, stage: str = "rim") -> Any:
    """The one quantity of a characteristic at a stage."""
    (found,) = [
        q for q in judged.quantities if (q.characteristic, q.stage) == (characteristic, stage)
    ]
    return found
