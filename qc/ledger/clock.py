"""The clock by which seals are made, where it was set back.

The journal is in order all the same, for it goes by positions and not by time; but a day on which
something is said to have been recorded then follows a clock that was wrong.
"""

import datetime as dt
from itertools import pairwise
from typing import NamedTuple

from sqlalchemy import Connection, select

from qc.ledger.tables import Seal

# clocks of several servers may be apart by so much
APART = dt.timedelta(minutes=1)


class SetBack(NamedTuple):
    """A seal that was made, by the clock, before the one it follows."""

    seal: int
    before: dt.datetime
    at: dt.datetime


def set_back(connection: Connection) -> list[SetBack]:
    """Where the clock was set back between two seals, by more than a minute."""
    seals = connection.execute(select(Seal.number, Seal.sealed_at).order_by(Seal.number))
    return [
        SetBack(number, before, at)
        for (_, before), (number, at) in pairwise(seals)
        if at < before - APART
    ]


def behind(connection: Connection, now: dt.datetime) -> str | None:
    """What to tell whoever is about to take records in while the clock is behind the last seal."""
    query = select(Seal.sealed_at).order_by(Seal.number.desc()).limit(1)
    last = connection.execute(query).scalar()
    if last is None or now >= last - APART:
        return None
    return (
        f"the clock of this machine says {now:%Y-%m-%d %H:%M} UTC, but something was taken in at "
        f"{last:%Y-%m-%d %H:%M} UTC: set it right, for the day on which a changed entry of the "
        "catalog begins to hold goes by it"
    )
