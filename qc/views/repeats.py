"""Parts measured twice: what the second reading says against the first."""

import datetime as dt
import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Gauge
from qc.judgement.mass import weighed_mass
from qc.judgement.runout import turn_of
from qc.ledger.bulk import pieces
from qc.ledger.corrections import histories
from qc.ledger.summaries import StreamKey
from qc.ledger.tables import Quantity
from qc.records.kinds import Disposition, Measurement, Record, Runout, Weighing
from qc.statistics.drift.observed import Repeat

# enough to tell a gauge from rims, and few enough to read at once
MOST_PARTS = 300


class _Value(NamedTuple):
    at: dt.datetime
    gauge: str
    value: float
    side: str | None = None


def repeats(
    connection: Connection,
    catalog: Catalog,
    stream: StreamKey,
    batches: Sequence[str],
    gauges: Mapping[str, Gauge],
) -> list[Repeat]:
    """Readings of one part that follow one another, in doubt or not, without rework between."""
    model, stage, characteristic, protocol = stream
    serials: list[str] = []
    for piece in pieces(batches):
        query = select(Quantity.serial).where(
            *(Quantity.characteristic == characteristic, Quantity.model == model),
            *(Quantity.stage == stage, Quantity.batch.in_(piece)),
            *(Quantity.protocol == protocol, Quantity.readings > 1),
        )
        serials += connection.execute(query.order_by(Quantity.serial)).scalars()
    chosen = serials[:MOST_PARTS]
    held = histories(connection, "serial", chosen)
    found: list[Repeat] = []
    for serial in chosen:
        records = [record for item in held[serial] if (record := item.final()) is not None]
        reworked = [r.taken_at for r in records if isinstance(r, Disposition)]
        values = sorted(_values(records, stage, characteristic, catalog))
        for one, two in itertools.pairwise(values):
            between = any(one.at < at <= two.at for at in reworked)
            if between or one.side != two.side or not {one.gauge, two.gauge} <= gauges.keys():
                continue
            u = math.hypot(*(_alone(gauges[name]) for name in (one.gauge, two.gauge)))
            found.append(Repeat(one.gauge, one.at, one.value, two.gauge, two.at, two.value, u))
    return found


def _alone(gauge: Gauge) -> float:
    """How far one reading scatters by itself: the readout, and a tenth of its constant error."""
    return max(math.hypot(float(gauge.resolution) / math.sqrt(12), float(gauge.u) / 10), 1e-9)


def _values(
    records: Sequence[Record], stage: str, characteristic: str, catalog: Catalog
) -> Iterator[_Value]:
    for record in records:
        if getattr(record, "stage", None) not in (stage, None):
            continue
        if isinstance(record, Weighing) and characteristic == "bare-mass":
            bare = float(weighed_mass(record, catalog).bare_g)
            yield _Value(record.taken_at, record.gauge, bare)
        elif isinstance(record, Runout) and characteristic.endswith(f"-{record.direction}"):
            turn = turn_of(record)
            value = turn.tir_mm if characteristic.startswith("tir") else turn.form_mm
            if value is not None:
                yield _Value(record.taken_at, record.gauge, float(value), record.side or "")
        elif isinstance(record, Measurement) and record.characteristic == characteristic:
            yield _Value(record.taken_at, record.gauge, float(record.value))
