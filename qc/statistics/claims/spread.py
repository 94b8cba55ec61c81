"""Where batches lie against a mass, and how much of their spread is between and within them.

References:

1. Searle, Casella & McCulloch (1992), "Variance Components", section 3.6 (moments).
2. Thomas & Hultquist (1978), Annals of Statistics 6:582-587: with unequal sizes, the variance of
   the plain batch means times their harmonic mean size takes the place of the mean square between.
3. Burdick & Graybill (1992), "Confidence Intervals on Variance Components", section 4.3 (limits by
   [2] and the modified large-sample method; section from memory).
4. JCGM 100:2008 (GUM), G.4 (effective degrees of freedom, Welch-Satterthwaite).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from qc.statistics.arguments import row, share
from qc.statistics.claims.pivots import Variances
from qc.statistics.components.mean_squares import MeanSquares
from qc.statistics.limits import Interval


class Level(NamedTuple):
    """The mean of batch means, each batch counting alike, its standard uncertainties and interval.

    `u_batches` comes from the batches and falls with their number; the interval also holds what
    all of them have in common.
    """

    mean: float
    u_batches: float
    interval: Interval


def batch_level(means: Sequence[float], u_common: float = 0.0, confidence: float = 0.95) -> Level:
    """The level of `means` with its interval, the batch being the unit; at least two batches.

    `u_common` is a standard uncertainty that all means share (a scale's): it does not fall with
    their number. The interval's t has effective degrees of freedom by Welch-Satterthwaite, the
    common part counting as known [4]; without it this is Student's interval.

    >>> level = batch_level([411.0, 413.5, 412.2, 410.1, 412.9, 411.7])
    >>> round(level.mean, 2), [round(limit, 2) for limit in level.interval]
    (411.9, [410.59, 413.21])
    """
    from scipy.special import stdtrit

    values = row("means", means, 2)
    tail = (1 - share("confidence", confidence)) / 2
    # about the first mean, so that equal means have no spread
    away = values - values[0]
    mean = float(values[0] + away.mean())
    u_batches = float(away.std(ddof=1)) / math.sqrt(len(values))
    u = math.hypot(u_batches, u_common)
    dof = (len(values) - 1) * (u / u_batches) ** 4 if u_batches else math.inf
    half = float(stdtrit(min(dof, 1e10), 1 - tail)) * u
    return Level(mean, u_batches, Interval(mean - half, mean + half))


@dataclass(frozen=True, slots=True)
class Spread:
    """Variances between and within batches in the squared unit of the values, with 95 % limits.

    `between_var` is plainly what the moments give: negative where batches differ less than their
    parts' spread explains. Standard deviations count that as 0. All is NaN, but for `total_sd`,
    where every batch has one part: then the two cannot be told apart.
    """

    between_var: float
    within_var: float
    between_limits: Interval
    within_limits: Interval
    total_sd: float

    @property
    def between_sd(self) -> float:
        return math.sqrt(max(self.between_var, 0.0))

    @property
    def within_sd(self) -> float:
        return math.sqrt(self.within_var)


def batch_spread(
    ns: Sequence[int], means: Sequence[float], variances: Variances, confidence: float = 0.95
) -> Spread:
    """Split the spread of batches of any size, at least two, with limits for both components.

    One entry per batch: parts, mean, and variance (n - 1), None for a single part. The limits
    within are exact (χ²); those between are by [2, 3] and cut at 0: near the stated confidence,
    93 % instead of 95 % where sizes go from 1 to 40 and parts spread twice as much as batches.
    """
    from qc.statistics.components.variance import between_within

    known = [math.nan if variance is None else variance for variance in variances]
    found = between_within(ns, means, known)
    plain = float(np.var(np.asarray(means, dtype=float) - means[0], ddof=1))
    if not found.dof_within:
        none = Interval(math.nan, math.nan)
        return Spread(math.nan, math.nan, none, none, math.sqrt(plain))
    size = len(ns) / float(np.sum(1 / np.asarray(ns, dtype=float)))
    squares = MeanSquares((size * plain, found.within_var), (found.dof_between, found.dof_within))
    between = squares.interval((1 / size, -1 / size), confidence)
    return Spread(
        found.between_var,
        found.within_var,
        Interval(max(between.lower, 0.0), max(between.upper, 0.0)),
        squares.interval((0.0, 1.0), confidence),
        math.sqrt(found.between_var_clipped + found.within_var),
    )


def real_sd(observed_var: float, measuring_var: float) -> float:
    """The parts' own spread: what was observed less what measuring adds to each by itself; 0
    where that explains all."""
    return math.sqrt(max(observed_var - measuring_var, 0.0))
