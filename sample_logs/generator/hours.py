"""Working days, the time of day at a bench, and the offset that Lisbon's clock shows."""

import datetime as dt
import random

FIRST_DAY = dt.date(2026, 5, 4)
LAST_DAY = dt.date(2026, 11, 19)
SUMMER_BREAK = (dt.date(2026, 8, 10), dt.date(2026, 8, 21))
# Europe/Lisbon puts its clock back in the night to this Sunday
WINTER_TIME_FROM = dt.date(2026, 10, 25)
CLOSING = dt.time(18, 0)


def _is_working_day(day: dt.date) -> bool:
    return day.weekday() < 5 and not SUMMER_BREAK[0] <= day <= SUMMER_BREAK[1]


WORKING_DAYS = [
    day
    for day in (FIRST_DAY + dt.timedelta(days=n) for n in range((LAST_DAY - FIRST_DAY).days + 1))
    if _is_working_day(day)
]


def after(day: dt.date, working_days: int) -> dt.date:
    """The working day so many working days later."""
    return WORKING_DAYS[WORKING_DAYS.index(day) + working_days]


def at(day: dt.date, hour: int, minute: int, second: int = 0) -> dt.datetime:
    """A local time."""
    return dt.datetime.combine(day, dt.time(hour, minute, second))


def with_offset(moment: dt.datetime) -> str:
    """The local time in RFC 3339 with Lisbon's offset."""
    offset = "+01:00" if moment.date() < WINTER_TIME_FROM else "+00:00"
    return moment.isoformat() + offset


class Clock:
    """The time at one bench: each piece of work starts when the one before it is done."""

    def __init__(self, opens: dt.time, rng: random.Random) -> None:
        self._opens, self._rng = opens, rng
        self._now: dict[dt.date, dt.datetime] = {}

    def tick(self, day: dt.date, seconds: int) -> dt.datetime:
        """When work of about so many seconds that begins next on this day is done."""
        start = self._now.get(day, dt.datetime.combine(day, self._opens))
        done = start + dt.timedelta(seconds=round(seconds * (0.8 + 0.4 * self._rng.random())))
        assert done.time() < CLOSING, f"work on {day} runs past closing time"
        self._now[day] = done
        return done

    def not_before(self, moment: dt.datetime) -> None:
        """Leave the bench idle until then."""
        self._now[moment.date()] = max(self._now.get(moment.date(), moment), moment)
