"""The likelihood of a location-scale family with censored values of every kind, and its peak.

y = location + sigma · z, with z standard normal or standard smallest extreme value (the logarithm
of a Weibull value). In the parameters a = location/sigma and b = 1/sigma, where z = b·y - a, the
log-likelihood is concave for both families and all kinds of censoring (Burridge 1981, J. R. Stat.
Soc. B 43:41-45; Silvapulle & Burridge 1986, J. R. Stat. Soc. B 48:100-106, for when the maximum
exists), so that a Newton climb from anywhere reaches the one peak, and so does every profile,
being a climb along a line of that plane.
"""

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.survival.censoring import Floats

Family = Literal["normal", "smallest-extreme-value"]
Mask = NDArray[np.bool_]

_MOST_STEPS = 200
# of 1/sigma times the spread of the ends: below it survivors do not thin out
LEAST_B = 1e-7
# a log-likelihood so low that its derivatives could overflow
_HOPELESS = -1e100


class Sample(NamedTuple):
    """Rows y in (lower, upper], ends ±inf where open, exact where equal; `counts` parts each.

    `group`: 0, 1, … where groups have locations of their own.
    """

    lower: Floats
    upper: Floats
    counts: Floats
    group: NDArray[np.intp]

    @property
    def exact(self) -> Mask:
        return np.equal(self.lower, self.upper)

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
    value, slope, bend = log_likelihood(rows, family, base + along @ phi)
    for _ in range(_MOST_STEPS):
        g, h = along.T @ slope, along.T @ bend @ along
        ridge = 1e-13 * max(float(-np.trace(h)), 1e-300)
        step = np.linalg.solve(h - ridge * np.eye(len(phi)), -g)
        # never across b = 0
        b, db = float((base + along @ phi)[-1]), float((along @ step)[-1])
        length = min(1.0, 0.9 * b / -db) if db < 0 else 1.0
        gain = float(g @ step)
        if gain <= 1e-13 * (1 + abs(value)) or (db < 0 and b < LEAST_B):
            # one full step more costs nothing and doubles the digits
            last = log_likelihood(rows, family, base + along @ (phi + length * step))
            if last[0] >= value:
                phi, (value, slope, bend) = phi + length * step, last
            break
        for _ in range(60):
            tried = log_likelihood(rows, family, base + along @ (phi + length * step))
            if tried[0] >= value + 1e-4 * length * gain:
                break
            length /= 2
        else:
            break
        risen = tried[0] - value
        phi, (value, slope, bend) = phi + length * step, tried
        if length < 1e-3 and risen <= 1e-13 * (1 + abs(value)):
            break  # rounding
    return Peak(value, base + along @ phi, bend)


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
    moved = rows._replace(
        lower=(rows.lower - middle) / spread, upper=(rows.upper - middle) / spread
    )
    start = np.append(np.zeros(groups), 1.0)
    peak = climb(moved, family, start, np.zeros(groups + 1), np.eye(groups + 1))
    if peak.at[-1] < LEAST_B:
        # survivors do not thin out: the locations alone, the slope held at its end
        held = np.append(np.zeros(groups), peak.at[-1])
        peak = climb(moved, family, peak.at[:-1], held, np.eye(groups + 1)[:, :-1])
    # back to y: a = a' + b·middle with b = b'/spread
    back = np.eye(groups + 1)
    back[:, -1] = np.append(np.full(groups, middle), 1.0) / spread
    at = back @ peak.at
    exact = float(rows.counts[rows.exact].sum())
    _, _, hessian = log_likelihood(rows, family, at)
    return Peak(peak.log_likelihood - exact * math.log(spread), at, hessian)


def grid_log_likelihood(rows: Sample, family: Family, a: Floats, b: Floats) -> Floats:
    """Log-likelihoods of one group over arrays of a and b that broadcast against each other."""
    exact = rows.exact
    a, b = a[..., None], b[..., None]
    with np.errstate(all="ignore"):
        # an open end stays open for every b above 0
        low, high = b * rows.lower[~exact] - a, b * rows.upper[~exact] - a
        width = b * (rows.upper - rows.lower)[~exact]
        between = _log_between(family, low, high, width) @ rows.counts[~exact]
        log_f, _, _ = density(family, b * rows.lower[exact] - a)
        return np.asarray(between + (np.log(b) + log_f) @ rows.counts[exact])


