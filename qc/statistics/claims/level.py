"""Which batches stand for today's level: those since it last moved, if it has settled."""

from typing import NamedTuple

from qc.statistics.drift.level import BatchPoint, Drift

SETTLED = 8  # batches on a new level before a claim may rest on it


class Current(NamedTuple):
    """The batches since the level last moved, in order of making, odd ones included.

    `moved_at` is the batch with which it did, None if it never has; `settled` says whether there
    are enough since. Batches whose level never moved are settled.
    """

    batches: tuple[BatchPoint, ...]
    moved_at: str | None
    settled: bool


def current_level(found: Drift) -> Current:
    """What is left of a judged stream after its last step.

    A batch that stood out alone, while the level went on, is no move: it is part of what batches
    do, and a claim has to bear it.
    """
    if len(found.levels) < 2:
        return Current(found.points, None, True)
    of_today = found.levels[-1].batches
    moved_at = of_today[0] if of_today else found.events[-1].change.first_batch
    start = next(i for i, point in enumerate(found.points) if point.code == moved_at)
    rest = found.points[start:]
    return Current(rest, moved_at, len(rest) >= SETTLED)
