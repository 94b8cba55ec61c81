"""A gauge's spread by level of time: within a day, from day to day, from run to run.

The design of the NIST gauge study: each artefact is measured `repeats` times a day, on some days,
in some runs that lie far apart. Standard deviations are pooled over the artefacts; the level-2 and
level-3 ones are those of daily and of run averages, so each holds its share of the level below.

References:

1. NIST/SEMATECH e-Handbook 2.4.4 (gauge study; 2.4.4.4 pooled repeatability), 2.4.5 and 2.5.3.1
   (the parts of the variance and of a result's uncertainty).
"""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import not_negative, row, same_length, share
from qc.statistics.limits import Interval


@dataclass(frozen=True, slots=True)
class PooledSd:
    """A standard deviation from several samples: sum of squares and degrees of freedom."""

    ss: float
    dof: int

    @property
    def sd(self) -> float:
        """√(ss/dof), in the unit of the values; NaN without degrees of freedom."""
        return math.sqrt(self.ss / self.dof) if self.dof else math.nan

    def interval(self, confidence: float = 0.95) -> Interval:
        """Exact limits for the standard deviation, two-sided: √(ss/χ²) with normal values."""
        from scipy.special import chdtri

        tail = (1 - share("confidence", confidence)) / 2
        if not self.dof:
            return Interval(math.nan, math.nan)
        lower, upper = (math.sqrt(self.ss / float(chdtri(self.dof, p))) for p in (tail, 1 - tail))
        return Interval(lower, upper)


@dataclass(frozen=True, slots=True)
class GaugeLevels:
    """Pooled standard deviations of readings (`level1`), daily averages, and run averages.

    `repeats` readings make a daily average, `days` of those a run's.
    """

    level1: PooledSd
    level2: PooledSd
    level3: PooledSd
    repeats: int
    days: float

    @property
    def day_variance(self) -> float:
        """What days add: s2² - s1²/repeats, plain, negative where repeats explain more [1]."""
        return self.level2.sd**2 - self.level1.sd**2 / self.repeats

    @property
    def run_variance(self) -> float:
        """What runs add: s3² - s2²/days, plain as well; NaN with a single run."""
        return self.level3.sd**2 - self.level2.sd**2 / self.days

    @property
    def reading_sd(self) -> float:
        """Of a single reading on any day of any run: √(s1² + days² + runs²), negatives as 0.

        With a single run its part is left out.
        """
        runs = 0.0 if math.isnan(self.run_variance) else max(self.run_variance, 0.0)
        return math.sqrt(self.level1.sd**2 + max(self.day_variance, 0.0) + runs)


def pooled_sd(sds: ArrayLike, dofs: ArrayLike) -> PooledSd:
    """Standard deviations of independent samples, pooled by their degrees of freedom.

    `sds` not negative, `dofs` whole and not negative, shape (k,); s² = Σ dof·sd² / Σ dof.
    ValueError otherwise.

    >>> round(pooled_sd([0.3, 0.4], [2, 4]).sd, 4)
    0.3697
    """
    deviations, freedom = row("sds", sds), row("dofs", dofs)
    same_length(sds=deviations, dofs=freedom)
    not_negative("sds", float(deviations.min()))
    not_negative("dofs", float(freedom.min()))
    if (freedom % 1).any():
        raise ValueError(f"dofs must be whole numbers: got {freedom[freedom % 1 > 0][0]}")
    return PooledSd(float(freedom @ deviations**2), int(freedom.sum()))


def pooled_sd_of_groups(values: ArrayLike, groups: Sequence[Hashable]) -> PooledSd:
    """The spread of `values` about the mean of their group, pooled; one label per value.

    A group of one adds nothing.
    """
    series = row("values", values)
    if len(groups) != series.size:
        raise ValueError(f"groups must have one label per value: {len(groups)}, {series.size}")
    held: dict[Hashable, list[float]] = {}
    for label, value in zip(groups, series.tolist(), strict=True):
        held.setdefault(label, []).append(value)
    ss = math.fsum(float(np.var(group)) * len(group) for group in held.values())
    return PooledSd(ss, series.size - len(held))


def gauge_study_levels(
    averages: ArrayLike,
    sds: ArrayLike,
    *,
    repeats: int,
    runs: Sequence[Hashable],
    items: Sequence[Hashable],
) -> GaugeLevels:
    """Levels 1, 2 and 3 of one gauge from daily averages and standard deviations [1].

    One entry per day: the average of `repeats` readings (at least 2) of an item, their standard
    deviation, the run and the item (artefact). Days within a run and item make level 2, run
    averages within an item level 3. A single run leaves level 3 without degrees of freedom.
    """
    means, deviations = row("averages", averages), row("sds", sds)
    same_length(averages=means, sds=deviations)
    if repeats != int(repeats) or repeats < 2:
        raise ValueError(f"repeats must be a whole number from 2: {repeats}")
    if not len(runs) == len(items) == means.size:
        raise ValueError(
            "runs and items must have one label per average: "
            f"{len(runs)} and {len(items)} for {means.size}"
        )
    daily: dict[tuple[Hashable, Hashable], list[float]] = {}
    for run, item, mean in zip(runs, items, means.tolist(), strict=True):
        daily.setdefault((item, run), []).append(mean)
    return GaugeLevels(
        pooled_sd(deviations, np.full(means.size, repeats - 1)),
        pooled_sd_of_groups(means, list(zip(items, runs, strict=True))),
        pooled_sd_of_groups(
            [math.fsum(days) / len(days) for days in daily.values()],
            [item for item, _ in daily],
        ),
        repeats,
        means.size / len(daily),
    )
