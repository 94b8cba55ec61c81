"""Has the level of a characteristic moved: since which batch, by how much, and did it move again?

A batch is one observation: parts of one batch share mould, resin and day, so what tells a move from
scatter is the spread of the batch means, not that of the parts.

1. After each batch from the ninth on, all batches since the level began are parted in two in every
   likely way, the first k against the rest, and each pair of means is compared by a two-sample t
   with pooled variance (change-point scheme: Hawkins, Qiu & Kang 2003, Journal of Quality
   Technology 35:355-366). The baseline therefore grows while the stream is quiet and still does
   not learn a slow trend: what came before stays in the comparison.
2. What counts is set as a chance per comparison (`looks`), by simulation: `beyond-limits` is the
   newest batch alone, outside the t prediction interval that `limits` shows; `step` is two batches
   and more. The first batches (8 unless told otherwise) set the level, so a step or an odd batch
   inside them must be plainer to count, but is not learned either.
3. What is found is an event: a step (the widest of the comparisons that count) with a t interval.
   A step that was just found looks larger than it is. Batches from the step on are a new level,
   watched in the same way from its fourth batch on; scatter is taken to stay what it was until the
   level has shown its own. An odd batch whose two followers lie nearer to the level before is left
   out and the level goes on.
4. A frozen baseline is compared with the last batches, one, two or more, of those judged against
   it; it does not grow. After an event the level that follows is the one to compare with.

A look rests on the batches up to its own, so later ones never take an event back. A mean of n parts
counts by the variance between + within/n, both estimated from the batches themselves. Means are
taken as normal and independent on their scale (`scale`). Where all batches are equal nothing is
found; `partings.resolution` says what a first difference then means.
"""

import datetime as dt
import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.drift.looks import LEAST, t_quantile
from qc.statistics.drift.partings import Ints, Stream, running, stream_of
from qc.statistics.drift.scale import Scale, back, onto, spread_back
from qc.statistics.drift.watching import Found, Watch, watch

# chance of the t interval for a shift; less than 5 % since the change point is searched for, which
# makes the interval hold the shift in about 95 % of simulated events
OUTSIDE = 0.03

Floats = NDArray[np.float64]
Rule = Literal["beyond-limits", "step"]


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