def log_likelihood(rows: Sample, family: Family, theta: Floats) -> tuple[float, Floats, Floats]:
    """Value, gradient and Hessian over θ = (a per group, b)."""
    a, b = theta[rows.group], float(theta[-1])
    with np.errstate(all="ignore"):
        value, g_a, g_b, h_aa, h_ab, h_bb = _rows(rows, family, a, b)
    total = float(rows.counts @ value)
    size = len(theta)
    if not _HOPELESS < total < math.inf:
        return -math.inf, np.zeros(size), -np.eye(size)
    gradient, hessian = np.zeros(size), np.zeros((size, size))

    def by_group(x: Floats) -> Floats:
        return np.bincount(rows.group, rows.counts * x, size - 1).astype(float)

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
    log_share = _log_between(family, z_l, z_u, b * (rows.upper - rows.lower))
    # densities at the ends over the share between them, and their logarithmic slopes
    r_l, k_l = _end(family, z_l, closed_l, log_share)
    r_u, k_u = _end(family, z_u, closed_u, log_share)
    g_a, g_b = r_l - r_u, r_u * y_u - r_l * y_l
    h_aa = r_u * k_u - r_l * k_l - g_a**2
    h_ab = -r_u * k_u * y_u + r_l * k_l * y_l - g_a * g_b
    h_bb = r_u * k_u * y_u**2 - r_l * k_l * y_l**2 - g_b**2
    log_f, k, bend = density(family, np.where(exact, z_l, 0.0))
    return (
        np.where(exact, math.log(b) + log_f, log_share),
        np.where(exact, -k, g_a),
        np.where(exact, 1 / b + k * y_l, g_b),
        np.where(exact, bend, h_aa),
        np.where(exact, -bend * y_l, h_ab),
        np.where(exact, bend * y_l**2 - 1 / b**2, h_bb),
    )


def _end(family: Family, z: Floats, closed: Mask, log_share: Floats) -> tuple[Floats, Floats]:
    log_f, slope, _ = density(family, np.where(closed, z, 0.0))
    ratio = np.where(closed, np.exp(log_f - log_share), 0.0)
    # an end out where the density has vanished weighs nothing
    return ratio, np.where(ratio > 0, slope, 0.0)


def density(family: Family, z: Floats) -> tuple[Floats, Floats, Floats]:
    """log f, (log f)' and (log f)''."""
    if family == "normal":
        return -(z**2) / 2 - math.log(2 * math.pi) / 2, -z, np.full_like(z, -1.0)
    grown = np.exp(np.minimum(z, 700.0))
    return z - grown, 1 - grown, -grown


def _log_between(family: Family, low: Floats, high: Floats, width: Floats) -> Floats:
    """log of the share between two standard values `width` apart, exact in tails and when close."""
    if family == "normal":
        from scipy.special import log_ndtr

        # in the lower tail, where differences keep their digits
        flip = low > 0
        low, high = np.where(flip, -high, low), np.where(flip, -low, high)
        top, bottom = log_ndtr(high), log_ndtr(low)
        wide = top + np.log(-np.expm1(bottom - top))
        middle = low + width / 2
        log_f, _, _ = density(family, middle)
        narrow = log_f + np.log(width) + np.log1p((middle**2 - 1) * width**2 / 24)
        return np.where(width < 1e-3, narrow, wide)
    first = np.exp(np.minimum(low, 700.0))
    # from width, since close values lose their digits in a difference
    gap = np.where(np.isneginf(low), np.exp(np.minimum(high, 700.0)), first * np.expm1(width))
    gap = np.where(np.isposinf(high), np.inf, gap)
    return np.asarray(-first + np.log(-np.expm1(-gap)))
