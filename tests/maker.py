"""A small maker for tests: its catalog, short ways to its records, and whole-database dumps."""

import contextlib
import io
import json
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, select

from qc.catalog.toml_file import read_catalog
from qc.commands import main
from qc.ledger.journal import prepare
from qc.ledger.ledger import Answer, Ledger
from qc.ledger.tables import FOLLOWS
from qc.records.kinds import Record
from qc.records.parsing import RecordParser

CATALOG = """\
[site]
code = "HQ"
time_zone = "Europe/Lisbon"

[[model]]
code = "D50"
depth_mm = 50
brake = "disc"
tyre = "tubeless"
spokes = 24

[[model]]
code = "R30"
depth_mm = 30
brake = "rim"
tyre = "tubular"
spokes = 20

[[claim]]
model = "D50"
stage = "rim"
claimed_g = 450
over_g = 10
under_g = 15
from = 2026-01-01

[[claim]]
model = "D50"
stage = "front-wheel"
claimed_g = 820
over_g = 10
under_g = 15
from = 2026-01-01

[[claim]]
model = "D50"
stage = "rear-wheel"
claimed_g = 900
over_g = 10
under_g = 15
from = 2026-01-01

[[claim]]
model = "D50"
stage = "pair"
claimed_g = 1720
over_g = 12
under_g = 20
from = 2026-01-01

[[fitted_part]]
code = "tape"
mass_g = 20
u_g = 0.5

[[gauge]]
code = "S1"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.3
due = 2026-12-01

[[gauge]]
code = "S2"
measures = "mass"
unit = "g"
resolution = 0.1
u = 0.3
due = 2026-02-20

[[gauge]]
code = "RO"
measures = "length"
unit = "mm"
resolution = 0.01
u = 0.01
due = 2026-12-01

[[gauge]]
code = "RIG"
measures = "drop"
unit = "mm"
resolution = 1
u = 1
due = 2026-12-01

[[characteristic]]
code = "bore"
unit = "mm"
name = "Valve bore"

[[limit]]
characteristic = "bore"
lower = 6.4
upper = 6.8
severity = "critical"

[[runout_limit]]
direction = "lateral"
stage = "rim"
limit_mm = 0.4

[[finding_limit]]
zone = "sidewall"
defect = "void"
size_mm = 5
severity = "major"

[[balance_limit]]
stage = "front-wheel"
limit_gmm = 3000

[[protocol]]
code = "P40"
stage = "rim"
standard_energy_j = 40
required_multiple = 2
method = "repeat"
positions_deg = [0, 90]
fails_at = "crack"

[[plan]]
model = "D50"
stage = "rim"
requires = ["weighing", "runout-lateral", "inspection"]

[[batch]]
code = "B1"
model = "D50"
made_on = 2026-01-02
quantity = 10
mould = "M1"
resin_lot = "R7"

[[batch]]
code = "B2"
model = "D50"
made_on = 2026-01-03
quantity = 10
mould = "M2"
resin_lot = "R8"

[[batch]]
code = "B3"
model = "R30"
made_on = 2026-01-03
quantity = 10
mould = "M3"
resin_lot = "R7"
"""

ZONE = ZoneInfo("Europe/Lisbon")
_PARSER = RecordParser(ZONE)
# common to all kinds; each kind's own follow
_EVERY = {"station": "ST-1", "inspector": "ann", "taken_at": "2026-02-02T10:00:00"}
_OWN: dict[str, dict[str, Any]] = {
    "receipt": {"serial": "R1", "model": "D50", "batch": "B1", "taken_at": "2026-02-01T08:00:00"},
    "weighing": {"serial": "R1", "stage": "rim", "gauge": "S1", "gross_g": 450},
    "runout": {"serial": "R1", "stage": "rim", "gauge": "RO", "direction": "lateral",
               "tir_mm": "0.2"},
    "measurement": {"serial": "R1", "characteristic": "bore", "gauge": "RO", "value": "6.5"},
    "inspection": {"serial": "R1", "stage": "rim", "method": "visual", "zones": "hook sidewall",
                   "result": "clean"},
    "finding": {"serial": "R1", "zone": "sidewall", "defect": "void", "angle_deg": 90,
                "size_mm": 2},
    "balance": {"serial": "R1", "stage": "front-wheel", "state": "as-found", "heavy_deg": 30,
                "residual_g": 5, "radius_mm": 300},
    "drop": {"serial": "R1", "test": "T-1", "protocol": "P40", "gauge": "RIG", "drop_no": 1,
             "position_deg": 0, "striker_kg": "4.078865", "height_mm": 1000, "damage": "none"},
    "build": {"serial": "R1", "stage": "front-wheel", "hub": "H-1", "builder": "bo"},
    "gauge-check": {"gauge": "S1", "check": "daily", "found": "as-found", "reference": "500 g",
                    "nominal": 500, "reading": 500, "limit": 1},
    "correction": {"reason": "typing slip", "taken_at": "2026-02-10T09:00:00"},
    "disposition": {"serial": "R1", "decision": "hold", "reason": "look again"},
    "shipment": {"serial": "R1", "order": "O-1", "to": "C-1"},
    "customer-return": {"serial": "R1", "reason": "rattle"},
}  # fmt: skip


