"""Maximum likelihood for a location-scale family with censored values of every kind.

y = location + sigma · z, with z standard normal or standard smallest extreme value (the logarithm
of a Weibull value). In the parameters a = location/sigma and b = 1/sigma, where z = b·y - a, the
log-likelihood is concave for both families and all kinds of censoring (Burridge 1981, J. R. Stat.
Soc. B 43:41-45), so that a Newton climb from anywhere reaches the one maximum, and so does every
profile, each being the climb along a line of that plane. `life_fit`, `two_batches` and `staircase`
stand on it.

References: Lawless (2003), "Statistical Models and Methods for Lifetime Data", 2nd ed., chapters 4
and 5; Meeker & Escobar (1998), "Statistical Methods for Reliability Data", chapter 8 (likelihood
ratio limits).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.censoring import Floats

Family = Literal["normal", "smallest-extreme-value"]

_MOST_STEPS = 200
# of a scale 1/b relative to the spread of the ends: beyond it the spread counts as unbounded
_LEAST_B = 1e-7


class Sample(NamedTuple):
    """Rows y in (lower, upper], ends ±inf where open, exact where equal; `counts` parts each.

    `group`: 0, 1, … where groups have locations of their own.
    """

    lower: Floats
    upper: Floats
    counts: Floats
    group: NDArray[np.intp]

    @property
    def exact(self) -> NDArray[np.bool_]:
        return self.lower == self.upper

    @property
    def separated(self) -> bool:
        """Whether one value lies in every row's interval: then nothing speaks of a spread."""
        return bool(self.lower.max() <= self.upper.min())


class Peak(NamedTuple):
    """The highest log-likelihood found, where (a per group, then b), and the curvature there."""

    log_likelihood: float
    at: Floats
    hessian: Floats


def sample(lower: Floats, upper: Floats, counts: Floats, group: object = 0) -> Sample:
    """A sample with one group unless `group` numbers each row's."""
    groups = np.broadcast_to(np.asarray(group, dtype=np.intp), lower.shape)
    return Sample(lower, upper, counts, groups)


def climb(rows: Sample, family: Family, start: Floats, base: Floats, along: Floats) -> Peak:
    """The highest log-likelihood over θ = base + along @ φ from φ = `start`, with b > 0.

    θ holds a per group and b last; `along` has shape (θ, φ). Halved Newton steps; the answer is
    the supremum to rounding where it is only approached at infinity.
    """
    phi = start.copy()
    value, slope, bend = _log_likelihood(rows, family, base + along @ phi)
    for _ in range(_MOST_STEPS):
        g, h = along.T @ slope, along.T @ bend @ along
        ridge = 1e-13 * max(float(-np.trace(h)), 1e-300)
        step = np.linalg.solve(h - ridge * np.eye(len(phi)), -g)
        # never across b = 0
        b, db = float((base + along @ phi)[-1]), float((along @ step)[-1])
        length = min(1.0, 0.9 * b / -db) if db < 0 else 1.0
        gain = float(g @ step)
        if gain <= 1e-13 * (1 + abs(value)) or b < _LEAST_B:
            # one full step more costs nothing and doubles the digits
            last = _log_likelihood(rows, family, base + along @ (phi + length * step))
            if last[0] >= value:
                phi, (value, slope, bend) = phi + length * step, last
            break
        for _ in range(60):
            tried = _log_likelihood(rows, family, base + along @ (phi + length * step))
            if tried[0] >= value + 1e-4 * length * gain:
                break
            length /= 2
        else:
            break
        phi, (value, slope, bend) = phi + length * step, tried
    return Peak(value, base + along @ phi, bend)


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
        heights = [_log_likelihood(self.rows, self.family, base + line[:, 0] * start)[0]]
        for _ in range(30):
            height = _log_likelihood(self.rows, self.family, base + line[:, 0] * start / 2)[0]
            if height <= heights[-1] and np.isfinite(heights[-1]):
                break
            start, heights = start / 2, [*heights, height]
        return climb(self.rows, self.family, np.array([start]), base, line).log_likelihood

    def profile_b(self, b: float) -> float:
        """The highest log-likelihood with 1/sigma held at b."""
        start = np.array([self.location * b])
        flat = np.array([[1.0], [0.0]])
        return climb(self.rows, self.family, start, np.array([0.0, b]), flat).log_likelihood

    def limit(
        self, profile: Callable[[float], float], at: float, step: float, chi2: float, end: float
    ) -> float:
        """Where a profile has fallen by half of `chi2`, going from its top `at` by `step`.

        `end` where it has not fallen that far by then.
        """
        from scipy.optimize import brentq

        def excess(value: float) -> float:
            return profile(value) - (self.peak.log_likelihood - chi2 / 2)

        inner, outer = at, at + step
        while (outer < end if step > 0 else outer > end) and excess(outer) > 0:
            inner, step = outer, 2 * step
            outer += step
        if not (outer < end if step > 0 else outer > end):
            if excess(end) > 0 or math.isinf(end):
                return end
            outer = end
        return float(brentq(excess, inner, outer, xtol=1e-11 * max(1.0, abs(outer)), rtol=1e-12))


def fit(rows: Sample, family: Family) -> Fit:
    """The maximum likelihood fit of one group."""
    peak = highest(rows, family)
    return Fit(rows, family, peak, not rows.separated and float(peak.at[-1]) > _LEAST_B)


