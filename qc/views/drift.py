"""Drift: every stream of batch means, judged."""

from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.ledger.tables import Summary
from qc.statistics.drift.level import BatchPoint, Drift
from qc.statistics.drift.level import drift as judge
from qc.statistics.summary import Summary as Sums
from qc.views.plain import unit

Stream = tuple[str, str, str, str]


def streams(
    connection: Connection, catalog: Catalog, **only: str | None
) -> dict[Stream, list[BatchPoint]]:
    """The batch means per model, stage, characteristic and protocol, in order of making."""
    query = select(
        *(Summary.model, Summary.stage, Summary.characteristic, Summary.protocol, Summary.batch),
        *(Summary.n, Summary.total, Summary.squares),
    ).where(Summary.stage != "pair")
    for name, value in only.items():
        if value is not None:
            query = query.where(getattr(Summary, name) == value)
    found: dict[Stream, list[BatchPoint]] = {}
    for model, stage, characteristic, protocol, batch, n, total, squares in connection.execute(
        query
    ):
        entry = catalog.batch(batch)
        sums = Sums(n, int(total), int(squares))
        if entry is not None and sums.mean is not None:
            point = BatchPoint(batch, entry.made_on, n, sums.mean, sums.sd)
            found.setdefault((model, stage, characteristic, protocol), []).append(point)
    for points in found.values():
        points.sort(key=lambda point: (point.made_on, point.code))
    return dict(sorted(found.items()))


def drift(connection: Connection, catalog: Catalog, **only: str | None) -> list[dict[str, Any]]:
    """Every stream with its baseline, signals and change; a quiet one has no signals."""
    return [
        row(stream, judge(points)) | {"unit": unit(catalog, stream[2])}
        for stream, points in streams(connection, catalog, **only).items()
    ]


def row(stream: Stream, found: Drift) -> dict[str, Any]:
    """One stream as the command shows it; `batches` in order of making."""
    model, stage, characteristic, protocol = stream
    batches = []
    for point, band, smooth in zip(found.points, found.limits, found.ewma, strict=True):
        batches.append(
            {
                "batch": point.code,
                "made_on": point.made_on.isoformat(),
                "n": point.n,
                "mean": point.mean,
                "sd": point.sd,
                "lower": band.lower if band else None,
                "upper": band.upper if band else None,
                "ewma": smooth.value if smooth else None,
                "ewma_lower": smooth.lower if smooth else None,
                "ewma_upper": smooth.upper if smooth else None,
            }
        )
    shown: dict[str, Any] = {"model": model, "stage": stage, "characteristic": characteristic}
    if protocol:
        shown["protocol"] = protocol
    return shown | {
        "batches": batches,
        "baseline": list(found.baseline),
        "centre": found.centre,
        "sigma": found.sigma,
        "signals": [signal._asdict() for signal in found.signals],
        "change": found.change._asdict() if found.change else None,
        # what changed with it is sought once factors are searched
        "factors": [],
    }
