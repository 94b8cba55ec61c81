"""Dates and times: RFC 3339 text to UTC, local times by the site's time zone.

A local time that the clock shows twice or never (the hours of the change to and from summer time)
is refused: nobody can tell what was meant, and a guess would be silent.
"""

import datetime as dt
import re
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

_MOMENT = re.compile(
    r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}:\d{2}(?:\.\d+)?([Zz]|[+-]\d{2}:\d{2})?", re.ASCII
)
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_HOUR = dt.timedelta(hours=1)

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

    def offset(hour: str) -> dt.timedelta:
        """How far local time is ahead of UTC all through this hour."""
        known = offsets.get(hour)
        if known is None:
            known = _offset_of_hour(dt.datetime.fromisoformat(f"{hour}:00:00"), zone)
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
                return (local - offset(raw[:13])).replace(tzinfo=dt.UTC)
            if mark in "Zz":
                return dt.datetime.fromisoformat(raw[:-1] + "Z")
            return dt.datetime.fromisoformat(raw).astimezone(dt.UTC)
        except OverflowError:
            raise ValueError from None

    return read


def _offset_of_hour(start: dt.datetime, zone: ZoneInfo | None) -> dt.timedelta:
    if zone is None:
        raise ValueError
    ends = {
        (start + step).replace(tzinfo=zone, fold=fold).utcoffset()
        for step in (dt.timedelta(0), _HOUR - dt.timedelta(microseconds=1))
        for fold in (0, 1)
    }
    only = ends.pop()
    if ends or only is None:  # the clock is put forward or back within this hour
        raise ValueError
    return only
