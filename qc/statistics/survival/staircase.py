"""Up-and-down (staircase) tests: the level at which half the parts fail, from one drop a part.

Each part is struck once; the next is struck one step lower after a failure, one higher after a
pass. `dixon_mood` is the short method for equal steps, `staircase_fit` the maximum likelihood of a
normal strength (probit) for any levels. For a lognormal strength give log levels to either. A
ladder of repeated hits on one part is another test (damage builds up): `interval_censored`.

References:

1. Dixon & Mood (1948), J. Am. Stat. Assoc. 43:109-126.
2. Dixon & Massey (1969), "Introduction to Statistical Analysis", 3rd ed., chapter 19.
3. Lawless (2003) and `likelihood` for the model of the maximum likelihood fit.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.statistics import arguments
from qc.statistics.limits import Interval, Side
from qc.statistics.survival.censoring import Floats
from qc.statistics.survival.likelihood import sample
from qc.statistics.survival.location_scale import Fit, fit, standard_survival

Counted = Literal["failures", "passes"]

# of a step that a level may be off its place on the grid (heights are rounded)
_OFF_GRID = 0.1


@dataclass(frozen=True, slots=True)
class DixonMood:
    """Mean and standard deviation of the strength by the short method, in the levels' unit.

    `counted`: which result was rarer and is counted, with number `n`, `a` = Σ i n_i and
    `b` = Σ i² n_i over levels i steps above `lowest_level`, the lowest with that result.
    `spread_ratio` is (n b - a²)/n²; below 0.3 (`rough`) the deviation is only 0.53 steps by
    convention [1].
    """

    counted: Counted
    step: float
    lowest_level: float
    n: int
    a: int
    b: int

    @property
    def mean(self) -> float:
        half = -0.5 if self.counted == "failures" else 0.5
        return self.lowest_level + self.step * (self.a / self.n + half)

    @property
    def spread_ratio(self) -> float:
        return (self.n * self.b - self.a**2) / self.n**2

    @property
    def rough(self) -> bool:
        return self.spread_ratio < 0.3

    @property
    def sd(self) -> float:
        if self.rough:
            return 0.53 * self.step
        return 1.62 * self.step * (self.spread_ratio + 0.029)

    @property
    def mean_standard_error(self) -> float:
        """G · sd/√n; G is the large-sample value for this step, about 0.9 to 1.1 [1]."""
        return self.sd * _large_sample_factors(self.step / self.sd)[0] / math.sqrt(self.n)

    @property
    def sd_standard_error(self) -> float:
        """H · sd/√n; H is the large-sample value for this step, about 1.3 to 1.6 [1]."""
        return self.sd * _large_sample_factors(self.step / self.sd)[1] / math.sqrt(self.n)


def dixon_mood(
    *,
    levels: ArrayLike,
    failed: ArrayLike,
    step: float | None = None,
    serials: Sequence[str] | None = None,
) -> DixonMood:
    """The Dixon-Mood mean and standard deviation [1].

    `levels`, shape (n,): in the order struck (energy, height or their logarithm). `failed`,
    shape (n,): true where the part failed. `step`: the distance of levels, the smallest one
    that occurs unless given; levels may be off the grid by a tenth of it. `serials`, shape (n,):
    the parts, none twice. The rarer result is counted (failures where both are equally many):
    mean = lowest + step · (A/N ∓ 1/2), minus for failures, and sd = 1.62 step ((N B - A²)/N² +
    0.029) where that ratio is at least 0.3, else 0.53 step. ValueError for a part struck twice,
    levels that do not follow the rule, or results all alike.

    >>> found = dixon_mood(levels=[70, 75, 80, 75, 70, 75], failed=[0, 0, 1, 1, 0, 1])
    >>> round(found.mean, 2), found.counted
    (74.17, 'failures')
    """
    height, fails = _struck_once(levels, failed, serials)
    if fails.all() or not fails.any():
        raise ValueError(
            f"both results are needed: got {int(fails.sum())} failures of {fails.size} parts"
        )
    if step is None:
        gaps = np.abs(np.diff(height))
        step = float(gaps[gaps > 0].min()) if (gaps > 0).any() else 0.0
    arguments.positive("step", step)
    moves = np.diff(height) / step
    wrong = np.abs(moves - np.where(fails[:-1], -1, 1)) > _OFF_GRID
    if wrong.any():
        at = int(np.argmax(wrong))
        way = "down after a failure" if fails[at] else "up after a pass"
        raise ValueError(
            f"levels must go one step {way}: got {height[at]:g} then {height[at + 1]:g} "
            f"with step {step:g} at part {at + 2}"
        )
    failures = int(fails.sum())
    counted: Counted = "failures" if 2 * failures <= fails.size else "passes"
    those = height[fails if counted == "failures" else ~fails]
    lowest = float(those.min())
    i = np.rint((those - lowest) / step).astype(int)
    return DixonMood(counted, float(step), lowest, i.size, int(i.sum()), int(i @ i))


@dataclass(frozen=True, slots=True, eq=False)
class StaircaseFit:
    """A normal strength fitted by maximum likelihood, in the levels' unit.

    `estimable` is false where every pass lies below every failure (`sd` is 0 then and `mean` the
    middle of the gap between them; ±inf with one result only), or where failures do not become
    more frequent with the level (mean and `sd` are NaN).
    """

    levels: Floats
    failed: NDArray[np.bool_]
    core: Fit

    @property
    def estimable(self) -> bool:
        return self.core.estimable

    @property
    def mean(self) -> float:
        """The level at which half the parts fail."""
        if not self.core.rows.separated:
            return self.core.location
        passed = self.levels[~self.failed].max(initial=-math.inf)
        return float(passed + self.levels[self.failed].min(initial=math.inf)) / 2

    @property
    def sd(self) -> float:
        return 0.0 if self.core.rows.separated else self.core.sigma

    @property
    def log_likelihood(self) -> float:
        return self.core.peak.log_likelihood

    @property
    def mean_standard_error(self) -> float:
        return float(np.sqrt(self.core.covariance()[0, 0]))

    @property
    def sd_standard_error(self) -> float:
        return self.sd * float(np.sqrt(self.core.covariance()[1, 1]))

    def failing(self, level: float) -> float:
        """The share that fails at a level."""
        return standard_survival("normal", -self.core.b * level + float(self.core.peak.at[0]))

    def level(self, failing: float) -> float:
        """The level at which the share `failing` fails."""
        return self.core.quantile(arguments.share("failing", failing))

    def level_interval(
        self, failing: float = 0.5, *, confidence: float = 0.95, side: Side = "two-sided"
    ) -> Interval:
        """Likelihood-ratio limits of that level; ±inf where the data set none. 0.5: the mean."""
        arguments.share("failing", failing)
        if not self.estimable:
            return Interval(-math.inf, math.inf)
        return Interval(*self.core.quantile_limits(failing, confidence, side))

    def sd_interval(self, *, confidence: float = 0.95, side: Side = "two-sided") -> Interval:
        """Likelihood-ratio limits of the standard deviation."""
        if not self.estimable:
            return Interval(0.0, math.inf)
        return Interval(*self.core.sigma_limits(confidence, side))


def staircase_fit(
    *, levels: ArrayLike, failed: ArrayLike, serials: Sequence[str] | None = None
) -> StaircaseFit:
    """Maximum likelihood (probit) for parts struck once each at any levels, in any order.

    `levels`, `failed`, `serials`, shape (n,): as for `dixon_mood`; equal steps are not needed.
    With the probit Φ(b0 + b1 · level) the mean is -b0/b1 and the standard deviation 1/b1.

    >>> found = staircase_fit(levels=[70, 75, 80, 75, 80, 75, 70], failed=[0, 0, 1, 0, 1, 1, 0])
    >>> round(found.mean, 2)
    75.0
    """
    height, fails = _struck_once(levels, failed, serials)
    rows = sample(
        np.where(fails, -np.inf, height), np.where(fails, height, np.inf), np.ones(height.size)
    )
    return StaircaseFit(height, fails, fit(rows, "normal"))


def next_level(*, last_level: float, last_failed: bool, step: float) -> float:
    """The level for the next part: one step down after a failure, up after a pass [1]."""
    arguments.positive("step", step)
    return arguments.finite("last_level", last_level) + (-step if last_failed else step)


def _struck_once(
    levels: ArrayLike, failed: ArrayLike, serials: Sequence[str] | None
) -> tuple[Floats, NDArray[np.bool_]]:
    """Checked rows; a serial that comes twice is refused."""
    height = arguments.row("levels", levels)
    fails = np.asarray(failed)
    if fails.shape != height.shape or not np.isin(fails, (0, 1)).all():
        raise ValueError(
            f"failed must be true or false for each level: got shape {fails.shape} "
            f"for {height.size} levels"
        )
    if serials is not None:
        if len(serials) != height.size:
            raise ValueError(
                f"serials must name each part: got {len(serials)} for {height.size} levels"
            )
        seen: set[str] = set()
        for serial in serials:
            if serial in seen:
                raise ValueError(f"a part is struck once in a staircase: got {serial!r} twice")
            seen.add(serial)
    return height, fails.astype(bool)


def _large_sample_factors(step_in_sd: float) -> tuple[float, float]:
    """Standard errors of mean and deviation times √n/sd, where n parts of 2 n are counted.

    Levels visited settle to weights that balance ups and downs; the information of a probit at
    them is averaged over where the grid may lie about the mean.
    """
    from scipy.special import log_ndtr

    of_mean = of_sd = 0.0
    phases = (np.arange(16) + 0.5) / 16
    reach = math.ceil(9 / step_in_sd) + 2
    for phase in phases:
        z = step_in_sd * (np.arange(-reach, reach + 1) + phase)
        log_p, log_q = log_ndtr(z), log_ndtr(-z)
        log_weight = np.concatenate([[0.0], np.cumsum(log_q[:-1] - log_p[1:])])
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        information = weight * np.exp(-(z**2) - log_p - log_q) / (2 * math.pi)
        of_mean += information.sum() / phases.size
        of_sd += (information @ z**2) / phases.size
    return 1 / math.sqrt(2 * of_mean), 1 / math.sqrt(2 * of_sd)
