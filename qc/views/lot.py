"""The parts of a batch that can be drawn for a test, and the draw."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Batch
from qc.errors import RimqcError
from qc.records.parsing import nearest
from qc.statistics.sampling.drawing import draw
from qc.views.touched import where

# where a part is that nobody has struck, sold, given back or thrown away
AT_HAND = ("may-leave", "incomplete", "in-rework", "held")


def lot_of(
    connection: Connection, catalog: Catalog, batch: str
) -> tuple[list[str], dict[str, int]]:
    """The serials of the batch that are in the shop, and how many of the others are where."""
    if catalog.batch(batch) is None:
        near = nearest(batch, catalog.codes(Batch))
        raise RimqcError(f"--batch {batch}: not a batch of the catalog{near}", 2)
    parts = where(connection, catalog, "batch", batch)
    serials = [part["serial"] for part in parts if part["status"] in AT_HAND]
    if not serials:
        raise RimqcError(f"batch {batch} has no part in the shop that could be drawn")
    others = Counter(part["status"] for part in parts if part["status"] not in AT_HAND)
    return serials, dict(sorted(others.items()))


def drawn(serials: Sequence[str], n: int, seed: str) -> dict[str, Any]:
    """The draw as part of a plan's answer; the seed gives the same serials again."""
    return {"seed": seed, "serials": draw(serials, n, seed)}