def highest(rows: Sample, family: Family) -> Peak:
    """The peak with a location per group and one sigma, from a start that suits any data.

    A group without failures has no finite location, its part of the likelihood being at most 1:
    it is climbed towards. Values far from 0 or closely packed are shifted and scaled first.
    """
    groups = int(rows.group.max()) + 1
    ends = np.concatenate([rows.lower, rows.upper])
    ends = ends[np.isfinite(ends)]
    middle = float(np.median(ends)) if ends.size else 0.0
    spread = float(ends.std()) if ends.size else 0.0
    spread = spread if spread > 0 else 1.0
    moved = rows._replace(lower=(rows.lower - middle) / spread, upper=(rows.upper - middle) / spread)
    start = np.append(np.zeros(groups), 1.0)
    peak = climb(moved, family, start, np.zeros(groups + 1), np.eye(groups + 1))
    # back to y: a = a' + b·middle with b = b'/spread
    back = np.eye(groups + 1)
    back[:, -1] = np.append(np.full(groups, middle), 1.0) / spread
    at = back @ peak.at
    exact = float(rows.counts[rows.exact].sum())
    _, _, hessian = _log_likelihood(rows, family, at)
    return Peak(peak.log_likelihood - exact * math.log(spread), at, hessian)


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


def _log_likelihood(rows: Sample, family: Family, theta: Floats) -> tuple[float, Floats, Floats]:
    """Value, gradient and Hessian over θ = (a per group, b)."""
    a, b = theta[rows.group], float(theta[-1])
    with np.errstate(all="ignore"):
        value, g_a, g_b, h_aa, h_ab, h_bb = _rows(rows, family, a, b)
    total = float(rows.counts @ value)
    size = len(theta)
    if not math.isfinite(total):
        return -math.inf, np.zeros(size), -np.eye(size)
    gradient, hessian = np.zeros(size), np.zeros((size, size))

    def by_group(x: Floats) -> Floats:
        return np.bincount(rows.group, weights=rows.counts * x, minlength=size - 1)

    gradient[:-1], gradient[-1] = by_group(g_a), rows.counts @ g_b
    hessian[:-1, :-1] = np.diag(by_group(h_aa))
    hessian[:-1, -1] = hessian[-1, :-1] = by_group(h_ab)
    hessian[-1, -1] = rows.counts @ h_bb
    return total, gradient, hessian


def _rows(rows: Sample, family: Family, a: Floats, b: float) -> tuple[Floats, ...]:
    """Per row: log-likelihood, and its first and second derivatives by a and b."""
    exact = rows.exact
    closed_l, closed_u = np.isfinite(rows.lower), np.isfinite(rows.upper)
    y_l, y_u = np.where(closed_l, rows.lower, 0.0), np.where(closed_u, rows.upper, 0.0)
    z_l = np.where(closed_l, b * y_l - a, -np.inf)
    z_u = np.where(closed_u, b * y_u - a, np.inf)
    log_share = _log_between(family, z_l, z_u)
    # densities at the ends over the share between them, and their logarithmic slopes
    r_l, k_l = _end(family, z_l, closed_l, log_share)
    r_u, k_u = _end(family, z_u, closed_u, log_share)
    g_a, g_b = r_l - r_u, r_u * y_u - r_l * y_l
    h_aa = r_u * k_u - r_l * k_l - g_a**2
    h_ab = -r_u * k_u * y_u + r_l * k_l * y_l - g_a * g_b
    h_bb = r_u * k_u * y_u**2 - r_l * k_l * y_l**2 - g_b**2
    log_f, k, bend = _density(family, np.where(exact, z_l, 0.0))
    return (
        np.where(exact, math.log(b) + log_f, log_share),
        np.where(exact, -k, g_a),
        np.where(exact, 1 / b + k * y_l, g_b),
        np.where(exact, bend, h_aa),
        np.where(exact, -bend * y_l, h_ab),
        np.where(exact, bend * y_l**2 - 1 / b**2, h_bb),
    )


def _end(
    family: Family, z: Floats, closed: NDArray[np.bool_], log_share: Floats
) -> tuple[Floats, Floats]:
    log_f, slope, _ = _density(family, np.where(closed, z, 0.0))
    ratio = np.where(closed, np.exp(log_f - log_share), 0.0)
    # an end out where the density has vanished weighs nothing
    return ratio, np.where(ratio > 0, slope, 0.0)


def _density(family: Family, z: Floats) -> tuple[Floats, Floats, Floats]:
    """log f, (log f)' and (log f)''."""
    if family == "normal":
        return -(z**2) / 2 - math.log(2 * math.pi) / 2, -z, np.full_like(z, -1.0)
    grown = np.exp(np.minimum(z, 700.0))
    return z - grown, 1 - grown, -grown


def _log_between(family: Family, low: Floats, high: Floats) -> Floats:
    """log of the share between two standard values, exact in both tails."""
    if family == "normal":
        from scipy.special import log_ndtr

        # in the lower tail, where differences keep their digits
        flip = low > 0
        low, high = np.where(flip, -high, low), np.where(flip, -low, high)
        top, bottom = log_ndtr(high), log_ndtr(low)
        return np.asarray(top + np.log(-np.expm1(bottom - top)))
    first, last = np.exp(np.minimum(low, 700.0)), np.exp(np.minimum(high, 700.0))
    last = np.where(np.isposinf(high), np.inf, last)
    return np.asarray(-first + np.log(-np.expm1(first - last)))
