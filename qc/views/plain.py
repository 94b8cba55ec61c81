"""Values as JSON has them."""

import datetime as dt
import math
from decimal import Decimal
from typing import Any

import msgspec

from qc.records.kinds import Record, kind_of


def number(value: Decimal | float | None) -> float | int | None:
    """A number without a needless `.0`."""
    if value is None:
        return None
    whole = value == int(value)
    return int(value) if whole else float(value)


def rounded(value: float | None) -> float | None:
    """Six decimals; what is not finite is nothing, as JSON has no word for it."""
    return None if value is None or not math.isfinite(value) else round(value, 6)


def moment(value: dt.datetime) -> str:
    """A moment in UTC by RFC 3339."""
    aware = value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)
    return aware.isoformat().replace("+00:00", "Z")


def record(item: Record) -> dict[str, Any]:
    """A record with the fields it has, as they stand in a log."""
    shown: dict[str, Any] = {"kind": kind_of(item)}
    for field in msgspec.structs.fields(item):
        value = getattr(item, field.name)
        if value is not None and value not in ((), {}):
            shown[field.name] = plain(value)
    return shown


def plain(value: Any) -> Any:
    """A field's value as JSON has it."""
    if isinstance(value, Decimal):
        return number(value)
    if isinstance(value, dt.datetime):
        return moment(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {name: plain(item) for name, item in value.items()}
    return value


def without_none(row: dict[str, Any]) -> dict[str, Any]:
    """A row without the members that say nothing."""
    return {name: value for name, value in row.items() if value is not None}
