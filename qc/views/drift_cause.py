"""What changed when a level moved: factors of batches, factors within them, the rims or the gauge.

Asked only of streams that moved, and only about the batches around the move.
"""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.ledger.corrections import histories
from qc.ledger.streams import Segment
from qc.ledger.summaries import StreamKey
from qc.ledger.tables import Summary
from qc.records.kinds import GaugeCheck
from qc.statistics.drift.cells import Cell
from qc.statistics.drift.factors import what_changed
from qc.statistics.drift.level import BatchPoint
from qc.statistics.drift.mixed import within_batches
from qc.statistics.drift.observed import Check, Measured
from qc.statistics.drift.source import rims_or_gauge
from qc.statistics.summary import Summary as Sums
from qc.views.repeats import repeats

# batches on either side of the first batch of the move that are looked at
REACH = 150
NO_CAUSE: dict[str, Any] = {"factors": [], "within": [], "source": None}
_WITHIN = ("gauge", "station", "inspector")


def cause(
    connection: Connection, catalog: Catalog, stream: StreamKey, segment: Segment
) -> dict[str, Any]:
    """`factors` that changed with the first event, `within` those that vary within a batch, and
    `source`: the rims, the gauge, both, or cannot tell. Empty where nothing moved."""
    if not segment.drift.events:
        return NO_CAUSE
    points, after = around_the_move(segment)
    batches = {point.code: point for point in points}
    factors = {code: entry.factors for code in batches if (entry := catalog.batch(code))}
    changed = what_changed(points, factors)
    cells = _cells(connection, catalog, stream)
    own = [cell for cell in cells if cell[0] == stream[0] and cell[1].code in batches]
    parted = [
        Cell(point.code, point.n, point.mean, point.sd, dict(zip(_WITHIN, levels, strict=True)))
        for _, point, levels, _ in own
    ]
    within = within_batches(parted, after=after).rows() if parted else []
    return {
        "factors": changed.rows(),
        "within": within,
        "source": _source(connection, catalog, stream, cells, batches),
    }


def around_the_move(segment: Segment) -> tuple[list[BatchPoint], list[str]]:
    """The batches before and after the first move, up to the next one; and those after it."""
    found = segment.drift
    codes = [point.code for point in found.points]
    first = codes.index(found.events[0].change.first_batch)
    ends = [codes.index(e.change.first_batch) for e in found.events[1:] if e.signal.rule == "step"]
    end = min([*ends, first + REACH, len(codes)])
    start = max(0, first - REACH)
    return list(found.points[start:end]), codes[first:end]


_Cells = list[tuple[str, BatchPoint, tuple[str, ...], dt.datetime]]


def _cells(connection: Connection, catalog: Catalog, stream: StreamKey) -> _Cells:
    """Model, batch, levels and mean moment of every cell of this characteristic at this stage."""
    _, stage, characteristic, protocol = stream
    query = (
        select(
            *(Summary.model, Summary.batch, Summary.gauge, Summary.station, Summary.inspector),
            *(Summary.n, Summary.total, Summary.squares, Summary.seconds),
        )
        .where(
            *(Summary.stage == stage, Summary.characteristic == characteristic),
            Summary.protocol == protocol,
        )
        .order_by(Summary.model, Summary.batch, Summary.gauge, Summary.station, Summary.inspector)
    )
    found: _Cells = []
    for model, batch, *levels, n, total, squares, seconds in connection.execute(query):
        entry, sums = catalog.batch(batch), Sums(n, int(total), int(squares))
        if entry is None or sums.mean is None:
            continue
        at = dt.datetime.fromtimestamp(int(seconds) / n, dt.UTC)
        point = BatchPoint(batch, entry.made_on, n, sums.mean, sums.sd)
        found.append((model, point, tuple(levels), at))
    return found


def _source(
    connection: Connection,
    catalog: Catalog,
    stream: StreamKey,
    cells: _Cells,
    batches: Mapping[str, BatchPoint],
) -> dict[str, Any] | None:
    """The rims or the gauge; None where no reading names a gauge of the catalog."""
    model = stream[0]
    own = {levels[0] for of, point, levels, _ in cells if of == model and point.code in batches}
    gauges = {name: gauge for name in sorted(own) if (gauge := catalog.gauge(name))}
    measured = [
        Measured(of, point.code, point.made_on, levels[0], at, point.n, point.mean, point.sd)
        for of, point, levels, at in cells
        if levels[0] in gauges and (of != model or point.code in batches)
    ]
    if not measured:
        return None
    # a gauge said to have no constant error at all still shows its resolution
    u = {
        name: max(float(g.u), float(g.resolution) / math.sqrt(12), 1e-9)
        for name, g in gauges.items()
    }
    found = rims_or_gauge(
        model,
        measured,
        u,
        _checks(connection, sorted(gauges)),
        repeats(connection, catalog, stream, sorted(batches), gauges),
    )
    return asdict(found)


def _checks(connection: Connection, gauges: Sequence[str]) -> list[Check]:
    held = histories(connection, "checked", gauges)
    found = []
    for checks in held.values():
        for item in checks:
            check = item.final()
            if isinstance(check, GaugeCheck) and check.limit > 0:
                error = float(check.reading - check.nominal)
                # only the limit is known of a check's own uncertainty (JCGM 100:2008, 4.3.7)
                u = float(check.limit) / math.sqrt(3)
                found.append(Check(check.gauge, check.taken_at, error, u, check.found))  # type: ignore[arg-type]
    return found
