"""What the parts of a batch have in common round the turn: the mould's print, told from chance."""

from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.ledger.tables import Turn
from qc.physics.turns import LEAST_PARTS, shared, unpack
from qc.views.newest import newest_batches

MOST_BATCHES = 12
# so seldom by chance that it is said to be there; twelve batches are looked at together
SAID_BELOW = 0.005

Row = dict[str, Any]


def shared_turns(
    connection: Connection, catalog: Catalog, *, model: str, stage: str, direction: str
) -> list[Row]:
    """The newest batches of a model that were spun with all their readings, the newest first.

    Each with the turn its parts share (`mean_mm` by angle from the valve hole; a bare rim's
    without the once-per-turn part), its `share` of a turn's mean square, where it is highest, and
    how likely chance is to give as much. Readings in doubt are left out; of turns with different
    numbers of readings those with the most frequent number count.
    """
    rows = []
    chosen = newest_batches(connection, catalog, model=model)
    for entry in chosen.batches[::-1]:
        row = _of_batch(connection, entry.code, stage, direction)
        if row is not None:
            rows.append(row | {"mould": entry.factors.get("mould", "")})
        if len(rows) == MOST_BATCHES:
            break
    return rows


def _of_batch(connection: Connection, batch: str, stage: str, direction: str) -> Row | None:
    query = (
        select(Turn.readings, Turn.packed)
        .where(Turn.batch == batch, Turn.stage == stage, Turn.direction == direction)
        .order_by(Turn.serial, Turn.record_id)
    )
    by_count: dict[int, list[bytes]] = {}
    for readings, packed in connection.execute(query):
        by_count.setdefault(readings, []).append(packed)
    readings, turns = max(by_count.items(), key=lambda kv: len(kv[1]), default=(0, []))
    if len(turns) < LEAST_PARTS:
        return None
    found = shared(unpack(turns), without_once=stage == "rim")
    return {
        "batch": batch, "turns": len(turns), "readings": readings,
        "left_out": sum(map(len, by_count.values())) - len(turns),
        "mean_mm": [round(float(value), 6) for value in found.mean_mm],
        "swing_mm": round(found.swing_mm, 4), "highest_deg": round(found.highest_deg, 1),
        "share": round(found.share, 4), "p": found.p, "there": found.p <= SAID_BELOW,
    }  # fmt: skip
