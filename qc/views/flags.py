"""Flags, open ones or all."""

from typing import Any

import msgspec
from sqlalchemy import Connection, case, select

from qc.ledger.tables import FlagRow
from qc.views.plain import moment, number, without_none

SEVERITIES = ("critical", "major", "minor")
_RANK = case({name: rank for rank, name in enumerate(SEVERITIES)}, value=FlagRow.severity)
_COLUMNS = (
    FlagRow.flag,
    FlagRow.severity,
    FlagRow.serial,
    FlagRow.batch,
    FlagRow.gauge,
    FlagRow.model,
    FlagRow.stage,
    FlagRow.characteristic,
    FlagRow.test,
    FlagRow.value,
    FlagRow.limit,
    FlagRow.unit,
    FlagRow.probability,
    FlagRow.raised_at,
    FlagRow.closed_at,
    FlagRow.closed_by,
    FlagRow.message,
    FlagRow.records,
)


def flags(
    connection: Connection,
    *,
    everything: bool = False,
    most: int | None = None,
    skip: int = 0,
    **only: str | None,
) -> list[dict[str, Any]]:
    """Flags, the worst first, then the oldest; closed ones too where `everything`.

    `most` and `skip` give a page of them. `only` narrows by any of flag, severity, serial, batch,
    gauge, model, stage; None does not.
    """
    query: Any = select(*_COLUMNS).order_by(
        _RANK, FlagRow.raised_at, FlagRow.flag, FlagRow.owner,
        # the databases do not agree by themselves where an empty cell belongs
        FlagRow.stage.nulls_first(), FlagRow.test.nulls_first(),
        FlagRow.characteristic.nulls_first(), FlagRow.closed_at.nulls_first(),
    )  # fmt: skip
    if not everything:
        query = query.where(FlagRow.closed_at.is_(None))
    for name, value in only.items():
        if value is not None:
            query = query.where(getattr(FlagRow, name) == value)
    return [_shown(row) for row in connection.execute(query.limit(most).offset(skip)).mappings()]


def _shown(row: Any) -> dict[str, Any]:
    shown = without_none({name: row[name] for name in row if name not in ("value", "limit")})
    shown["value"], shown["limit"] = number(row["value"]), number(row["limit"])
    shown["raised_at"] = moment(row["raised_at"])
    shown["state"] = "open" if row["closed_at"] is None else "closed"
    if row["closed_at"] is not None:
        shown["closed_at"] = moment(row["closed_at"])
    if row["records"] is not None:
        shown["records"] = msgspec.json.decode(row["records"])
    return shown
