"""A small maker for tests: its catalog, short ways to its records, and whole-database dumps."""

import contextlib
import csv
import datetime as dt
import io
import json
import random
import subprocess
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, select

from qc.catalog.toml_file import read_catalog
from qc.commands import main
from qc.ledger.journal import prepare
from qc.ledger.ledger import Answer, Ledger
from qc.ledger.tables import FOLLOWS, Part
from qc.records.kinds import Record
from qc.records.parsing import RecordParser
from qc.resources import folder
from qc.views.flags import flags
from qc.views.trace import trace

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


def give_rights(address: str, users: Mapping[str, str]) -> None:
    """Run `schemas/roles.sql` in a PostgreSQL database, with these names of users by their role."""
    told = [word for role, user in users.items() for word in ("--set", f"{role}={user}")]
    script = ["--file", str(folder("schemas") / "roles.sql")]
    subprocess.run(["psql", "--quiet", "--no-psqlrc", *told, *script, address], check=True)


def accept(connection_or_ledger: Any, records: Iterable[Record], ledger: Any = None) -> list[str]:
    """Take records in, in one transaction; returns each one's outcome."""
    if ledger is None:
        return [answer.outcome for answer in connection_or_ledger.accept(list(records))]
    prepared = [prepare(item) for item in records]
    return [a.outcome for a in ledger.accept_into(connection_or_ledger, prepared)]


class _Undo(Exception):  # noqa: N818
    pass


@contextlib.contextmanager
def undone(ledger: Ledger) -> Iterator[Connection]:
    """A transaction that leaves no trace."""
    with contextlib.suppress(_Undo), ledger.writing() as connection:
        yield connection
        raise _Undo


def follows(connection: Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Everything that follows from the journal, without its places, in a fixed order."""
    found = {}
    for table in FOLLOWS:
        columns = [
            column for column in table.__table__.columns if column.name not in ("id", "since")
        ]
        rows = [tuple(row) for row in connection.execute(select(*columns))]
        found[table.__tablename__] = sorted(rows, key=repr)
    return found


def flags_of(ledger: Ledger, **only: Any) -> list[dict[str, Any]]:
    """All flags, open and closed, as the command shows them."""
    with ledger.reading() as connection:
        return flags(connection, everything=True, **only)


def named(found: Iterable[dict[str, Any]]) -> list[tuple[str, str]]:
    """Flag and state of each."""
    return sorted((flag["flag"], flag["state"]) for flag in found)


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
        catalog = ledger.known(connection).catalog
        serials = connection.execute(select(Part.serial)).scalars().all()
        return found | {serial: trace(connection, catalog, serial) for serial in sorted(serials)}


def write_csv(path: Path, rows: list[dict[str, Any]], delimiter: str = ",") -> Path:
    """Records of one kind, named by the file, or of several with a column `kind`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    names = list(dict.fromkeys(name for row in rows for name in row))
    if len({row["kind"] for row in rows}) == 1:
        names.remove("kind")
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names, delimiter=delimiter, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    return path


def write_jsonl(path: Path, rows: list[dict[str, Any]]) -> Path:
    """Records as JSON Lines."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    return path


def write_shop(folder: Path, parts: int = 40) -> Path:
    """A few weeks of logs with every kind of record, some faults, and one line that is refused."""
    chance = random.Random(parts)
    write_catalog(folder)
    at = dt.datetime.fromisoformat("2026-02-14T08:00:00")  # the site's local time
    by_kind: dict[str, list[dict[str, Any]]] = {}
    slips = []

    def add(kind: str, **given: Any) -> dict[str, Any]:
        row = fields(kind, taken_at=at.isoformat(), **given)
        by_kind.setdefault(kind, []).append(row)
        return row

    for n in range(parts):
        at += dt.timedelta(hours=6)
        serial = f"D50-{n:03}"
        scale = {"gauge": chance.choice(["S1", "S2"])}
        add("receipt", serial=serial, batch=chance.choice(["B1", "B2"]))
        gross = chance.choice([446, 450, 455, 459, 464])
        weighing = add("weighing", serial=serial, gross_g=gross, **scale)
        if n % 9 == 0:
            slips.append((weighing, {**weighing, "gross_g": 451}))
        turn = " ".join(f"{chance.uniform(0, 0.35):.2f}" for _ in range(24))
        add("runout", serial=serial, readings_mm=turn, tir_mm=None)
        add("inspection", serial=serial, result="findings" if n % 5 == 0 else "clean")
        if n % 5 == 0:
            add("finding", serial=serial, size_mm=chance.choice([1, 6]))
        if n % 7 == 0:
            for hit in range(1, 5):
                damage = "crack" if n % 2 and hit == 4 else "none"
                add("drop", serial=serial, test=f"T-{n}", drop_no=hit, damage=damage,
                    position_deg=90 * (hit % 2))  # fmt: skip
        elif n % 3 == 0:
            stage = "front-wheel" if n % 2 else "rear-wheel"
            add("build", serial=serial, stage=stage, pair=f"P{n // 6}")
            add("weighing", serial=serial, stage=stage, gross_g=820 if n % 2 else 905, **scale)
            add("balance", serial=serial, stage=stage, residual_g=chance.choice([4, 11]))
        if n % 6 == 0:
            reading = 503 if n in (12, 30) else 500
            add("gauge-check", gauge="S1", reading=reading)
            add("disposition", serial=serial, decision=chance.choice(["hold", "release"]))
        add("measurement", serial=serial, value=chance.choice(["6.41", "6.5", "6.85"]))
    add("shipment", serial="D50-001")
    add("customer-return", serial="D50-001")
    add("measurement", serial=None, batch="B1", value="6.6")
    for kind, rows in by_kind.items():
        half = len(rows) // 2
        first, second = rows[:half] or rows, rows[half:] if half else []
        write_csv(folder / "bench" / f"{kind}_early.csv", first, ";")
        if second:
            write_jsonl(folder / "rig" / f"{kind}_late.jsonl", second)
    corrections = [
        fields("correction", of=made(slip).record_id, taken_at=at.isoformat(), replacement=better)
        for slip, better in slips
    ]
    write_jsonl(folder / "desk" / "a_corrections.jsonl", corrections)
    bad = fields("weighing", serial="D50-002", gross_g="heavy")
    write_csv(folder / "bench" / "weighing-typed.csv", [bad])
    return folder
