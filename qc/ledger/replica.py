"""Where screens read: a replica that keeps up with the database, else the database itself.

An answer goes by a moment of the database itself, and is read from the replica only where that
holds everything up to it. So nobody sees less than they would without a replica, and what a person
just wrote is there; a replica that falls behind, or is away, costs speed and nothing else.
"""

import sys
import threading
import time
from collections.abc import Callable
from typing import NamedTuple, TypeVar

from sqlalchemy import Connection, select
from sqlalchemy.engine import URL

from qc.errors import RimqcError
from qc.ledger import migrate
from qc.ledger.engine import (
    DatabaseError,
    open_engine,
    plain_faults,
    read_url,
    without_password,
)
from qc.ledger.ledger import Ledger
from qc.ledger.summaries import stale_streams
from qc.ledger.tables import Head, Seal

T = TypeVar("T")
NAME = "RIMQC_READ_DB"
# how long a screen waits for what was just written; one that lags longer, or is away, is left
# alone for a while, so that not every screen waits for it
CATCHES_UP_S, LEFT_ALONE_S = 0.3, 10.0
_CONNECT_S = "3"


class Moment(NamedTuple):
    """A state of a database: its last seal, and whether drift has been judged since."""

    seal: int
    digest: str
    settled: bool


def moment(connection: Connection) -> Moment:
    """The state that a transaction sees: as long as it stays, so does every answer."""
    head = connection.execute(select(Head.seal, Head.seal_digest)).one_or_none()
    return Moment(*(head or (0, "")), not stale_streams(connection))


class Behind(Exception):  # noqa: N818 - no fault: it may catch up
    """The replica does not hold the moment yet."""


class Reads:
    """The database and, where there is one, its replica; for all threads of a process."""

    def __init__(self, ledger: Ledger, replica: str | None = None) -> None:
        self.ledger = ledger
        self._url = replica
        self._replica: Ledger | None = None
        self._left_alone_until = 0.0
        self._used = True
        self._door = threading.Lock()

    def moment(self) -> Moment:
        """The moment of the database itself."""
        with self.ledger.reading() as connection:
            return moment(connection)

    def ask(self, at: Moment, question: Callable[[Ledger, Connection], T]) -> T:
        """The answer to a question as of a moment of the database itself, or of a later one."""
        replica = self._opened()
        if replica is not None:
            try:
                answer = _caught_up(replica, at, question)
            except (Behind, DatabaseError) as fault:
                self._leave_alone(str(fault))
            else:
                self._say("screens read from the replica again", used=True)
                return answer
        with self.ledger.reading() as connection:
            return question(self.ledger, connection)

    def close(self) -> None:
        """Let go of the replica, until the next question."""
        with self._door:
            if self._replica is not None:
                self._replica.close()
            self._replica = None

    def _opened(self) -> Ledger | None:
        """The replica, unless it is left alone."""
        with self._door:
            if self._url is None or time.monotonic() < self._left_alone_until:
                return None
            try:
                self._replica = self._replica or opened(self._url)
                return self._replica
            except DatabaseError as fault:
                why = str(fault)
                self._left_alone_until = time.monotonic() + LEFT_ALONE_S
        self._leave_alone(why)
        return None

    def _leave_alone(self, why: str) -> None:
        with self._door:
            self._left_alone_until = time.monotonic() + LEFT_ALONE_S
        self.close()  # what it is then is asked anew
        self._say(f"screens read from --db itself: {why}", used=False)

    def _say(self, what: str, *, used: bool) -> None:
        """A line in the log where it changes, and not for every screen."""
        with self._door:
            changed, self._used = used != self._used, used
        if changed:
            print(f"rimqc: {what}", file=sys.stderr, flush=True)


def _caught_up(replica: Ledger, at: Moment, question: Callable[[Ledger, Connection], T]) -> T:
    """The replica's answer, once it holds the moment."""
    until = time.monotonic() + CATCHES_UP_S
    while True:
        with replica.reading() as connection:
            if holds(connection, at):
                return question(replica, connection)
        if time.monotonic() >= until:
            raise Behind(f"the replica has not reached seal {at.seal} of the database")
        time.sleep(CATCHES_UP_S / 10)


def holds(connection: Connection, at: Moment) -> bool:
    """Whether a replica holds everything up to a moment. DatabaseError for another journal."""
    own = moment(connection)
    if (own.seal, own.settled) < (at.seal, at.settled):
        return False
    there = connection.execute(select(Seal.digest).where(Seal.number == at.seal)).scalar()
    if at.seal and there != at.digest:
        raise DatabaseError(f"{NAME} is no replica of --db: seal {at.seal} is another one there", 2)
    return True


def check_replica(ledger: Ledger, replica: str) -> None:
    """RimqcError where an address cannot be that of the replica of a database.

    One that is away is no fault: screens read from the database itself until it is back.
    """
    url, shown = read_url(replica), without_password(replica)
    if {url.get_backend_name(), ledger.url.get_backend_name()} != {"postgresql"}:
        raise RimqcError(f"{NAME} is for a replica of a PostgreSQL database: {shown}", 2)
    if _place(url) == _place(ledger.url):
        raise RimqcError(f"{NAME} names --db itself ({shown}); name its replica, or nothing", 2)
    try:
        with opened(replica) as other, other.reading() as connection:
            holds(connection, Reads(ledger).moment())
    except DatabaseError as fault:
        if fault.exit_code == 2:
            raise
        print(f"rimqc: screens read from --db itself: {fault}", file=sys.stderr, flush=True)


def _place(url: URL) -> tuple[object, ...]:
    """The same servers are another place where another one of them is asked for."""
    named = (url.query.get(name) for name in ("host", "target_session_attrs"))
    return url.host, url.port or 5432, url.database, *named


def opened(replica: str) -> Ledger:
    """A replica, open. DatabaseError where it is away, or of another schema."""
    url = read_url(replica)
    if "connect_timeout" not in url.query:
        url = url.update_query_dict({"connect_timeout": _CONNECT_S})
    engine = open_engine(url, pooled=False)
    with plain_faults(url), engine.connect() as connection:
        revision = migrate.revision_of(connection)
    if revision != migrate.newest():
        # whoever followed the usual advice would upgrade the wrong database
        raise DatabaseError(
            f"{NAME} is no replica of --db: {without_password(replica)} has schema "
            f"{revision or 'none'}, and this program {migrate.newest()}", 2
        )  # fmt: skip
    return Ledger(url.render_as_string(hide_password=False))
