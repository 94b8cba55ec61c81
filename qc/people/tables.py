"""Accounts, sessions, tokens and what limits them; no part of the journal's truth."""

import datetime as dt

from sqlalchemy import Integer
from sqlalchemy.orm import Mapped, mapped_column

from qc.ledger.base import Base
from qc.ledger.types import words


class Account(Base):
    """A person who signs in. `code` is also the inspector's code in records.

    `linked_to` is what an OpenID Connect provider calls them, where one signs people in.
    """

    __tablename__ = "account"
    code: Mapped[str] = mapped_column(words(64), primary_key=True)
    name: Mapped[str] = mapped_column(words(200))
    role: Mapped[str] = mapped_column(words(20))
    password: Mapped[str | None]
    pin: Mapped[str | None]
    linked_to: Mapped[str | None] = mapped_column(words(255), index=True, unique=True)
    created_at: Mapped[dt.datetime]
    revoked_at: Mapped[dt.datetime | None]


class Session(Base):
    """A signed-in browser; the cookie's token is kept as its SHA-256 only."""

    __tablename__ = "session"
    token_digest: Mapped[str] = mapped_column(words(64), primary_key=True)
    code: Mapped[str] = mapped_column(words(64), index=True)
    station: Mapped[str | None] = mapped_column(words(64))
    began_at: Mapped[dt.datetime]
    seen_at: Mapped[dt.datetime]
    ended_at: Mapped[dt.datetime | None]


class StationToken(Base):
    """What a station shows, kept as its SHA-256 only.

    `use` is `send` for a rig that hands records in, with the rights of `role`, or `screen` for a
    tablet that is named as the station, at which a PIN signs in.
    """

    __tablename__ = "station_token"
    token_digest: Mapped[str] = mapped_column(words(64), primary_key=True)
    station: Mapped[str] = mapped_column(words(64), index=True)
    use: Mapped[str] = mapped_column(words(10))
    role: Mapped[str] = mapped_column(words(20))
    made_at: Mapped[dt.datetime]
    revoked_at: Mapped[dt.datetime | None]


class GaugeGrant(Base):
    """Who may use a gauge or rig; one that nobody is named for is open to all."""

    __tablename__ = "gauge_grant"
    gauge: Mapped[str] = mapped_column(words(64), primary_key=True)
    code: Mapped[str] = mapped_column(words(64), primary_key=True)


class Failure(Base):
    """Tries to sign in that did not succeed, for one account or from one address."""

    __tablename__ = "sign_in_failure"
    subject: Mapped[str] = mapped_column(words(120), primary_key=True)
    count: Mapped[int] = mapped_column(Integer)
    last_at: Mapped[dt.datetime]


class OneTimeCode(Base):
    """A code that sets a password once; `code` is the account's, empty for the first owner's."""

    __tablename__ = "one_time_code"
    digest: Mapped[str] = mapped_column(words(64), primary_key=True)
    code: Mapped[str] = mapped_column(words(64))
    made_at: Mapped[dt.datetime]


PEOPLE = (Account, Session, StationToken, GaugeGrant, Failure, OneTimeCode)
# what a backup takes along; everybody signs in anew
KEPT = (Account, StationToken, GaugeGrant)
