"""Valid records of one kind about many parts, as corrections have left them.

Read by serial through the journal's index; bodies of other kinds are never decoded. So the cost is
a row looked at for each record of these parts, and a body decoded for each record of the kind.
"""

from collections.abc import Sequence
from typing import TypeVar

from sqlalchemy import Connection, select, union

from qc.ledger.bulk import pieces
from qc.ledger.corrections import first_of, load_held
from qc.ledger.tables import Journal, Override
from qc.records.kinds import Record

Kind = TypeVar("Kind", bound=Record)


def of_kind(connection: Connection, kind: type[Kind], serials: Sequence[str]) -> list[Kind]:
    """In order of time; what a correction has moved to another serial is not among them."""
    name = str(kind.__struct_config__.tag)
    found: list[Kind] = []
    for piece in pieces(serials):
        own = select(Journal.record_id).where(Journal.serial.in_(piece), Journal.kind == name)
        own = own.where(Journal.position >= first_of(connection, piece))
        mended = select(Override.record_id).where(Override.serial.in_(piece), Override.last)
        ids = [row[0] for row in connection.execute(union(own, mended))]
        wanted = set(piece)
        for some in pieces(ids):
            found += [
                final
                for item in load_held(connection, some)
                if isinstance(final := item.final(), kind) and getattr(final, "serial") in wanted  # noqa: B009
            ]
    return sorted(found, key=lambda record: (record.taken_at, record.record_id))
