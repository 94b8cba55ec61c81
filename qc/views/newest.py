"""The newest batches that a picture of the shop is made of, so that its cost has an end."""

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection, func, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Batch
from qc.ledger.bulk import pieces
from qc.ledger.tables import Part

MOST_BATCHES = 300
MOST_PARTS = 20_000


def batch_codes(catalog: Catalog, model: str | None = None) -> list[str]:
    """The batches of one model or all, the newest first."""
    return [entry.code for entry in _newest_first(catalog, model)]


class Newest(NamedTuple):
    """`batches` in order of making, `parts` received of each, and how many batches there `are`."""

    batches: list[Batch]
    parts: dict[str, int]
    are: int


def newest_batches(
    connection: Connection,
    catalog: Catalog,
    *,
    model: str | None = None,
    batch: str | None = None,
    most_parts: int = MOST_PARTS,
) -> Newest:
    """Of one model or all, those with parts; so many as hold at most `most_parts` together, and
    at least one. Counted from the index of parts by batch."""
    known = [one for one in _newest_first(catalog, model) if batch in (None, one.code)]
    chosen: list[Batch] = []
    counts: dict[str, int] = {}
    room = most_parts
    for piece in pieces(known, 50):
        found = _counts(connection, [entry.code for entry in piece])
        for entry in piece:
            count = found.get(entry.code, 0)
            if not count:
                continue
            if chosen and (count > room or len(chosen) == MOST_BATCHES):
                return Newest(chosen[::-1], counts, len(known))
            chosen.append(entry)
            counts[entry.code] = count
            room -= count
    return Newest(chosen[::-1], counts, len(known))


def _newest_first(catalog: Catalog, model: str | None) -> list[Batch]:
    own = [entry for entry in catalog.entries(Batch) if model in (None, entry.model)]
    return sorted(own, key=lambda entry: (entry.made_on, entry.code), reverse=True)


def _counts(connection: Connection, batches: Sequence[str]) -> dict[str, int]:
    query = select(Part.batch, func.count()).where(Part.batch.in_(batches)).group_by(Part.batch)
    return {str(code): count for code, count in connection.execute(query)}
