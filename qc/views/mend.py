"""Records to correct: those of a part, a batch or a gauge, and one with all that became of it."""

import datetime as dt
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection, select

from qc.errors import RimqcError
from qc.ledger.corrections import histories, load_held
from qc.ledger.journal import places
from qc.ledger.tables import Journal
from qc.records.kinds import Correction, Record, kind_of
from qc.records.parsing import FIELDS
from qc.views import entry_forms
from qc.views.plain import record
from qc.views.trace import doubted, shown_records

Row = dict[str, Any]

# where the records about something are found in the journal
ABOUT = {"part": "serial", "batch": "batch", "gauge": "checked"}


def records(connection: Connection, about: str, code: str, most: int, skip: int = 0) -> Row:
    """A page of the records about a part, a batch as such or a gauge's checks, newest first, with
    how many there are; corrections stand among them."""
    held = histories(connection, ABOUT[about], [code])[code]
    owner = {"part": "serial", "batch": "batch"}.get(about, about)
    found = shown_records(connection, held, doubted(connection, f"{owner}:{code}"))
    found.reverse()
    return {"count": len(found), "rows": found[skip : skip + most]}


def one(connection: Connection, record_id: str) -> Row:
    """A record as it came, what holds `now` (None: void), and its corrections in order of time.

    `form` has the fields it may be replaced by, each with the `value` that holds now as text;
    empty for a correction, which can only be taken back. `suspect`: its gauge was found off and it
    is still in doubt. RimqcError for an identity that is not held.
    """
    kind = connection.execute(
        select(Journal.kind).where(
            Journal.position == places(connection, [record_id]).get(record_id)
        )
    ).scalar_one_or_none()
    if kind in (None, "catalog"):
        raise RimqcError(f"no record {record_id} is held")
    (held,) = load_held(connection, [record_id])
    subject = getattr(held.record, "serial", None) or getattr(held.record, "batch", None)
    owner = "serial" if getattr(held.record, "serial", None) else "batch"
    in_doubt = doubted(connection, f"{owner}:{subject}")
    shown, *mended = sorted(
        shown_records(connection, [held], in_doubt), key=lambda r: r["record_id"] != record_id
    )
    final = held.final()
    return {
        "record": shown,
        "now": None if final is None else record(final),
        "corrections": mended,
        "suspect": shown.get("suspect", False),
        "form": [] if isinstance(held.record, Correction) else form(final or held.record),
    }


def form(content: Record) -> list[Row]:
    """The fields of a record as inputs, filled with what it says; what is not known to its kind
    stays with it."""
    kind = kind_of(content)
    shown = []
    for field in FIELDS[kind]:
        if field.name == "record_id":
            continue
        value = getattr(content, field.name)
        if field.rule == "moment":
            about = {"name": field.name, "label": "Taken at", "type": "text", "required": True}
        else:
            about = entry_forms.field(kind, field.name)
        several = about["type"] == "several"
        shown.append(about | {"value": list(value) if several else typed(value)})
    return shown


def typed(value: Any) -> str:
    """A value as it is typed into a log."""
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, dt.date):  # and moments
        return value.isoformat()
    if isinstance(value, dict):
        return " ".join(f"{code}:{count}" for code, count in value.items())
    if isinstance(value, tuple):
        return " ".join(typed(item) for item in value)
    return str(value)


def replacement(now: Row, form: list[Row], given: Row) -> Row:
    """A whole record in place of another: what was typed, and what the form does not ask for.

    RimqcError where nothing differs from what holds now.
    """
    if all(given[field["name"]] == field["value"] for field in form):
        raise RimqcError("nothing is changed yet: type what it should say")
    filled = {name: value for name, value in given.items() if value not in ("", [])}
    return {"kind": now["kind"], **now.get("other", {}), **filled}
