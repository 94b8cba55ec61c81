"""The baseline of a stream of batch means, and what in it does not belong there.

A shift that sits inside the baseline would be learned as normal, a lone odd batch would widen the
limits for ever. So while the baseline fills, all batches so far are parted in two in every
likely way, each batch against the others and the first k against the rest, and the largest
two-sample t (pooled variance; Hawkins, Qiu & Kang 2003, "The changepoint model for statistical
process control", Journal of Quality Technology 35:355-366) is held against a limit.

With odd batches found by a test and left out, the plain standard deviation of the rest is used.
Estimates that withstand odd ones unseen, such as the mean moving range, have the worth of about
two thirds of the batches, and a dozen are few already: limits would have to be wider.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST = 8
# two-sided chance at which one parting counts, to be divided by the size of the baseline; chosen
# by tests/bench/drift_runs.py so that about 1 % of quiet baselines show anything
CHANCE = 0.0024
# after the last batch of the baseline the search for a step inside it goes on for so many batches:
# a shift in its last batches is not yet plain when it is full
FOLLOWED = 8
# fewer batches are no level to compare with
LEAST_LEVEL = 3


class Parting(NamedTuple):
    """Two groups of batches compared: the second starts (or is the batch) at index `at`.

    `shift` is the second group's mean less the first's, `se` its standard error with `dof`.
    """

    at: int
    shift: float
    se: float
    dof: int

    @property
    def t(self) -> float:
        return abs(self.shift) / self.se if self.se > 0 else 0.0


class Alarm(NamedTuple):
    """Something found in the baseline: the batch signalled, known from batch `found_at` on."""

    rule: Literal["beyond-limits", "step"]
    batch: int
    found_at: int
    first: int
    parting: Parting
    other_mean: float
    limit: float


class Weights(NamedTuple):
    """How a batch's size bears on its mean: variance between + within/n, in parts.

    `between` is the first part's share at the `usual` size (harmonic mean of the sizes).
    """

    between: float = 1.0
    usual: float = 1.0

    def variance_ratio(self, ns: Floats) -> Floats:
        """Variance of the means of batches of `ns` parts, in variances at the usual size."""
        return self.between + (1 - self.between) * self.usual / ns


class Baseline(NamedTuple):
    """The level to compare with; `kept` are indices of batches, `watched_from` is the next one.

    `sigma` (None below two batches) belongs to a batch of usual size and has `dof`; `weight` is
    the number of such batches that `centre` is worth.
    """

    kept: tuple[int, ...]
    centre: float
    sigma: float | None
    dof: int
    weight: float
    weights: Weights
    watched_from: int
    alarms: tuple[Alarm, ...]

    @property
    def ends_in_step(self) -> bool:
        """Whether it was cut off where the level stepped."""
        return any(alarm.rule == "step" for alarm in self.alarms)


def learn(values: Floats, ns: Floats, sds: Floats, size: int) -> Baseline:
    """The baseline among the first `size` batches, in order.

    `values`, `ns`, `sds` (NaN: unknown) have one entry per batch. Only what was known at a batch
    decides about it, so that later batches change nothing before them.
    """
    end = min(len(values), size)
    kept = list(range(min(end, LEAST)))
    alarms: list[Alarm] = []
    for newest in range(LEAST - 1, end):
        if newest >= LEAST:
            kept.append(newest)
        x, ratio, weights = _weighted(values, ns, sds, kept)
        step, lone = best_step(x, ratio, least_second=2), stranger(x, ratio)
        limit = t_quantile(step.dof, CHANCE / size)
        if lone.t > max(limit, step.t):
            odd = kept.pop(lone.at)
            others = float(values[odd]) - lone.shift
            alarms.append(Alarm("beyond-limits", odd, newest, odd, lone, others, limit))
        elif step.t > limit:
            return _before(step, limit, kept, x, ratio, weights, alarms)
    x, ratio, weights = _weighted(values, ns, sds, kept)
    centre = float(np.average(x, weights=1 / ratio))
    dof = len(kept) - 1
    sigma = float(np.sqrt(np.sum((x - centre) ** 2 / ratio) / dof)) if dof else None
    weight = float(np.sum(1 / ratio))
    return Baseline(tuple(kept), centre, sigma, dof, weight, weights, end, tuple(alarms))


def relearn(
    values: Floats, ns: Floats, sds: Floats, base: Baseline, quiet_until: int
) -> Baseline | None:
    """The baseline before a step that shows only now that batches after it are known.

    Looks at the batches that followed a full baseline as long as the charts on it were quiet
    (before index `quiet_until`). None where no step is found.
    """
    for newest in range(base.watched_from, min(quiet_until, base.watched_from + FOLLOWED)):
        group = [*base.kept, *range(base.watched_from, newest + 1)]
        x, ratio, weights = _weighted(values, ns, sds, group)
        step = best_step(x, ratio, least_second=2, last=len(base.kept))
        limit = t_quantile(step.dof, CHANCE / base.watched_from)
        if step.t > limit:
            return _before(step, limit, group, x, ratio, weights, base.alarms)
    return None


def _weighted(
    values: Floats, ns: Floats, sds: Floats, group: list[int]
) -> tuple[Floats, Floats, Weights]:
    weights = weights_of(values[group], ns[group], sds[group])
    return values[group], weights.variance_ratio(ns[group]), weights


def _before(
    step: Parting,
    limit: float,
    group: list[int],
    x: Floats,
    ratio: Floats,
    weights: Weights,
    alarms: Sequence[Alarm],
) -> Baseline:
    """The batches before the step are the baseline; both sides tell how means scatter."""
    centre = float(np.average(x[: step.at], weights=1 / ratio[: step.at]))
    before, after = (float(np.sum(1 / part)) for part in (ratio[: step.at], ratio[step.at :]))
    sigma = step.se / (1 / before + 1 / after) ** 0.5
    first, newest = group[step.at], group[-1]
    alarm = Alarm("step", newest, newest, first, step, centre, limit)
    kept = tuple(group[: step.at])
    return Baseline(kept, centre, sigma, step.dof, before, weights, first, (*alarms, alarm))


def weights_of(values: Floats, ns: Floats, sds: Floats) -> Weights:
    """How much of the scatter of these means their sizes explain.

    By moments: the variance of the means is between + within/n at the harmonic mean size, the
    pooled spread of the parts gives the second term, and neither may be negative.
    """
    known = (ns > 1) & np.isfinite(sds)
    if len(values) < 2 or not known.any():
        return Weights()
    usual = len(ns) / float(np.sum(1 / ns))
    within = float(np.sum((ns[known] - 1) * sds[known] ** 2) / np.sum(ns[known] - 1))
    spread = float(np.var(values, ddof=1))
    between = 1 - within / usual / spread if spread > 0 else 1.0
    return Weights(min(max(between, 0.0), 1.0), usual)


def best_step(
    x: Floats, ratio: Floats, *, least_second: int = 1, last: int | None = None
) -> Parting:
    """The most likely step in the level: the first k batches against the rest, k at least 3.

    `ratio`: variance of each mean in common units. `last` bounds k from above. The change point
    of greatest likelihood for normal means of unknown variance is where the two-sample t peaks.
    """
    weight = 1 / ratio
    sums, sizes = np.cumsum(weight * x), np.cumsum(weight)
    end = len(x) - least_second
    k = np.arange(LEAST_LEVEL, (end if last is None else min(end, last)) + 1)
    before, after = sizes[k - 1], sizes[-1] - sizes[k - 1]
    shift = (sums[-1] - sums[k - 1]) / after - sums[k - 1] / before
    return _widest(x, weight, shift, before * after / sizes[-1], k)


def stranger(x: Floats, ratio: Floats) -> Parting:
    """The batch that lies farthest from all others together."""
    weight = 1 / ratio
    total, rest = np.sum(weight), np.sum(weight) - weight
    shift = x - (np.sum(weight * x) - weight * x) / rest
    return _widest(x, weight, shift, weight * rest / total, np.arange(len(x)))


def _widest(
    x: Floats, weight: Floats, shift: Floats, lever: Floats, where: NDArray[np.int_]
) -> Parting:
    dof = len(x) - 2
    about_mean = float(np.sum(weight * (x - np.average(x, weights=weight)) ** 2))
    i = int(np.argmax(shift**2 * lever))
    left_over = about_mean - shift[i] ** 2 * lever[i]
    variance = max(left_over / dof, rounding_variance(x))
    return Parting(int(where[i]), float(shift[i]), float(np.sqrt(variance / lever[i])), dof)


def rounding_variance(x: Floats) -> float:
    """The least variance that values on such a coarse scale can show.

    Counts and coarse readings repeat exactly, and a spread of 0 would make any difference
    infinitely many standard deviations. The smallest step seen between values is taken for the
    resolution, which brings a variance of step²/12 (JCGM 100:2008, F.2.2.1). For finely measured
    means this is far below their scatter and changes nothing.
    """
    gaps = np.diff(np.unique(x))
    return float(np.min(gaps)) ** 2 / 12 if gaps.size else 0.0


@lru_cache(maxsize=512)
def t_quantile(dof: int, chance: float) -> float:
    """The t that is exceeded on either side together with this chance."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, 1 - chance / 2))
