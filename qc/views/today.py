"""What needs attention: counts over the whole ledger."""

from typing import Any

from sqlalchemy import Connection, func, select

from qc.ledger.tables import FlagRow, Head, Journal, Part, SuspectRow
from qc.views.plain import moment

LATEST = 10_000
_RECEIVED = select(func.count()).where(Part.batch.is_not(None))


def counts(connection: Connection) -> dict[str, Any]:
    """Parts received, records, open flags by kind and by severity, the time of the newest record.

    The newest is looked for among the latest to arrive: to look at all would take ever longer.
    """
    open_flags = select(FlagRow.flag, FlagRow.severity, func.count()).where(
        FlagRow.closed_at.is_(None)
    )
    rows = connection.execute(open_flags.group_by(FlagRow.flag, FlagRow.severity)).all()
    by_kind: dict[str, int] = {}
    by_severity = {"critical": 0, "major": 0, "minor": 0}
    for flag, severity, count in sorted(rows, key=lambda row: row[0]):
        by_kind[flag] = by_kind.get(flag, 0) + count
        by_severity[severity] = by_severity.get(severity, 0) + count
    latest = select(Journal.taken_at).where(Journal.serial.is_not(None))
    latest = latest.order_by(Journal.position.desc()).limit(LATEST)
    newest = connection.execute(select(func.max(latest.subquery().c.taken_at))).scalar()
    return {
        # by their index: the table itself is a thousand times as long
        "parts": connection.execute(_RECEIVED).scalar() or 0,
        "records": connection.execute(select(Head.position)).scalar() or 0,
        "flags": by_kind,
        "severities": by_severity,
        "newest": moment(newest) if newest else None,
    }


def parts_in_doubt(connection: Connection, gauge: str) -> list[str]:
    """The serials with readings of a gauge in doubt, not yet measured again or accepted."""
    query = select(SuspectRow.owner).where(
        SuspectRow.gauge == gauge, SuspectRow.settled_at.is_(None)
    )
    owners = sorted({row[0] for row in connection.execute(query)})
    return [owner.removeprefix("serial:") for owner in owners if owner.startswith("serial:")]
