"""Drift: every stream of batch means, judged."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.units import unit
from qc.ledger.streams import Segment, judged, points_of
from qc.ledger.summaries import StreamKey
from qc.statistics.drift.family import family
from qc.statistics.drift.level import Event
from qc.views.drift_cause import NO_CAUSE, cause
from qc.views.drift_words import sentences


def drift(connection: Connection, catalog: Catalog, **only: str | None) -> list[dict[str, Any]]:
    """Every stream with its baseline, signals and change, and what changed with it.

    See `levels` and `drift_cause`; `says` has it in sentences.
    """
    watched = _watched(connection, catalog, only)
    return [
        _said(level | cause(connection, catalog, stream, segments[-1]))
        for level, (stream, segments) in zip(_rows(catalog, watched), watched.items(), strict=True)
    ]


def levels(connection: Connection, catalog: Catalog, **only: str | None) -> list[dict[str, Any]]:
    """Every stream with its baseline, signals and change; a quiet one has no signals.

    `p`: the chance that a quiet stream watched as long shows anything as plain; `p_among_all`:
    adjusted for the `streams` watched together (Benjamini-Hochberg), of which `expected_false`
    events are to be expected if nothing had moved at all.
    """
    return _rows(catalog, _watched(connection, catalog, only))


Watched = dict[StreamKey, list[Segment]]


def _watched(connection: Connection, catalog: Catalog, only: Mapping[str, str | None]) -> Watched:
    return {
        stream: judged(catalog, stream, points)
        for stream, points in points_of(connection, catalog, **only).items()
    }


def _rows(catalog: Catalog, watched: Watched) -> list[dict[str, Any]]:
    together = family([segments[-1].drift for segments in watched.values()])
    chances = zip(together.p, together.fdr, strict=True)
    return [
        row(stream, segments)
        | {"unit": unit(catalog, stream[2]), "p": p, "p_among_all": fdr}
        | {"streams": together.streams, "expected_false": together.expected_false}
        for (stream, segments), (p, fdr) in zip(watched.items(), chances, strict=True)
    ]


def explained(connection: Connection, catalog: Catalog, level: dict[str, Any]) -> dict[str, Any]:
    """A stream as `levels` has it, with what changed when it moved, and all of it in sentences.

    Only what moved is read once more: finding its cause is most of the work.
    """
    if not level["events"]:
        return _said(level | NO_CAUSE)
    names = ("model", "stage", "characteristic")
    only = {name: level[name] for name in names} | {"protocol": level.get("protocol", "")}
    ((stream, segments),) = _watched(connection, catalog, only).items()
    return _said(level | cause(connection, catalog, stream, segments[-1]))


def _said(level: dict[str, Any]) -> dict[str, Any]:
    return level | {"says": sentences(level)}


def row(stream: StreamKey, segments: Sequence[Segment]) -> dict[str, Any]:
    """One stream as the command shows it; `batches` in order of making.

    Where baselines were frozen, `baseline`, `centre`, `sigma`, `change` and `levels` are those of
    the newest one.
    """
    model, stage, characteristic, protocol = stream
    newest = segments[-1]
    shown: dict[str, Any] = {"model": model, "stage": stage, "characteristic": characteristic}
    if protocol:
        shown["protocol"] = protocol
    found = newest.drift
    events = [event for segment in segments for event in segment.drift.events]
    return shown | {
        "batches": [batch for segment in segments for batch in _batches(segment)],
        "baseline": list(found.baseline),
        "frozen": _frozen(newest),
        "centre": found.centre,
        "sigma": found.sigma,
        "signals": [event.signal._asdict() for event in events],
        "change": found.change._asdict() if found.change else None,
        "events": [_event(event) for event in events],
        "levels": [level._asdict() for level in found.levels],
        "watched": sum(segment.drift.watched for segment in segments),
    }


def _batches(segment: Segment) -> list[dict[str, Any]]:
    return [
        {
            "batch": point.code,
            "made_on": point.made_on.isoformat(),
            "n": point.n,
            "mean": point.mean,
            "sd": point.sd,
            "lower": band.lower if band else None,
            "upper": band.upper if band else None,
        }
        for point, band in zip(segment.drift.points, segment.drift.limits, strict=True)
    ]


def _frozen(segment: Segment) -> dict[str, Any] | None:
    baseline = segment.frozen
    if baseline is None:
        return None
    since = baseline.since.isoformat() if baseline.since else None
    return {"name": baseline.name, "reason": baseline.reason, "from": since}


def _event(event: Event) -> dict[str, Any]:
    return {
        **event.change._asdict(),
        "rule": event.signal.rule,
        "batch": event.signal.batch,
        "before": event.before,
        "after": event.after,
        "known_from": event.known_from,
    }
