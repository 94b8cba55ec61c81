"""Stations' tokens: what a rig shows to hand records in, and what names a tablet as a station."""

import datetime as dt
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, insert, select, update

from qc.errors import RimqcError
from qc.ledger.ready import rows_of
from qc.people import sessions
from qc.people.passwords import digest, new_secret
from qc.people.roles import ROLES, TECHNICIAN
from qc.people.tables import StationToken
from qc.records.rules import CODE

SEND, SCREEN = "send", "screen"
# asked with every record that a rig sends, so built once
_GOOD = select(StationToken.station, StationToken.role).where(
    StationToken.token_digest == bindparam("digest"),
    StationToken.use == bindparam("use"),
    StationToken.revoked_at.is_(None),
)


class Sender(NamedTuple):
    """A rig that hands records in: its station, and the role whose rights it has."""

    station: str
    role: str


def add_station(
    connection: Connection, station: str, now: dt.datetime, role: str = TECHNICIAN
) -> str:
    """Make the token with which a station sends, to be shown once; its earlier one ends.

    RimqcError for a name that is no code, or a role that is none.
    """
    if role not in ROLES:
        raise RimqcError(f"role {role!r}: expected one of {', '.join(ROLES)}", 2)
    _end(connection, now, StationToken.station == _code(station), StationToken.use == SEND)
    return _add(connection, station, SEND, role, now)


def name_screen(connection: Connection, station: str, now: dt.datetime) -> str:
    """Make the token that a tablet keeps in a cookie so that a PIN signs in there."""
    return _add(connection, station, SCREEN, TECHNICIAN, now)


def revoke_station(connection: Connection, station: str, now: dt.datetime) -> None:
    """End a station's tokens, its tablets' too, and sign out whoever signed in there.

    RimqcError where none is still good.
    """
    if not _end(connection, now, StationToken.station == station):
        raise RimqcError(f"station {station!r} has no token that is still good")
    sessions.end_station(connection, station, now)


def sender(connection: Connection, token: str) -> Sender | None:
    """The rig whose token this is; None where it is unknown or revoked."""
    row = _good(connection, token, SEND)
    return None if row is None else Sender(row[0], row[1])


def screen_of(connection: Connection, token: str) -> str | None:
    """The station that a tablet with this token is; None where it is unknown or revoked."""
    row = _good(connection, token, SCREEN)
    return None if row is None else str(row[0])


def stations(connection: Connection) -> list[dict[str, Any]]:
    """Every token that was ever given, without what is secret; the newest of a station first."""
    table = StationToken
    columns = (table.station, table.use, table.role, table.made_at, table.revoked_at)
    query = select(*columns).order_by(table.station, table.made_at.desc())
    return [dict(row) for row in connection.execute(query).mappings()]


def _code(station: str) -> str:
    try:
        return str(CODE.read(station))
    except ValueError:
        raise RimqcError(f"station {station!r}: expected {CODE.expected}", 2) from None


def _add(connection: Connection, station: str, use: str, role: str, now: dt.datetime) -> str:
    token = new_secret()
    row = {"token_digest": digest(token), "station": _code(station), "use": use, "role": role}
    connection.execute(insert(StationToken).values(**row, made_at=now, revoked_at=None))
    return token


def _end(connection: Connection, now: dt.datetime, *which: Any) -> int:
    query = update(StationToken).where(*which, StationToken.revoked_at.is_(None))
    return connection.execute(query.values(revoked_at=now)).rowcount


def _good(connection: Connection, token: str, use: str) -> Any:
    return next(iter(rows_of(connection, _GOOD, digest=digest(token), use=use)), None)
