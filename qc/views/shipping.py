"""What keeps a part from being shipped, and what was shipped all the same."""

from typing import Any

from sqlalchemy import Connection, func, select, union

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
    # each by its own index; asked for with "or", both databases read every part
    of_their_own = select(Part.serial).where(OUT)
    of_their_batch = select(Part.serial).where(Part.batch.in_(stopped), out)
    which = union(of_their_own, of_their_batch).subquery()
    count = connection.execute(select(func.count()).select_from(which)).scalar() or 0
    query = select(which.c.serial).order_by(which.c.serial).limit(most)
    serials = list(connection.execute(query).scalars())
    return {"count": count, "rows": touched.placed(connection, serials)}
