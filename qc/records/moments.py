"""Dates and times: RFC 3339 text to UTC, local times by the site's time zone.

A local time that the clock shows twice or never (around the change to and from summer time) is
refused: nobody can tell what was meant, and a guess would be silent.
"""

import datetime as dt
import re
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

# RFC 3339, the offset optional; a leap second has no place on a computer's clock
MOMENT_PATTERN = (
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ](?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:\.[0-9]+)?"
    r"([Zz]|[+-](?:[01][0-9]|2[0-3]):[0-5][0-9])?"
)
_MOMENT = re.compile(MOMENT_PATTERN)
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_LAST_OF_HOUR = dt.timedelta(hours=1, microseconds=-1)

EXPECTED_MOMENT = "a date and time such as 2026-03-31T14:05:00 or 2026-03-31T14:05:00+02:00"


def read_day(raw: Any) -> dt.date:
    """A date written as 2026-03-31; `ValueError` otherwise."""
    if not isinstance(raw, str) or not _DAY.fullmatch(raw):
        raise ValueError
    return dt.date.fromisoformat(raw)


def moment_reader(zone: ZoneInfo | None) -> Callable[[Any], dt.datetime]:
    """A reader of RFC 3339 text that gives UTC; times without an offset are taken in `zone`.

    The reader raises `ValueError` for text that is no such time, for a local time that does not
    exist or exists twice, and for any local time where `zone` is None.
    """
    offsets: dict[str, dt.timedelta] = {}

    def offset(hour: str, local: dt.datetime) -> dt.timedelta:
        """How far local time is ahead of UTC; nearly always the same all through the hour."""
        known = offsets.get(hour)
        if known is None:
            start = dt.datetime.fromisoformat(f"{hour}:00:00")
            known = _offset(zone, start, start + _LAST_OF_HOUR)
            if known is None:  # the clock is put forward or back within this hour
                known = _offset(zone, local)
                if known is None:
                    raise ValueError
                return known
            offsets[hour] = known
        return known

    def read(raw: Any) -> dt.datetime:
        match = _MOMENT.fullmatch(raw) if isinstance(raw, str) else None
        if match is None:
            raise ValueError
        try:
            mark = match.group(1)
            if mark is None:
                local = dt.datetime.fromisoformat(raw)
                return (local - offset(raw[:13], local)).replace(tzinfo=dt.UTC)
            if mark in "Zz":
                return dt.datetime.fromisoformat(raw[:-1] + "Z")
            return dt.datetime.fromisoformat(raw).astimezone(dt.UTC)
        except OverflowError:
            raise ValueError from None

    return read


def _offset(zone: ZoneInfo | None, *times: dt.datetime) -> dt.timedelta | None:
    """The one offset of these local times; None where they, or one of them, have two."""
    if zone is None:
        raise ValueError
    offsets = {
        time.replace(tzinfo=zone, fold=fold).utcoffset() for time in times for fold in (0, 1)
    }
    return offsets.pop() if len(offsets) == 1 else None