class Signal(NamedTuple):
    """`value` lies outside `lower` to `upper`.

    `beyond-limits`: the mean of that batch; `step`: the mean of the batches since the change, known
    when this batch arrived.
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


class Event(NamedTuple):
    """The level moved from `before` to `after`, as known when batch `known_from` was there."""

    signal: Signal
    change: Change
    before: float
    after: float
    known_from: str


class Level(NamedTuple):
    """The batches of a level, odd ones left out, with its centre and `sigma` of usual batches."""

    batches: tuple[str, ...]
    centre: float | None
    sigma: float | None


@dataclass(frozen=True, slots=True)
class Drift:
    """One stream, all numbers in the unit of the means; `limits` go with `points`.

    `baseline`, `centre` and `sigma` (spread of the means of batches of usual size, None below two)
    are those of the first level: up to the first step, or the frozen one. `limits` are what was
    known before each batch came, None where nothing is judged. `signals` has one entry per event,
    `change` belongs to the first. `levels` are the stretches between steps, the last one being
    where the process is now. `watched` counts the batches after the first baseline and `strength`
    is for `family`.
    """

    points: tuple[BatchPoint, ...]
    baseline: tuple[str, ...]
    centre: float | None
    sigma: float | None
    limits: tuple[Band | None, ...]
    signals: tuple[Signal, ...]
    change: Change | None
    events: tuple[Event, ...]
    levels: tuple[Level, ...]
    watched: int
    strength: float | None


def drift(
    points: Sequence[BatchPoint],
    baseline: int = LEAST,
    *,
    scale: Scale = "plain",
    frozen: Collection[str] = (),
    since: str | None = None,
) -> Drift:
    """Judge one stream, its batches given in any order, watched once `baseline` batches are there.

    With `frozen`, codes of the batches that are the baseline for good, batches from `since` on
    (None or not in this stream: those after the last frozen one) are judged against these. Frozen
    batches that the stream does not have are left out; with fewer than 3 nothing is judged.
    `scale`: see `scale.scale_for`.

    Cost grows with the number of batches and its logarithm. ValueError without batches, for a
    baseline below 8, a code given twice, a mean that is no number or (scale root) negative, a batch
    without parts, `since` without `frozen`.
    """
    ordered = _checked(points, baseline, scale, frozen, since)
    codes = [point.code for point in ordered]
    means = np.array([point.mean for point in ordered], dtype=float)
    ns = np.array([point.n for point in ordered], dtype=float)
    sds = np.array([np.nan if point.sd is None else point.sd for point in ordered], dtype=float)
    values, sds = onto(scale, means, sds)
    # differences from the first batch keep their digits, and equal means stay equal
    unit = _Unit(scale, float(values[0]))
    stream = stream_of(np.round(values - unit.start, 9), ns, sds)
    if not frozen:
        seen = watch(stream, baseline)
        return _told(ordered, stream, unit, seen, seen.levels)
    fixed = np.array([i for i, code in enumerate(codes) if code in frozen], dtype=int)
    start = codes.index(since) if since in codes else int(fixed.max(initial=-1)) + 1
    seen = watch(stream, baseline, fixed, start)
    return _told(ordered, stream, unit, seen, (fixed, *seen.levels[1:]))


def _checked(
    points: Sequence[BatchPoint],
    baseline: int,
    scale: Scale,
    frozen: Collection[str],
    since: str | None,
) -> tuple[BatchPoint, ...]:
    """The batches in order of making."""
    if baseline < LEAST:
        raise ValueError(f"a baseline needs at least {LEAST} batches: {baseline}")
    if since is not None and not frozen:
        raise ValueError(f"since {since} needs the batches of a frozen baseline: none given")
    if not points:
        raise ValueError("drift needs at least one batch: none given")
    ((code, times),) = Counter(point.code for point in points).most_common(1)
    if times > 1:
        raise ValueError(f"every batch is one point: {code} is given {times} times")
    for point in points:
        if not math.isfinite(point.mean) or point.n < 1:
            raise ValueError(
                f"batch {point.code} needs parts and a finite mean: n {point.n}, mean {point.mean}"
            )
        if scale == "root" and point.mean < 0:
            raise ValueError(
                f"batch {point.code} cannot be judged on the root scale: mean {point.mean} is "
                f"below zero"
            )
    return tuple(sorted(points, key=attrgetter("made_on", "code")))


class _Unit(NamedTuple):
    """The way back from differences on the scale to the unit of the means."""

    scale: Scale
    start: float

    def of(self, values: Floats | float) -> Floats:
        return back(self.scale, np.asarray(values) + self.start)

    def one(self, value: float) -> float:
        return float(self.of(value))


def _told(
    points: tuple[BatchPoint, ...],
    stream: Stream,
    unit: _Unit,
    seen: Watch,
    levels: Sequence[Ints],
) -> Drift:
    events = tuple(_event(points, stream, unit, found) for found in seen.found)
    told = tuple(_level(points, stream, unit, of) for of in levels)
    half = seen.bands.half
    limits: tuple[Band | None, ...] = (None,) * len(points)
    if not np.isnan(half).any():
        ends = (unit.of(seen.bands.centre + side * half).tolist() for side in (-1, 1))
        limits = tuple(map(Band, *ends))
    return Drift(
        points,
        *told[0],
        limits,
        tuple(event.signal for event in events),
        events[0].change if events else None,
        events,
        told,
        seen.watched,
        seen.strength,
    )


def _level(points: Sequence[BatchPoint], stream: Stream, unit: _Unit, of: Ints) -> Level:
    codes = tuple(points[i].code for i in of.tolist())
    if not codes:
        return Level((), None, None)
    own = stream.of(of)
    group = running(own.singles(len(of), own.weights(len(of)))).at(len(of))
    centre = float(group.mean)
    if len(of) < 2:
        return Level(codes, unit.one(centre), None)
    sigma = math.sqrt(float(group.squares) / (len(of) - 1))
    sigma = 0.0 if np.ptp(own.x) == 0 else sigma
    return Level(codes, unit.one(centre), spread_back(unit.scale, sigma, centre + unit.start))


def _event(points: Sequence[BatchPoint], stream: Stream, unit: _Unit, found: Found) -> Event:
    """In the unit of the means; intervals are those on the scale, carried back end by end."""
    first, newest = points[found.first].code, points[found.newest].code
    before, after = unit.one(found.before), unit.one(found.before + found.shift)
    half = float(t_quantile(found.dof, OUTSIDE)) * found.se
    ends = unit.of(found.before + found.shift + np.array([-half, half])) - before
    change = Change(first, after - before, float(ends[0]), float(ends[1]))
    alone = found.rule == "beyond-limits"
    signal = Signal(
        first if alone else newest,
        found.rule,
        points[found.first].mean if alone else after,
        unit.one(found.before - found.limit),
        unit.one(found.before + found.limit),
    )
    return Event(signal, change, before, after, newest)
