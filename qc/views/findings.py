"""What looks found: findings one by one for the newest batches, and counted."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, func, select

from qc.catalog.catalog import Catalog
from qc.ledger.bulk import pieces
from qc.ledger.tables import Part, Quantity
from qc.records.kinds import Finding
from qc.records.rules import STAGES
from qc.views.newest import Newest, newest_batches
from qc.views.of_kind import of_kind
from qc.views.plain import moment, number

Row = dict[str, Any]


def findings(
    connection: Connection, catalog: Catalog, *, model: str | None = None, batch: str | None = None
) -> Row:
    """The findings on parts of the newest batches, in order of time, and how many `looked_at`.

    `batches` are those looked through, `of_batches` how many of this choice there are. Costs a row
    of the journal for each record of at most 20,000 parts that have more than first readings, and
    a body for each finding; what corrections made void is left out.
    """
    newest = newest_batches(connection, catalog, model=model, batch=batch)
    batch_of = _may_have_findings(connection, newest)
    found = of_kind(connection, Finding, sorted(batch_of))
    return {
        "model": model,
        "batch": batch,
        "batches": [entry.code for entry in newest.batches],
        "of_batches": newest.are,
        "looked_at": _looked_at(connection, newest),
        "findings": [
            {
                "serial": one.serial,
                "batch": batch_of[one.serial],
                "zone": one.zone,
                "defect": one.defect,
                "angle_deg": number(one.angle_deg),
                "size_mm": number(one.size_mm),
                "taken_at": moment(one.taken_at),
            }
            for one in found
        ],
    }


def _may_have_findings(connection: Connection, newest: Newest) -> dict[str, str]:
    """Serials with their batch; a part of first readings alone (see `fresh`) has no finding."""
    found: dict[str, str] = {}
    for piece in pieces([entry.code for entry in newest.batches]):
        query = select(Part.serial, Part.batch).where(
            Part.batch.in_(piece), Part.calm_since.is_(None)
        )
        found |= {serial: str(code) for serial, code in connection.execute(query)}
    return found


def _looked_at(connection: Connection, newest: Newest) -> int:
    """How many parts have been looked at: those with a number of findings, none included."""
    models = sorted({entry.model for entry in newest.batches})
    count = 0
    for piece in pieces([entry.code for entry in newest.batches]):
        query = select(func.count(Quantity.serial.distinct())).where(
            Quantity.characteristic == "findings-per-part",
            *(Quantity.model.in_(models), Quantity.stage.in_(STAGES), Quantity.batch.in_(piece)),
        )
        count += connection.execute(query).scalar_one()
    return count


def counted(found: Sequence[Row], by: str) -> list[Row]:
    """Findings counted by `defect`, `zone` or `batch`, the most first, with the cumulative share
    and the number of parts that have any."""
    groups: dict[str, list[Row]] = {}
    for one in found:
        groups.setdefault(one[by], []).append(one)
    rows: list[Row] = []
    running = 0
    for name, own in sorted(groups.items(), key=lambda item: (-len(item[1]), item[0])):
        count = len(own)
        running += count
        rows.append(
            {
                "name": name,
                "count": count,
                "parts": len({one["serial"] for one in own}),
                "largest_mm": max(one["size_mm"] for one in own),
                "share": count / len(found),
                "cumulative": running / len(found),
            }
        )
    return rows
