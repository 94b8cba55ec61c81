"""The months of the journal: on PostgreSQL a partition for each in which something arrived.

A month's partition begins with the first record that arrives in it, and ends where the next one
begins. The newest has no upper end, so that every record has a place, whatever happens: while the
next month cannot begin (somebody is reading, and would have to wait), records go where they went
before, and it is tried again. Two functions in the database do the work (migration 0008):
`rimqc_begin_month(month, first)` for the tables' owner, and `rimqc_open_month()`, which does no
more than what is due today, for whoever may only add records. SQLite keeps one table.
"""

import datetime as dt
from collections.abc import Iterable, Iterator

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from qc.ledger.engine import writing


def month_of(at: dt.datetime) -> str:
    """As partitions are named: journal_2026_11."""
    return f"{at.astimezone(dt.UTC):%Y_%m}"


def open_month(engine: Engine) -> str | None:
    """Begin the month if that is due; returns the newest one, None where it must be tried again.

    A transaction of its own, and a short one: while it is at it nobody can read the journal.
    """
    try:
        with writing(engine) as connection:
            return begin_month(connection)
    except DBAPIError:  # what is wrong with the database is told by what follows
        return None


def begin_month(connection: Connection) -> str | None:
    """The same within a transaction; None on SQLite."""
    if connection.dialect.name == "sqlite":
        return None
    found: str = connection.execute(text("SELECT rimqc_open_month()")).scalar_one()
    return found


def lay_out(connection: Connection, seals: Iterable[tuple[int, dt.datetime]]) -> None:
    """Give an empty journal the months in which its seals, as first position and time, were made.

    The tables' owner may.
    """
    if connection.dialect.name == "postgresql":
        statement = text("SELECT rimqc_begin_month(:month, :first)")
        for month, first in _beginnings(seals):
            connection.execute(statement, {"month": month, "first": first})


def _beginnings(seals: Iterable[tuple[int, dt.datetime]]) -> Iterator[tuple[str, int]]:
    """Each month with its first position; a clock that went back begins none."""
    newest = ""
    for first, sealed_at in seals:
        month = month_of(sealed_at)
        if month > newest:
            newest = month
            yield month, first
