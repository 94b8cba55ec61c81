"""What one server process shares: its ledger, its writer, and whether it asks who is there."""

import os
import threading
from typing import NamedTuple

from qc.errors import RimqcError
from qc.ledger.ledger import Ledger, now
from qc.ledger.writer import Writer
from qc.people.provider import Provider
from qc.people.sessions import note_seen, person_of, wants_seen
from qc.people.who import Person

# whoever looks at the demo: it serves this machine only, and its maker is invented
VISITOR = Person("demo", "Visitor of the demo", "owner")


class Here(NamedTuple):
    """`anyone` is who everybody is where nobody signs in; None where everybody must.

    `provider` is who vouches for people beside passwords, where the shop has one.
    """

    ledger: Ledger
    writer: Writer
    anyone: Person | None = None
    provider: Provider | None = None

    def person(self, token: str | None) -> Person | None:
        """Who holds a session's token now; now and then it is noted that the session is in use."""
        if self.anyone is not None or not token:
            return self.anyone
        at = now()
        with self.ledger.reading() as connection:
            found = person_of(connection, token, at)
            stale = found is not None and wants_seen(connection, token, at)
        if stale:
            with self.ledger.writing() as connection:
                note_seen(connection, token, at)
        return found


_door = threading.Lock()
_here: dict[str, Here] = {}


def opened(db: str, anyone: Person | None = None, provider: Provider | None = None) -> Here:
    """Open the database for this process."""
    with _door:
        if db not in _here:
            ledger = Ledger(db, create=True)
            _here[db] = Here(ledger, Writer(ledger), anyone, provider)
        elif anyone is not None:
            _here[db] = _here[db]._replace(anyone=anyone)
        return _here[db]


def here() -> Here:
    """What this process serves. RimqcError where no server was started and RIMQC_DB is not set."""
    db = os.environ.get("RIMQC_DB")
    if db is None:
        raise RimqcError("no database is named; start `rimqc serve`")
    return opened(db)


def close() -> None:
    """Write what waits and let go of the databases."""
    with _door:
        for one in _here.values():
            one.writer.close()
            one.ledger.close()
        _here.clear()
