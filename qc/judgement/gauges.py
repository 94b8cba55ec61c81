"""Gauges: the doubt that a failed check casts, and use after the calibration ran out."""

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple
from zoneinfo import ZoneInfo

from qc.catalog.entries import Gauge
from qc.judgement.flags import MAJOR, Flag, Verdict
from qc.judgement.readings import Doubt, Held
from qc.physics.exact import EXACT
from qc.records.kinds import GaugeCheck, Record

OVERDUE = "gauge-overdue"


def passes(check: GaugeCheck) -> bool:
    """A check fails when its error is larger than its limit."""
    return abs(EXACT.subtract(check.reading, check.nominal)) <= check.limit


def doubts(gauge: str, checks: Iterable[Held]) -> list[Doubt]:
    """The stretches of time in which the gauge's readings are in doubt.

    A failed as-found check reaches back to the last passed check that was at least as strict (its
    allowed error no larger), or to the beginning, and forward to the next such pass. A failed
    check that a correction took away, or moved to another gauge, was in force until then.
    """
    held = list(checks)
    standing = _doubts_of(_checks_of(gauge, (item.final() for item in held)))
    gone: dict[Doubt, dt.datetime] = {}
    for until in sorted({change.at for item in held for change in item.changes}):
        for doubt in _doubts_of(_checks_of(gauge, (_said_before(until, item) for item in held))):
            if doubt not in standing and doubt.known_from < until:
                gone[doubt] = until
    return standing + [doubt._replace(known_until=until) for doubt, until in gone.items()]


def _checks_of(gauge: str, records: Iterable[Record | None]) -> list[GaugeCheck]:
    return [r for r in records if isinstance(r, GaugeCheck) and r.gauge == gauge]


def _said_before(moment: dt.datetime, item: Held) -> Record | None:
    said = [change.content for change in item.changes if change.at < moment]
    return said[-1] if said else item.record


def _doubts_of(checks: Sequence[GaugeCheck]) -> list[Doubt]:
    found = []
    for failed in sorted(checks, key=lambda check: (check.taken_at, check.record_id)):
        if failed.found != "as-found" or passes(failed):
            continue
        at = failed.taken_at
        passed = [c for c in checks if passes(c) and c.limit <= failed.limit]
        start = max((c.taken_at for c in passed if c.taken_at < at), default=None)
        # what a gauge reads as left comes after what it read as found, even at one moment
        after = (c.taken_at for c in passed if (c.taken_at, c.found == "as-left") > (at, False))
        end = min(after, default=None)
        error = failed.reading - failed.nominal
        found.append(Doubt(at, start, end, error, failed.limit))
    return found


class Suspect(NamedTuple):
    """A record in doubt: since when that is known, and when it was settled, if it was."""

    record_id: str
    gauge: str
    taken_at: dt.datetime
    known_from: dt.datetime
    settled_at: dt.datetime | None


class Touched(NamedTuple):
    """A gauge flag with the records it touches."""

    flag: Flag
    records: tuple[str, ...] = ()


def suspect_flags(
    gauge: Gauge, doubted: Sequence[Doubt], suspects: Sequence[Suspect]
) -> list[Touched]:
    """The gauge's flags for readings in doubt: one for what is open, one per settled failure."""
    failures: dict[dt.datetime, Doubt] = {}
    for doubt in doubted:
        # several references read at one moment are one check: its largest error stands for it
        other = failures.get(doubt.known_from)
        if other is None or abs(doubt.error) > abs(other.error):
            failures[doubt.known_from] = doubt
    by_failure: dict[dt.datetime, list[Suspect]] = {}
    for suspect in suspects:
        by_failure.setdefault(suspect.known_from, []).append(suspect)
    flags, still = [], []
    for failed_at, touched in sorted(by_failure.items()):
        if failed_at not in failures:
            continue
        doubt = failures[failed_at]
        waiting = [suspect for suspect in touched if suspect.settled_at is None]
        if waiting:
            still.append((doubt, waiting))
            continue
        closed = max(s.settled_at for s in touched if s.settled_at is not None)
        if closed > failed_at:
            flag = Flag(_suspect(gauge, doubt, len(touched)), failed_at, closed, "settled")
            flags.append(Touched(flag, _ids(touched)))
    if still:
        first = still[0][0]
        waiting = [suspect for _, items in still for suspect in items]
        flag = Flag(_suspect(gauge, first, len(waiting)), first.known_from)
        flags.append(Touched(flag, _ids(waiting)))
    return flags


