"""Stretches of logs that are held whole, known again by their text before anything is parsed.

The journal never loses a record, so what was held once is held for ever: the same lines read in
the same way under the same catalog come to the same answer. A log that grew at its end is read
from where it grew.
"""

from collections.abc import Mapping
from hashlib import sha256

import msgspec
from sqlalchemy import Connection, delete

from qc.catalog.catalog import Catalog
from qc.ledger.bulk import insert_rows, select_in
from qc.ledger.tables import Seen
from qc.readers.lines import Log
from qc.readers.table import Plain


def stretch_digest(log: Log, plain: Plain, catalog: Catalog) -> str:
    """SHA-256 over the text of a stretch and all that decides what it says and whether it may."""
    catalog_position = catalog.recorded[-1].position if catalog.recorded else 0
    how = msgspec.json.encode((catalog_position, log.kind, log.delimiter, log.columns))
    text = sha256(how)
    text.update("".join(plain.lines).encode())
    return text.hexdigest()


def held_whole(connection: Connection, digest: str) -> int | None:
    """How many records a stretch holds, if it is known that all of them are held."""
    found = select_in(connection, Seen, ("records",), "digest", [digest])
    return next((records for (records,) in found), None)


def remember(connection: Connection, stretches: Mapping[str, int]) -> None:
    """Note stretches, with their number of records, of which every record is held by now."""
    known = {digest for (digest,) in select_in(connection, Seen, ("digest",), "digest", stretches)}
    new = [(digest, n) for digest, n in stretches.items() if digest not in known]
    insert_rows(connection, Seen, ("digest", "records"), new)


def forget(connection: Connection) -> None:
    """Let every line be looked at again: the catalog or the program is another one."""
    connection.execute(delete(Seen))
