"""Accounts: made, changed, revoked; and the codes that let their owners set a password once."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Gauge
from qc.errors import RimqcError
from qc.ledger.ready import rows_of
from qc.people import sessions
from qc.people.passwords import digest, hashed_password, hashed_pin, new_code
from qc.people.roles import OWNER, ROLES
from qc.people.tables import Account, GaugeGrant, OneTimeCode
from qc.records.parsing import nearest
from qc.records.rules import CODE

CODE_LASTS = dt.timedelta(days=3)
MOST_NAME = 200
MOST_LINKED = 255


def add_person(connection: Connection, code: str, name: str, role: str, now: dt.datetime) -> str:
    """Make an account; returns a one-time code with which its owner sets a password.

    RimqcError for a code that is none or is taken, or a role that is none.
    """
    _add(connection, code, name, role, now)
    return one_time_code(connection, code, now)


def _add(connection: Connection, code: str, name: str, role: str, now: dt.datetime) -> None:
    try:
        code = str(CODE.read(code))
    except ValueError:
        raise RimqcError(f"person {code!r}: expected {CODE.expected}", 2) from None
    if len(name) > MOST_NAME:
        raise RimqcError(f"a name has at most {MOST_NAME} characters: {len(name)} given", 2)
    _check_role(role)
    if account(connection, code):
        raise RimqcError(f"person {code} has an account already; choose another code")
    row = {"code": code, "name": name.strip() or code, "role": role, "created_at": now}
    nothing = dict.fromkeys(("password", "pin", "linked_to", "revoked_at"))
    connection.execute(insert(Account).values(**row, **nothing))


def first_owner_code(connection: Connection, now: dt.datetime) -> str | None:
    """On a database without people, the code with which the first owner makes their account."""
    return None if _anybody(connection) else one_time_code(connection, "", now)


def _anybody(connection: Connection) -> bool:
    return bool(connection.execute(select(func.count()).select_from(Account)).scalar())


def one_time_code(connection: Connection, code: str, now: dt.datetime) -> str:
    """A new one-time code for an account (empty: the first owner's); an earlier one ends."""
    secret = new_code()
    connection.execute(delete(OneTimeCode).where(OneTimeCode.code == code))
    row = {"digest": digest(secret), "code": code, "made_at": now}
    connection.execute(insert(OneTimeCode).values(**row))
    return secret


def use_code(
    connection: Connection, secret: str, code: str, name: str, password: str, now: dt.datetime
) -> None:
    """Set a password with a one-time code; the first owner's makes the account too.

    RimqcError where the code does not fit, is used or is older than three days.
    """
    kept = OneTimeCode.digest == digest("".join(secret.split()).upper())
    fresh = OneTimeCode.made_at > now - CODE_LASTS
    named = connection.execute(select(OneTimeCode.code).where(kept, fresh)).scalar()
    if named is None or named not in ("", code) or (named == "" and _anybody(connection)):
        raise RimqcError("this one-time code does not fit; ask the owner for a new one")
    if named == "":
        _add(connection, code, name, OWNER, now)
    set_password(connection, code, password, now)
    # of two who use it at once, one finds it gone
    if not connection.execute(delete(OneTimeCode).where(kept)).rowcount:
        raise RimqcError("this one-time code does not fit; ask the owner for a new one")


def account(connection: Connection, code: str) -> dict[str, Any] | None:
    """An account as the table has it."""
    row = connection.execute(select(*Account.__table__.columns).where(Account.code == code))
    found = row.mappings().one_or_none()
    return dict(found) if found else None


def people(connection: Connection) -> list[dict[str, Any]]:
    """Every account, without what is secret."""
    columns = (Account.code, Account.name, Account.role, Account.created_at, Account.revoked_at,
               Account.linked_to)  # fmt: skip
    kept = (Account.password.is_not(None).label("password"), Account.pin.is_not(None).label("pin"))
    rows = connection.execute(select(*columns, *kept).order_by(Account.code))
    return [dict(row) for row in rows.mappings()]


def means(person: Mapping[str, Any]) -> str:
    """With what a person of `people` signs in, in words."""
    named = (("password", "password"), ("pin", "PIN"), ("linked_to", "provider"))
    found = [words for name, words in named if person[name]]
    return " or ".join(found) or "one-time code"


def set_password(connection: Connection, code: str, password: str, now: dt.datetime) -> None:
    """Set a password, and sign the person out wherever they are signed in."""
    _change(connection, code, password=hashed_password(password))
    sessions.end_all(connection, code, now)


def set_pin(connection: Connection, code: str, pin: str) -> None:
    """Set the PIN that signs in at a named station. RimqcError for an owner, who has none."""
    found = account(connection, code)
    if found and found["role"] == OWNER:
        raise RimqcError("an owner signs in with a password everywhere")
    _change(connection, code, pin=hashed_pin(pin))


def link(connection: Connection, code: str, name: str, now: dt.datetime) -> None:
    """Say what the provider calls a person (nothing: it signs them in no more).

    They are signed out everywhere. RimqcError where another account is linked to that name.
    """
    name = name.strip()
    if len(name) > MOST_LINKED or not name.isprintable():
        raise RimqcError(f"what a provider calls somebody has at most {MOST_LINKED} letters", 2)
    other = connection.execute(select(Account.code).where(Account.linked_to == name)).scalar()
    if other not in (None, code):
        raise RimqcError(f"{name} is linked to the account of {other}; unlink that first")
    _change(connection, code, linked_to=name or None)
    sessions.end_all(connection, code, now)


def linked(connection: Connection, name: str) -> str | None:
    """The account of whom a provider calls so; None for nobody, or whose account has ended."""
    query = select(Account.code).where(Account.linked_to == name, Account.revoked_at.is_(None))
    return connection.execute(query).scalar()


def set_role(connection: Connection, code: str, role: str) -> None:
    """Give another role. RimqcError where it would leave nobody who is owner."""
    _check_role(role)
    if role == OWNER:  # who owns the place signs in with a password everywhere
        _change(connection, code, role=role, pin=None)
        return
    _keep_an_owner(connection, code)
    _change(connection, code, role=role)


def revoke(connection: Connection, code: str, now: dt.datetime) -> None:
    """End an account and its sessions; its records stay. RimqcError for the last owner."""
    _keep_an_owner(connection, code)
    _change(connection, code, revoked_at=now)
    sessions.end_all(connection, code, now)


def reset(connection: Connection, code: str, now: dt.datetime) -> str:
    """Sign a person out everywhere; returns a one-time code in place of password and PIN."""
    _change(connection, code, password=None, pin=None)
    sessions.end_all(connection, code, now)
    return one_time_code(connection, code, now)


def reinstate(connection: Connection, code: str) -> None:
    """Open an ended account again."""
    _change(connection, code, revoked_at=None)


def check_gauge(catalog: Catalog, gauge: str) -> None:
    """RimqcError for a gauge that the catalog does not list."""
    known = catalog.codes(Gauge)
    if gauge not in known:
        raise RimqcError(f"{gauge!r} is no gauge of the catalog{nearest(gauge, sorted(known))}")


def grant_gauge(connection: Connection, gauge: str, codes: list[str]) -> None:
    """Name who may use a gauge or rig; nobody named opens it to all."""
    for code in codes:
        if account(connection, code) is None:
            raise RimqcError(f"no account {code}; add the person first")
    connection.execute(delete(GaugeGrant).where(GaugeGrant.gauge == gauge))
    for code in sorted(set(codes)):
        connection.execute(insert(GaugeGrant).values(gauge=gauge, code=code))


_GRANTS = select(GaugeGrant.gauge, GaugeGrant.code).order_by(GaugeGrant.gauge, GaugeGrant.code)


def gauge_grants(connection: Connection) -> dict[str, list[str]]:
    """Who was named for each gauge or rig that is not open to all."""
    named: dict[str, list[str]] = {}
    for gauge, code in rows_of(connection, _GRANTS):
        named.setdefault(gauge, []).append(code)
    return named


def _check_role(role: str) -> None:
    if role not in ROLES:
        raise RimqcError(f"role {role!r}: expected one of {', '.join(ROLES)}", 2)


def _keep_an_owner(connection: Connection, code: str) -> None:
    found = account(connection, code)
    if found is None or found["role"] != OWNER:
        return
    others = select(func.count()).select_from(Account).where(
        Account.role == OWNER, Account.revoked_at.is_(None), Account.code != code
    )  # fmt: skip
    if not connection.execute(others).scalar():
        raise RimqcError(f"{code} is the last owner; make somebody else owner first")


def _change(connection: Connection, code: str, **values: Any) -> None:
    done = connection.execute(update(Account).where(Account.code == code).values(**values))
    if not done.rowcount:
        raise RimqcError(f"no account {code}; `rimqc person list` shows who has one")