def _ids(suspects: Sequence[Suspect]) -> tuple[str, ...]:
    ordered = sorted(set(suspects), key=lambda s: (s.taken_at, s.record_id))
    return tuple(dict.fromkeys(suspect.record_id for suspect in ordered))


def _suspect(gauge: Gauge, doubt: Doubt, count: int) -> Verdict:
    readings = "1 reading is" if count == 1 else f"{count} readings are"
    message = (
        f"Gauge {gauge.code} was found {doubt.error} {gauge.unit} off, {doubt.limit} {gauge.unit} "
        f"allowed: {readings} in doubt until measured again or accepted with a reason."
    )
    return Verdict("gauge-suspect", MAJOR, message, abs(doubt.error), doubt.limit, gauge.unit)


class Calibration(NamedTuple):
    """A passed calibration: when, and the last day for which it holds."""

    at: dt.datetime
    due: dt.date


def calibrations(gauge: str, checks: Iterable[Held]) -> list[Calibration]:
    """The passed calibrations of a gauge, in order of time."""
    return sorted(
        Calibration(check.taken_at, check.due)
        for check in _checks_of(gauge, (item.final() for item in checks))
        if check.check == "calibration" and passes(check) and check.due is not None
    )


FirstUse = Callable[[dt.datetime, dt.datetime | None], dt.datetime | None]


def overdue_flags(
    gauge: Gauge, passed: Sequence[Calibration], zone: ZoneInfo | None, first_use: FirstUse
) -> list[Flag]:
    """Use of the gauge on a local day after its calibration ran out.

    `first_use(from, until)` gives the first moment in that stretch at which the gauge was used.
    The flag closes with the next passed calibration.
    """
    flags = []
    for start, until, due in _out_of_calibration(gauge, passed, zone):
        used = first_use(start, until)
        if used is not None:
            closed_by = None if until is None else "calibration"
            flags.append(Flag(_overdue(gauge, due), used, until, closed_by))
    return flags


def overdue_from(
    gauge: Gauge, passed: Sequence[Calibration], zone: ZoneInfo | None
) -> dt.datetime | None:
    """The first moment at which use of the gauge is flagged; None where its calibration never
    runs out."""
    return min((start for start, _, _ in _out_of_calibration(gauge, passed, zone)), default=None)


def _out_of_calibration(
    gauge: Gauge, passed: Sequence[Calibration], zone: ZoneInfo | None
) -> Iterator[tuple[dt.datetime, dt.datetime | None, dt.date]]:
    """Stretches of time, each until the next passed calibration, and the day it was due by."""
    stretches = [(None, gauge.due), *passed]
    for i, (since, due) in enumerate(stretches):
        if due is None or due == dt.date.max:  # never
            continue
        ran_out = dt.datetime.combine(
            due + dt.timedelta(days=1), dt.time(), tzinfo=zone or dt.UTC
        ).astimezone(dt.UTC)
        until = stretches[i + 1][0] if i + 1 < len(stretches) else None
        yield ran_out if since is None else max(since, ran_out), until, due


def _overdue(gauge: Gauge, due: dt.date) -> Verdict:
    message = (
        f"Gauge {gauge.code} was used after its calibration fell due on {due.isoformat()}: "
        "calibrate it, then look at what it measured since."
    )
    return Verdict(OVERDUE, MAJOR, message)
