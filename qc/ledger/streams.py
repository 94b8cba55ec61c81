"""Streams of batch means as drift judges them: read from summaries, never from readings."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Baseline, Batch
from qc.ledger.summaries import StreamKey
from qc.ledger.tables import Summary
from qc.statistics.drift.level import BatchPoint, Drift, drift
from qc.statistics.drift.scale import scale_for
from qc.statistics.summary import Summary as Sums


def points_of(
    connection: Connection, catalog: Catalog, **only: str | None
) -> dict[StreamKey, list[BatchPoint]]:
    """The batch means per model, stage, characteristic and protocol, in order of making.

    `only` narrows by any of these; None does not.
    """
    key = (Summary.model, Summary.stage, Summary.characteristic, Summary.protocol, Summary.batch)
    query = select(*key, Summary.n, Summary.total, Summary.squares).where(Summary.stage != "pair")
    for name, value in only.items():
        if value is not None:
            query = query.where(getattr(Summary, name) == value)
    cells: dict[StreamKey, dict[str, Sums]] = {}
    for model, stage, characteristic, protocol, batch, n, total, squares in connection.execute(
        query
    ).all():
        of = cells.setdefault((model, stage, characteristic, protocol), {})
        one = Sums(n, int(total), int(squares))
        of[batch] = Sums.together([of[batch], one]) if batch in of else one
    made = {entry.code: entry.made_on for entry in catalog.entries(Batch)}
    found: dict[StreamKey, list[BatchPoint]] = {}
    for stream, batches in cells.items():
        measured = [
            BatchPoint(batch, made[batch], whole.n, whole.mean, whole.sd)
            for batch, whole in batches.items()
            if batch in made and whole.mean is not None
        ]
        if measured:
            found[stream] = measured
    for points in found.values():
        points.sort(key=lambda point: (point.made_on, point.code))
    return dict(sorted(found.items()))


class Segment(NamedTuple):
    """A stretch of a stream judged against one baseline; `frozen` is the catalog's, if any."""

    drift: Drift
    frozen: Baseline | None


def judged(catalog: Catalog, stream: StreamKey, points: Sequence[BatchPoint]) -> list[Segment]:
    """A stream in order of making, judged; each frozen baseline begins a stretch of its own."""
    scale = scale_for(stream[2])
    return [
        Segment(drift(stretch, scale=scale, frozen=frozen.batches if frozen else ()), frozen)
        for frozen, stretch in _stretches(points, catalog.baselines(*stream))
    ]


def _stretches(
    points: Sequence[BatchPoint], baselines: Sequence[Baseline]
) -> Iterator[tuple[Baseline | None, Sequence[BatchPoint]]]:
    order = {point.code: i for i, point in enumerate(points)}
    starts: list[tuple[int, Baseline | None]] = [(0, None)]
    for baseline in baselines:
        known = [order[code] for code in baseline.batches if code in order]
        if known:
            starts.append((min(known), baseline))
    starts.sort(key=lambda start: start[0])
    ends = [at for at, _ in starts[1:]] + [len(points)]
    for (at, frozen), end in zip(starts, ends, strict=True):
        if at < end:
            yield frozen, points[at:end]
