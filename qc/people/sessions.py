"""Signed-in browsers: a session begins, is seen, expires or is ended."""

import datetime as dt
from typing import Any

from sqlalchemy import Connection, and_, insert, or_, select, update

from qc.people.passwords import digest, new_secret
from qc.people.tables import Account, Session
from qc.people.who import Person

# a shift and a bit without a click, and a week in all; a station is shared, so it waits less long
IDLE, IDLE_AT_STATION = dt.timedelta(hours=12), dt.timedelta(hours=1)
ABSOLUTE = dt.timedelta(days=7)
# `seen_at` is written no oftener, so that looking at a screen is not writing
SEEN_EVERY = dt.timedelta(minutes=5)
# further ahead of the clock, the clock was set back: how long ago a session was seen is not known
AHEAD = dt.timedelta(minutes=5)


def begin(connection: Connection, code: str, station: str | None, now: dt.datetime) -> str:
    """Begin a session; returns the token for the cookie, which nobody else ever sees."""
    token = new_secret()
    connection.execute(
        insert(Session).values(
            token_digest=digest(token), code=code, station=station,
            began_at=now, seen_at=now, ended_at=None,
        )
    )  # fmt: skip
    return token


def end(connection: Connection, token: str, now: dt.datetime) -> None:
    """Sign out."""
    _end(connection, now, Session.token_digest == digest(token))


def end_all(connection: Connection, code: str, now: dt.datetime) -> None:
    """Sign a person out everywhere."""
    _end(connection, now, Session.code == code)


def end_station(connection: Connection, station: str, now: dt.datetime) -> None:
    """Sign everybody out who signed in at a station."""
    _end(connection, now, Session.station == station)


def _end(connection: Connection, now: dt.datetime, which: Any) -> None:
    query = update(Session).where(which, Session.ended_at.is_(None))
    connection.execute(query.values(ended_at=now))


def _alive(now: dt.datetime) -> Any:
    """Which sessions are not over at that moment."""
    seen = or_(
        and_(Session.station.is_(None), Session.seen_at > now - IDLE),
        and_(Session.station.is_not(None), Session.seen_at > now - IDLE_AT_STATION),
    )
    begun = and_(Session.began_at > now - ABSOLUTE, Session.seen_at <= now + AHEAD)
    return and_(Session.ended_at.is_(None), begun, seen)


def person_of(connection: Connection, token: str, now: dt.datetime) -> Person | None:
    """Who holds this token now, with the role they have now; None once it is over."""
    query = (
        select(Account.code, Account.name, Account.role, Session.station, Session.token_digest)
        .join(Account, Account.code == Session.code)
        .where(Session.token_digest == digest(token), _alive(now), Account.revoked_at.is_(None))
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else Person(*row)


def wants_seen(connection: Connection, token: str, now: dt.datetime) -> bool:
    """Whether it is time to note that the session is in use."""
    query = select(Session.seen_at).where(Session.token_digest == digest(token))
    seen = connection.execute(query).scalar()
    return seen is not None and seen < now - SEEN_EVERY


def note_seen(connection: Connection, token: str, now: dt.datetime) -> None:
    """The session is in use."""
    query = update(Session).where(Session.token_digest == digest(token))
    connection.execute(query.values(seen_at=now))


def open_sessions(connection: Connection, now: dt.datetime) -> list[dict[str, Any]]:
    """Who is signed in where, the last seen first."""
    columns = (Session.code, Session.station, Session.began_at, Session.seen_at)
    query = select(*columns).where(_alive(now)).order_by(Session.seen_at.desc())
    return [dict(row) for row in connection.execute(query).mappings()]
