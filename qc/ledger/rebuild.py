"""Deriving everything from the journal anew."""

from sqlalchemy import Connection, delete, select

from qc.ledger.catalog_entries import load_catalog
from qc.ledger.corrections import note_links, override, roots_of
from qc.ledger.follow import judge_journal, load_known
from qc.ledger.journal import lock_end, note_identities
from qc.ledger.seen import forget
from qc.ledger.tables import FOLLOWS, Identity, Journal
from qc.records.canonical import from_body
from qc.records.kinds import Correction


def rebuild(connection: Connection) -> int:
    """Throw away all that follows from the journal and derive it again.

    Returns how many records the journal holds. The answers are those from before, or something
    had changed the rows behind the journal's back.
    """
    from qc.ledger.drift_flags import settle_streams

    end = lock_end(connection)
    for table in reversed(FOLLOWS):
        connection.execute(delete(table))
    forget(connection)
    connection.execute(delete(Identity))
    note_identities(connection, 0)
    query = select(Journal.body).where(Journal.kind == "correction").order_by(Journal.position)
    corrections = [from_body(row[0]) for row in connection.execute(query)]
    links = [record for record in corrections if isinstance(record, Correction)]
    note_links(connection, links)
    override(connection, roots_of(connection, [record.record_id for record in links]))
    known = load_known(connection, load_catalog(connection))
    judge_journal(connection, known)
    settle_streams(connection, known.catalog)
    return end.position
