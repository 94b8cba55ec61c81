"""What an entry screen sends once too often by its nature: left out before the door.

A screen that cannot ask the server first sends the receipt with a part's first reading, and takes
back what it sent without knowing what became of it. A part received before is not received again,
and what was never kept needs no correction.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from qc.ledger.bulk import select_in
from qc.ledger.journal import places
from qc.ledger.tables import Journal, Part
from qc.records.rules import is_clean

UNDONE = "undone at entry"


class Left(NamedTuple):
    """The lines to submit with their places, how many were left out as held, and refusals."""

    lines: list[Mapping[str, Any]]
    places: list[int]
    held: int
    refusals: list[dict[str, Any]]


def leave_out(connection: Connection, lines: Sequence[Mapping[str, Any]]) -> Left:
    """The lines without receipts of received parts and without voids of what was never kept."""
    received = _received(connection, lines)
    known = _known(connection, lines)
    left = Left([], [], 0, [])
    held = 0
    for place, line in enumerate(lines, 1):
        kind, serial = line.get("kind"), word(line, "serial")
        if kind == "receipt" and serial is not None:
            before = received.get(serial)
            if before == line.get("batch") and before is not None:
                held += 1
                continue
            if before is not None:
                left.refusals.append(_of_another(place, line, before))
                continue
            received[serial] = line.get("batch")
        if kind == "correction" and line.get("reason") == UNDONE and line.get("void") is True:
            of = word(line, "of")
            if of is not None and of not in known:
                held += 1
                continue
            if of is not None and known[of] is not None:  # a receipt taken back may come again
                received[known[of]] = None
        left.lines.append(line)
        left.places.append(place)
        known[word(line, "record_id")] = serial if kind == "receipt" else None
    return left._replace(held=held)


def word(line: Mapping[str, Any], name: str) -> str | None:
    """A field's text, if it is one that a database can be asked for; else None."""
    value = line.get(name)
    return value if isinstance(value, str) and is_clean(value) else None


def _of_another(place: int, line: Mapping[str, Any], before: str) -> dict[str, Any]:
    reason = (
        f"{line['serial']} was received as part of batch {before}; choose that batch, or have an "
        "engineer correct the receipt"
    )
    return {"line": place, "field": "batch", "value": str(line.get("batch")), "reason": reason}


def _received(connection: Connection, lines: Sequence[Mapping[str, Any]]) -> dict[Any, str | None]:
    serials = {word(line, "serial") for line in lines if line.get("kind") == "receipt"}
    query = select(Part.serial, Part.batch).where(Part.serial.in_(serials - {None}))
    return {row[0]: row[1] for row in connection.execute(query)} if serials else {}


def _known(connection: Connection, lines: Sequence[Mapping[str, Any]]) -> dict[Any, Any]:
    """Records that undoing names and that are kept; a receipt with its serial."""
    named = [of for line in lines if (of := word(line, "of")) is not None]
    if not named:
        return {}
    columns = ("record_id", "kind", "serial")
    at = places(connection, named).values()
    rows = select_in(connection, Journal, columns, "position", at)
    return {row[0]: row[2] if row[1] == "receipt" else None for row in rows}
