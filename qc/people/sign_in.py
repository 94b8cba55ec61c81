"""Signing in: who shows a password, or a PIN at a named station, and how tries are slowed down."""

import datetime as dt
from typing import NamedTuple

from sqlalchemy import Connection, delete, select, update
from sqlalchemy.dialects import postgresql, sqlite

from qc.people import sessions
from qc.people.accounts import account
from qc.people.passwords import matches
from qc.people.roles import OWNER
from qc.people.tables import Failure

# tries that cost nothing; then the wait doubles up to the longest
FREE_OF_ACCOUNT, FREE_OF_ADDRESS = 3, 12
LONGEST = dt.timedelta(minutes=15)
# after so long without a failure all is forgotten
FORGOTTEN = dt.timedelta(hours=24)

REFUSED = "this name and this password or PIN do not fit together"


class _Counted(NamedTuple):
    subject: str
    free: int


def admit(connection: Connection, code: str, address: str, now: dt.datetime) -> dt.timedelta:
    """How long nobody may try this account, or from this address; a try that may go on counts.

    It counts as failed until `succeeded` takes it back, so that tries made at once are as slow as
    one after another. For a transaction that writes.
    """
    connection.execute(delete(Failure).where(Failure.last_at < now - FORGOTTEN))
    # the clock was set back: nobody waits until it is there again
    connection.execute(update(Failure).where(Failure.last_at > now).values(last_at=now))
    counted = _counted(code, address)
    held = {one: _held(connection, one, now) for one in counted}
    wait = max(_wait(one, *held[one], now) for one in counted)
    if wait <= dt.timedelta():
        for one in counted:
            query = update(Failure).where(Failure.subject == one.subject)
            connection.execute(query.values(count=held[one][0] + 1, last_at=now))
    return wait


def succeeded(connection: Connection, code: str, address: str) -> None:
    """Take back what `admit` counted: all of the account, this one try of the address."""
    own, place = _counted(code, address)
    connection.execute(delete(Failure).where(Failure.subject == own.subject))
    query = update(Failure).where(Failure.subject == place.subject, Failure.count > 0)
    connection.execute(query.values(count=Failure.count - 1))


def fits(connection: Connection, code: str, secret: str, station: str | None) -> bool:
    """Whether a password fits or, at a named station and for nobody who is owner, a PIN.

    It takes as long where there is no such account.
    """
    found = account(connection, code) or {}
    good = bool(found) and found["revoked_at"] is None
    password = matches(found.get("password"), secret)
    pin = matches(found.get("pin"), secret) if station is not None else False
    return good and (password or (pin and found["role"] != OWNER))


def signed_in(
    connection: Connection, code: str, station: str | None, before: str | None, now: dt.datetime
) -> str:
    """Begin a session under a new token; the one shown before, whosever it was, ends."""
    if before:
        sessions.end(connection, before, now)
    return sessions.begin(connection, code, station, now)


def _counted(code: str, address: str) -> tuple[_Counted, _Counted]:
    return (
        _Counted(f"account:{code[:64]}", FREE_OF_ACCOUNT),
        _Counted(f"address:{address[:60]}", FREE_OF_ADDRESS),
    )


def _held(connection: Connection, one: _Counted, now: dt.datetime) -> tuple[int, dt.datetime]:
    """What is counted so far; on PostgreSQL the row is locked, on SQLite the database is."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    first = dialect.insert(Failure).values(subject=one.subject, count=0, last_at=now)
    connection.execute(first.on_conflict_do_nothing())
    query = select(Failure.count, Failure.last_at).where(Failure.subject == one.subject)
    row = connection.execute(query.with_for_update()).one()
    return row[0], row[1]


def _wait(one: _Counted, count: int, last_at: dt.datetime, now: dt.datetime) -> dt.timedelta:
    beyond = count - one.free
    if beyond < 0:
        return dt.timedelta()
    return last_at + min(dt.timedelta(seconds=2.0 ** min(beyond, 20)), LONGEST) - now
