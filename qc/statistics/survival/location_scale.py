"""A fitted location-scale family: estimates, their covariance, and likelihood-ratio limits.

`life_fit` (Weibull and lognormal values) and `staircase` (normal strengths) stand on it; see
`likelihood` for the model. A limit is where the profile of the log-likelihood has fallen by half a
chi-square quantile with one degree of freedom.

References: Lawless (2003), "Statistical Models and Methods for Lifetime Data", 2nd ed., chapter 5;
Meeker & Escobar (1998), "Statistical Methods for Reliability Data", chapter 8.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from qc.statistics.limits import Side, tails, turned
from qc.statistics.survival.censoring import Floats
from qc.statistics.survival.likelihood import (
    LEAST_B,
    Family,
    Peak,
    Sample,
    climb,
    highest,
    log_likelihood,
)

# of the standard error: a profile still high there is taken to stay high
_MOST_DOUBLINGS = 20


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted family: `location`, `sigma`, and limits by likelihood ratio (chi-square 1).

    `estimable` is false where the data leave the spread open: all rows share a value
    (`separated`), or survivors do not thin out with y (sigma inf). Location and sigma are NaN then.
    """

    rows: Sample
    family: Family
    peak: Peak
    estimable: bool

    @property
    def b(self) -> float:
        return float(self.peak.at[-1])

    @property
    def location(self) -> float:
        return float(self.peak.at[0]) / self.b if self.estimable else math.nan

    @property
    def sigma(self) -> float:
        return 1 / self.b if self.estimable else math.nan

    def quantile(self, share: float) -> float:
        """y below which the share lies."""
        return self.location + self.sigma * standard_quantile(self.family, share)

    @property
    def reach(self) -> float:
        """How far the ends of the rows lie apart, 1 where they do not."""
        ends = np.concatenate([self.rows.lower, self.rows.upper])
        ends = ends[np.isfinite(ends)]
        return float(np.ptp(ends)) or 1.0 if ends.size else 1.0

    def covariance(self) -> Floats:
        """Of (location, log sigma), from the observed information; NaN where not estimable."""
        if not self.estimable:
            return np.full((2, 2), math.nan)
        # a = location/sigma and b = 1/sigma by (location, log sigma)
        turn = np.array([[self.b, -self.location * self.b], [0.0, -self.b]])
        return np.linalg.inv(turn.T @ -self.peak.hessian @ turn)

    def error_of_quantile(self, z: float) -> float:
        """The standard error of location + z · sigma."""
        way = np.array([1.0, z * self.sigma])
        return float(np.sqrt(way @ self.covariance() @ way))

    def profile(self, y: float, z: float) -> float:
        """The highest log-likelihood with the standardised value of `y` held at `z`."""
        line = np.array([[y], [1.0]])
        start, base = self.b, np.array([-z, 0.0])
        # far from the peak the fitted slope may leave no likelihood at all
        heights = [log_likelihood(self.rows, self.family, base + line[:, 0] * start)[0]]
        for _ in range(30):
            height = log_likelihood(self.rows, self.family, base + line[:, 0] * start / 2)[0]
            if height <= heights[-1] and np.isfinite(heights[-1]):
                break
            start, heights = start / 2, [*heights, height]
        return climb(self.rows, self.family, np.array([start]), base, line).log_likelihood

    def at_b(self, b: float, a: float | None = None) -> Peak:
        """The peak with 1/sigma held at b, climbed from a guess of a."""
        flat = np.array([[1.0], [0.0]])
        start = np.array([self.location * b if a is None else a])
        return climb(self.rows, self.family, start, np.array([0.0, b]), flat)

    def limits(
        self,
        profile: Callable[[float], float],
        at: float,
        step: float,
        reach: float,
        confidence: float,
        side: Side,
    ) -> tuple[float, float]:
        """Where a profile that is highest `at` has fallen by half a chi-square quantile.

        `step`: a first guess of the distance, taken as `reach` where it is beyond ten of those.
        -inf or inf where the profile never falls so far, and where `side` asks for no limit.
        """
        from scipy.special import ndtri

        below, above = tails(confidence, side)
        step = step if 0 < step < 10 * reach else reach
        found = []
        for tail, way in ((below, -1), (above, 1)):
            if tail >= 0.5:
                raise ValueError(f"confidence must be above 0.5 for one side: {confidence}")
            cut = self.peak.log_likelihood - float(ndtri(tail)) ** 2 / 2 if tail else -math.inf
            found.append(fallen(profile, at, way * step, cut))
        return found[0], found[1]

    def quantile_limits(self, share: float, confidence: float, side: Side) -> tuple[float, float]:
        """Of the y below which the share lies; ±inf where the data set no limit."""
        z = standard_quantile(self.family, share)
        return self.limits(
            lambda y: self.profile(y, z),
            self.quantile(share),
            self.error_of_quantile(z),
            self.reach,
            confidence,
            side,
        )

    def survival_limits(self, y: float, confidence: float, side: Side) -> tuple[float, float]:
        """Of the share above y."""
        z = self.b * (y - self.location)
        step = self.b * self.error_of_quantile(z)
        low, high = self.limits(
            lambda z: self.profile(y, z), z, step, 1.0, confidence, turned(side)
        )
        return standard_survival(self.family, high), standard_survival(self.family, low)

    def sigma_limits(self, confidence: float, side: Side) -> tuple[float, float]:
        """Of sigma; 0 and inf where the data set no limit."""
        low, high = self.limits(
            lambda log_sigma: self.at_b(_exp(-log_sigma)).log_likelihood,
            math.log(self.sigma),
            float(np.sqrt(self.covariance()[1, 1])),
            1.0,
            confidence,
            side,
        )
        return _exp(low) if low > -math.inf else 0.0, _exp(high) if high < math.inf else math.inf


def fit(rows: Sample, family: Family) -> Fit:
    """The maximum likelihood fit of one group."""
    peak = highest(rows, family)
    return Fit(rows, family, peak, not rows.separated and float(peak.at[-1]) > LEAST_B)


def standard_quantile(family: Family, share: float) -> float:
    """z below which the share of a standard value lies."""
    from scipy.special import ndtri

    if family == "normal":
        return float(ndtri(share))
    return math.log(-math.log1p(-share))


def standard_survival(family: Family, z: float) -> float:
    """The share of standard values above z."""
    from scipy.special import ndtr

    return float(ndtr(-z)) if family == "normal" else math.exp(-math.exp(min(z, 700.0)))


def fallen(profile: Callable[[float], float], at: float, step: float, cut: float) -> float:
    """Where the profile reaches `cut`, from `at` in the direction of `step`; ±inf if nowhere."""
    from scipy.optimize import brentq

    def excess(value: float) -> float:
        return max(profile(value), -1e9) - cut

    if cut == -math.inf:
        return math.copysign(math.inf, step)
    inner, outer = at, at + step
    if excess(at) <= 0:
        return at  # a peak as narrow as rounding
    for _ in range(_MOST_DOUBLINGS):
        if excess(outer) < 0:
            return float(brentq(excess, inner, outer, xtol=1e-12 * max(1.0, abs(at)), rtol=1e-12))
        step *= 2
        inner, outer = outer, outer + step
    return math.copysign(math.inf, step)


def _exp(value: float) -> float:
    """e to the value, kept to what its square can be divided by."""
    return math.exp(min(max(value, -300.0), 300.0))
