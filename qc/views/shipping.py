"""What keeps a part from being shipped, and what was shipped all the same."""

from typing import Any

from sqlalchemy import Connection, func, or_, select

from qc.ledger.marks import OUT
from qc.ledger.tables import Part
from qc.views import touched
from qc.views.decide import batches_waiting

Row = dict[str, Any]


def reasons_to_keep(connection: Connection, serial: str) -> list[str]:
    """Why a part may not be shipped now, in words; empty where it may."""
    found = touched.placed(connection, [serial])
    if not found:
        return [f"not received: nothing is recorded of {serial}"]
    (part,) = found
    if part["status"] == "shipped":
        return [*part["reasons"], f"shipped already, with order {part['order']}"]
    return list(part["reasons"])


def shipped_anyway(connection: Connection, most: int) -> Row:
    """Parts that are out there though something keeps them, of their own or a decision on their
    batch, and how many there are in all."""
    stopped = [row["batch"] for row in batches_waiting(connection)]
    out = Part.standing.like('%"shipped":true,"returned":false,%')
    which = or_(OUT, Part.batch.in_(stopped) & out)
    query = select(Part.serial).where(which).order_by(Part.serial).limit(most)
    count = connection.execute(select(func.count()).select_from(Part).where(which)).scalar() or 0
    serials = list(connection.execute(query).scalars())
    return {"count": count, "rows": touched.placed(connection, serials)}
