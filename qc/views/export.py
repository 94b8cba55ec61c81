"""The tables that can be given out: their fields, and their rows one after another.

A million rows never stand in memory at once: what grows with the shop is read in pieces.
"""

from collections.abc import Callable, Iterator
from itertools import count
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.units import unit
from qc.ledger.tables import FlagRow, Journal, Part, Quantity
from qc.records.canonical import from_body
from qc.views import export_fields as fields
from qc.views import touched
from qc.views.claims import claims
from qc.views.drift import drift
from qc.views.export_fields import Field
from qc.views.margins import margin_statements

Row = dict[str, Any]
Rows = Iterator[Row]

_PIECE = 1000
_json = msgspec.json.Encoder(decimal_format="number")


class Table(NamedTuple):
    """`key` are the fields that tell a row from all others; `rows` reads from the database."""

    name: str
    title: str
    fields: tuple[Field, ...]
    key: tuple[str, ...]
    rows: Callable[[Connection, Catalog], Rows]


def tables() -> dict[str, Table]:
    """Every table by its name."""
    known = (
        Table("records", "Every record as it was taken in", fields.of_records(), ("record_id",),
              _records),
        Table("parts", "Every part and where it stands", fields.PARTS, ("serial",), _parts),
        Table("values", "What each part comes to", fields.VALUES, ("row_no",), _values),
        Table("flags", "Every flag, open or closed", fields.FLAGS, ("row_no",), _flags),
        Table("claims", "Claimed and measured mass", fields.CLAIMS, ("model", "stage"), _claims),
        Table("drift", "Batch means with their limits and signals", fields.DRIFT, ("row_no",),
              _drift),
        Table("margins", "Every impact test", fields.MARGINS, ("serial", "test"), _margins),
    )  # fmt: skip
    return {table.name: table for table in known}


def _records(connection: Connection, _: Catalog) -> Rows:
    query = (
        select(Journal.position, Journal.kind, Journal.body)
        .where(Journal.kind != "catalog")
        .order_by(Journal.position)
    )
    with connection.execute(query.execution_options(yield_per=_PIECE)) as found:
        for position, kind, text in found:
            record = from_body(text)
            row: Row = {"position": position, "kind": kind}
            for name in record.__struct_fields__:
                value = getattr(record, name)
                row[name] = _nested(value) if isinstance(value, dict | tuple) else value
            yield row


def _nested(value: Any) -> str | None:
    """What is no single value, as JSON; nothing where it is empty."""
    return _json.encode(value).decode() if value else None


def _parts(connection: Connection, catalog: Catalog) -> Rows:
    last = ""
    query = select(Part.serial).order_by(Part.serial).limit(_PIECE)
    while serials := [row[0] for row in connection.execute(query.where(Part.serial > last))]:
        last = serials[-1]
        placed = {row["serial"]: row for row in touched.placed(connection, serials)}
        for serial in serials:
            row = placed[serial]
            batch = catalog.batch(row["batch"]) if row["batch"] else None
            yield row | {
                "made_on": batch.made_on if batch else None,
                "factors": _nested(dict(batch.factors)) if batch else None,
                "reasons": "; ".join(row["reasons"]) or None,
            }


def _values(connection: Connection, catalog: Catalog) -> Rows:
    own = ("row_no", "unit")
    columns = [getattr(Quantity, f.name) for f in fields.VALUES if f.name not in own]
    query = select(*columns).order_by(
        Quantity.serial, Quantity.stage, Quantity.characteristic, Quantity.protocol
    )
    with connection.execute(query.execution_options(yield_per=_PIECE)) as found:
        for number, row in enumerate(found.mappings(), 1):
            yield dict(row) | {"row_no": number, "unit": unit(catalog, row["characteristic"])}


def _flags(connection: Connection, _: Catalog) -> Rows:
    own = ("row_no", "state", "records")
    columns = [getattr(FlagRow, f.name) for f in fields.FLAGS if f.name not in own]
    query = select(FlagRow.records, *columns).order_by(
        FlagRow.raised_at, FlagRow.owner, FlagRow.flag, FlagRow.id
    )
    with connection.execute(query.execution_options(yield_per=_PIECE)) as found:
        for number, row in enumerate(found.mappings(), 1):
            state = "open" if row["closed_at"] is None else "closed"
            yield dict(row) | {"row_no": number, "state": state}


def _claims(connection: Connection, catalog: Catalog) -> Rows:
    yield from claims(connection, catalog)


def _drift(connection: Connection, catalog: Catalog) -> Rows:
    number = count(1)
    for stream in drift(connection, catalog):
        rules = {signal["batch"]: signal["rule"] for signal in stream["signals"]}
        moved = {event["first_batch"] for event in stream["events"]}
        shared = {name: stream.get(name) for name in ("model", "stage", "characteristic", "unit")}
        for batch in stream["batches"]:
            code = batch["batch"]
            yield (
                shared
                | batch
                | {
                    "row_no": next(number),
                    "protocol": stream.get("protocol"),
                    "baseline": code in stream["baseline"],
                    "signal": rules.get(code),
                    "moved": code in moved,
                }
            )


def _margins(connection: Connection, catalog: Catalog) -> Rows:
    names = ("protocol", "model", "stage", "method", "required_multiple", "standard_energy_j")
    for group in margin_statements(connection, catalog):
        shared = {name: group[name] for name in names}
        for test in group["tests"]:
            yield shared | test | {"marks": "; ".join(test["marks"]) or None}
