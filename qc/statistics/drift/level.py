"""Has the level of a characteristic moved? Charts on batch means against a stated baseline.

A batch is one observation: parts of one batch share mould, resin and day, so what tells a shift
from scatter is the spread of the batch means, not that of the parts.

1. The baseline is the first batches, 12 unless told otherwise; nothing signals before the eighth.
   While it fills, `baseline` tries each new batch together with those before it: a single batch that stands out is signalled and left out, and where the batches fall into two
   levels the later one is signalled, not learned.
2. Later batches are watched by an individuals chart (`beyond-limits`) and by an EWMA (`ewma`)
   about the baseline's mean, with limits the wider the shorter the baseline.
3. The first event is described as a step: the change point of greatest likelihood up to the first
   signal, and a t interval for its size. A step that has just been found looks larger than it is.

A signal rests on the batches up to its own, so later ones never take it back. A mean of n parts
counts by the variance between + within/n. Batch means are taken as normal and independent. Where
all batches are equal there is nothing to signal; see `baseline.rounding_variance` for what a first
difference then means.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.charts.individuals import ewma
from qc.statistics.drift.baseline import LEAST, Baseline, best_step, learn, relearn, t_quantile

BASELINE = 12
# EWMA weight, and the two-sided chances of a false alarm per batch that set the limits, to be
# divided by the number of batches in the baseline: found by simulation
# (tests/bench/drift_runs.py) so that about 5 % of quiet streams show any signal up to the 26th
# batch after a baseline of 8, 12 or 20. A short baseline errs in few streams but then often,
# hence the larger chance per batch; its limits are the wider all the same
WEIGHT = 0.25
CHANCE_BEYOND, CHANCE_EWMA = 0.006, 0.036
# chance of the t interval for a shift; 3 % since the change point is searched for, which makes the
# interval hold the shift in 95 % of simulated events
OUTSIDE = 0.03

Floats = NDArray[np.float64]
Rule = Literal["beyond-limits", "ewma", "step"]


class BatchPoint(NamedTuple):
    """A batch: `n` parts with their mean and standard deviation (None: one part, or unknown)."""

    code: str
    made_on: dt.date
    n: int
    mean: float
    sd: float | None = None


class Band(NamedTuple):
    """What a batch mean may be while nothing has moved."""

    lower: float
    upper: float


class Smoothed(NamedTuple):
    """The EWMA at a batch, and what it may be while nothing has moved."""

    value: float
    lower: float
    upper: float


class Signal(NamedTuple):
    """`value` lies outside `lower` to `upper`.

    `beyond-limits`: the batch's mean; `ewma`: the EWMA; `step`: the mean of the last batches of
    the baseline up to this one, against its first batches.
    """

    batch: str
    rule: Rule
    value: float
    lower: float
    upper: float


class Change(NamedTuple):
    """From `first_batch` on the level differs by `shift`, with a 95 % interval."""

    first_batch: str
    shift: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Drift:
    """One stream: `limits` and `ewma` go with `points`, batch by batch.

    `sigma` is the spread of the means of batches of usual size, None below two batches. `limits`
    is None per batch below eight batches, `ewma` outside the batches that are watched. `signals`
    stand in the order in which they became known: the first one is the event that `change`
    describes, and adding batches never replaces it.
    """

    points: tuple[BatchPoint, ...]
    baseline: tuple[str, ...]
    centre: float
    sigma: float | None
    limits: tuple[Band | None, ...]
    ewma: tuple[Smoothed | None, ...]
    signals: tuple[Signal, ...]
    change: Change | None


def drift(points: Sequence[BatchPoint], baseline: int = BASELINE) -> Drift:
    """Judge one stream, its batches given in any order, against its first `baseline` batches.

    Cost grows with the number of batches, not faster. ValueError without batches, for a baseline
    below 8, a mean that is no number, and a batch without parts.
    """
    if baseline < LEAST:
        raise ValueError(f"a baseline needs at least {LEAST} batches: {baseline}")
    if not points:
        raise ValueError("drift needs at least one batch: none given")
    ordered = tuple(sorted(points, key=lambda point: (point.made_on, point.code)))
    for point in ordered:
        if not np.isfinite(point.mean) or point.n < 1:
            raise ValueError(
                f"batch {point.code} needs parts and a finite mean: n {point.n}, mean {point.mean}"
            )
    means = np.array([point.mean for point in ordered], dtype=float)
    ns = np.array([point.n for point in ordered], dtype=float)
    sds = np.array([np.nan if point.sd is None else point.sd for point in ordered], dtype=float)
    # differences from the first batch keep their digits, and equal means stay equal
    level = float(means[0])
    values = np.round(means - level, 9)
    base = learn(values, ns, sds, baseline)
    if len(ordered) < LEAST:
        none, every = (None,) * len(ordered), tuple(point.code for point in ordered)
        return Drift(ordered, every, level + base.centre, base.sigma, none, none, (), None)
    charts = _charts(values, ns, base)
    found = _on_charts(values, charts, base)
    quiet_until = min((item.batch for item in found), default=len(values))
    if not base.ends_in_step and (shorter := relearn(values, ns, sds, base, quiet_until)):
        base = shorter
        charts = _charts(values, ns, base)
        found = _on_charts(values, charts, base)
    found = sorted([*_in_baseline(base), *found])
    codes = [point.code for point in ordered]
    return Drift(
        ordered,
        tuple(codes[i] for i in base.kept),
        level + base.centre,
        base.sigma,
        tuple(map(Band, (level + charts.lower).tolist(), (level + charts.upper).tolist())),
        (None,) * base.watched_from + tuple(map(Smoothed, *(level + charts.smooth).tolist())),
        tuple(
            Signal(codes[f.batch], f.rule, level + f.value, level + f.lower, level + f.upper)
            for f in found
        ),
        _change(values, ns, base, found, codes),
    )


class _Charts(NamedTuple):
    """Limits of every batch; EWMA, its lower and its upper limit (rows) of the watched ones."""

    lower: Floats
    upper: Floats
    smooth: Floats


def _charts(values: Floats, ns: Floats, base: Baseline) -> _Charts:
    return _Charts(*_limits(values, ns, base), _ewma(values, ns, base))


def _limits(values: Floats, ns: Floats, base: Baseline) -> tuple[Floats, Floats]:
    """Individuals limits, batch by batch: a t prediction interval for one more batch mean."""
    variance = _variance(values, base)
    own, of_centre = variance * base.weights.variance_ratio(ns), variance / base.weight
    half = t_quantile(base.dof, CHANCE_BEYOND / (base.dof + 1)) * np.sqrt(own + of_centre)
    return base.centre - half, base.centre + half


def _ewma(values: Floats, ns: Floats, base: Baseline) -> Floats:
    """EWMA, lower and upper limit (rows) of the watched batches, started at the centre.

    Its exact variance: that of the batches it has seen, and that of the estimated centre, from
    which it moves away as the start is forgotten.
    """
    from scipy.signal import lfilter

    start, left = base.watched_from, 1 - WEIGHT
    variance = _variance(values, base)[start:]
    seen = lfilter(
        [WEIGHT**2], [1.0, -(left**2)], variance * base.weights.variance_ratio(ns[start:])
    )
    moved = 1 - left ** np.arange(1, len(variance) + 1)
    half = t_quantile(base.dof, CHANCE_EWMA / (base.dof + 1)) * np.sqrt(
        seen + moved**2 * variance / base.weight
    )
    smooth = ewma(values[start:], WEIGHT, base.centre)
    return np.stack([smooth, base.centre - half, base.centre + half])


def _variance(values: Floats, base: Baseline) -> Floats:
    """Variance of the mean of a batch of usual size, as known at each batch."""
    if base.sigma:
        return np.full(len(values), base.sigma**2)
    # all equal so far: the smallest difference since then stands for the resolution
    away = np.abs(values - base.centre)
    least = np.minimum.accumulate(np.where(away > 0, away, np.inf))
    return np.where(np.isfinite(least), least, 0.0) ** 2 / 12


class _Found(NamedTuple):
    """In order of `found_at`: the batch whose arrival made it known."""

    found_at: int
    batch: int
    rule: Rule
    value: float
    lower: float
    upper: float


def _in_baseline(base: Baseline) -> list[_Found]:
    found = []
    for alarm in base.alarms:
        mean, half = alarm.other_mean, alarm.limit * alarm.parting.se
        value = mean + alarm.parting.shift
        found.append(
            _Found(alarm.found_at, alarm.batch, alarm.rule, value, mean - half, mean + half)
        )
    return found


def _on_charts(values: Floats, charts: _Charts, base: Baseline) -> list[_Found]:
    start = base.watched_from
    # batches between a step in the baseline and the one that showed it are seen in hindsight
    known = base.alarms[-1].found_at if base.ends_in_step else 0
    found = []
    outside = (values < charts.lower) | (values > charts.upper)
    for i in (np.flatnonzero(outside[start:]) + start).tolist():
        bounds = float(values[i]), float(charts.lower[i]), float(charts.upper[i])
        found.append(_Found(max(i, known), i, "beyond-limits", *bounds))
    smooth, lower, upper = charts.smooth
    for i in np.flatnonzero((smooth < lower) | (smooth > upper)).tolist():
        bounds = float(smooth[i]), float(lower[i]), float(upper[i])
        found.append(_Found(max(i + start, known), i + start, "ewma", *bounds))
    return found


def _change(
    values: Floats, ns: Floats, base: Baseline, found: list[_Found], codes: list[str]
) -> Change | None:
    """The first event as a step, from what was known when it was found."""
    if not found:
        return None
    first = found[0].found_at
    alarm = next((alarm for alarm in base.alarms if alarm.found_at == first), None)
    if alarm:
        batch, parting = alarm.first, alarm.parting
    else:
        group = [*base.kept, *range(base.watched_from, first + 1)]
        parting = best_step(values[group], base.weights.variance_ratio(ns[group]))
        batch = group[parting.at]
    half = t_quantile(parting.dof, OUTSIDE) * parting.se
    return Change(codes[batch], parting.shift, parting.shift - half, parting.shift + half)