def fields(kind: str, **given: Any) -> dict[str, Any]:
    """The fields of a record as a station would send them; None leaves one out."""
    filled = {"kind": kind, **_EVERY, **_OWN[kind], **given}
    return {name: value for name, value in filled.items() if value is not None}


def record(kind: str, **given: Any) -> Record:
    """A record with plain values, except for what is given."""
    return made(fields(kind, **given))


def made(given: dict[str, Any]) -> Record:
    """A record of exactly these fields."""
    return _PARSER.from_object(_as_read(given))


def _as_read(value: Any) -> Any:
    """Values as a reader gives them: numbers as decimals."""
    if isinstance(value, dict):
        return {name: _as_read(inner) for name, inner in value.items()}
    return Decimal(str(value)) if type(value) in (int, float) else value


def correction(of: Record, **given: Any) -> Record:
    """A correction of a record; `replacement` gives the fields of the record in its place."""
    return record("correction", of=of.record_id, **given)


def write_catalog(folder: Path, text: str = CATALOG) -> Path:
    """The catalog as a file."""
    path = folder / "catalog.toml"
    path.write_text(text)
    return path


def take_catalog(ledger: Ledger, folder: Path, text: str = CATALOG) -> list[Answer]:
    """Take the catalog into a ledger."""
    lines = list(read_catalog(write_catalog(folder, text)))
    entries = [line.entry for line in lines if line.entry is not None]
    assert len(entries) == len(lines)
    with ledger.writing() as connection:
        return ledger.accept_catalog(connection, entries)


def accept(connection_or_ledger: Any, records: Iterable[Record], ledger: Any = None) -> list[str]:
    """Take records in, in one transaction; returns each one's outcome."""
    if ledger is None:
        return [answer.outcome for answer in connection_or_ledger.accept(list(records))]
    prepared = [prepare(item) for item in records]
    return [a.outcome for a in ledger.accept_into(connection_or_ledger, prepared)]


def follows(connection: Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Everything that follows from the journal, without row numbers, in a fixed order."""
    found = {}
    for table in FOLLOWS:
        columns = [column for column in table.__table__.columns if column.name != "id"]
        rows = [tuple(row) for row in connection.execute(select(*columns))]
        found[table.__tablename__] = sorted(rows, key=repr)
    return found


def flags_of(ledger: Ledger, **only: Any) -> list[dict[str, Any]]:
    """All flags, open and closed, as the command shows them."""
    from qc.views.flags import flags

    with ledger.reading() as connection:
        return flags(connection, everything=True, **only)


def named(flags: Iterable[dict[str, Any]]) -> list[tuple[str, str]]:
    """Flag and state of each."""
    return sorted((flag["flag"], flag["state"]) for flag in flags)


def run(*words: Any) -> tuple[int, str, str]:
    """A command in this process: its exit code, and what it printed to stdout and stderr."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main([str(word) for word in words])
        except SystemExit as stop:
            code = int(stop.code or 0)
    return code, out.getvalue(), err.getvalue()


def answer(db: str, *words: Any) -> Any:
    """A command's JSON answer; it must have said nothing else."""
    code, out, err = run(*words, "--db", db, "--format", "json")
    assert code in (0, 1), (words, code, err)
    return json.loads(out)


def all_answers(db: str) -> dict[str, Any]:
    """What every reporting command says of a database."""
    found = {
        name: answer(db, *name.split())
        for name in ("flags --all", "flags", "claims", "margins", "drift")
    }
    with Ledger(db) as ledger, ledger.reading() as connection:
        from qc.ledger.tables import Part

        serials = [row[0] for row in connection.execute(select(Part.serial))]
    return found | {serial: answer(db, "trace", serial) for serial in sorted(serials)}
