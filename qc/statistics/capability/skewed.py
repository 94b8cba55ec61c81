"""Capability of skewed characteristics by percentiles, such as run-out, which is bounded at zero.

The distance from the median to the 99.865 % point takes the place of three sigmas above, that from
the 0.135 % point to the median of three sigmas below; for a normal characteristic the indices are
the usual ones. `percentile_indices` takes the three points, `skewed_capability` fits a
distribution to readings and adds confidence limits. The share of parts behind an index is the
usual one only at 1: at other values read `fallout`.

A run-out made of eccentricity alone in two directions of equal normal spread is Rayleigh; form
errors of many small causes are nearer to a lognormal or Weibull distribution.

References: [1] ISO 22514-2, "Process capability and performance of time-dependent process models",
and ISO 22514-4. [2] Weerahandi, S. (1993), "Generalized confidence intervals", Journal of the
American Statistical Association 88:899-905. [3] Thoman, Bain & Antle (1969), "Inferences on the
parameters of the Weibull distribution", Technometrics 11:445-460 (pivots of the fit).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, row, share
from qc.statistics.capability.capability import Fallout
from qc.statistics.limits import Interval

Family = Literal["lognormal", "weibull", "rayleigh"]

# Φ(-3) and its complement, as the standard's 0.135 % and 99.865 %
_LOW, _MEDIAN, _HIGH = 0.0013498980316301, 0.5, 0.9986501019683699


class PercentileIndices(NamedTuple):
    """Indices by percentiles; NaN where a limit is missing, `ppk` the smaller of the others."""

    pp: float
    ppl: float
    ppu: float
    ppk: float


@dataclass(frozen=True, slots=True, eq=False)
class SkewedCapability:
    """A fitted distribution held against limits.

    `location`, `scale` belong to the logarithm of the readings: log scale and 1/shape of a Weibull
    distribution, mean and standard deviation (n - 1) of the logarithms of a lognormal one, log
    scale and 1/2 of a Rayleigh one.
    """

    values: Floats
    family: Family
    location: float
    scale: float
    lower: float | None
    upper: float | None

    def percentile(self, p: float) -> float:
        """The value below which this share of the fitted distribution lies."""
        return math.exp(self.location + self.scale * _standard(self.family, share("p", p)))

    def indices(self) -> PercentileIndices:
        """Indices of the fitted distribution."""
        points = (self.percentile(p) for p in (_LOW, _MEDIAN, _HIGH))
        return percentile_indices(*points, lower=self.lower, upper=self.upper)

    def fallout(self) -> Fallout:
        """Expected parts per million outside the limits, by the fitted distribution."""
        below = above = 0.0
        if self.lower is not None and self.lower > 0:
            below = 1e6 * _below(self.family, (math.log(self.lower) - self.location) / self.scale)
        if self.upper is not None:
            above = 1e6 * _above(self.family, (math.log(self.upper) - self.location) / self.scale)
        return Fallout(below, above, below + above)

    def ppk_interval(
        self, confidence: float = 0.95, *, draws: int = 10_000, seed: int = 0
    ) -> Interval:
        """Two-sided generalized confidence interval of Ppk [2], the same for the same seed.

        How a fit to readings of a standard distribution errs does not depend on the true
        parameters [3]; `draws` such fits are turned round this one. For a lognormal, Weibull or
        Rayleigh distribution it covers as promised at any n (tests/bench/capability_bench.py).
        """
        tail = (1 - share("confidence", confidence)) / 2
        low, high = np.quantile(self._drawn_ppk(draws, seed), [tail, 1 - tail]).tolist()
        return Interval(low, high)

    def ppk_lower_bound(
        self, confidence: float = 0.95, *, draws: int = 10_000, seed: int = 0
    ) -> float:
        """One-sided lower confidence bound of Ppk; see `ppk_interval`."""
        share("confidence", confidence)
        return float(np.quantile(self._drawn_ppk(draws, seed), 1 - confidence))

    def _drawn_ppk(self, draws: int, seed: int) -> Floats:
        rng = np.random.default_rng(seed)
        location, scale = _FITS_OF_STANDARD[self.family](self.values.size, draws, rng)
        scales = self.scale / scale
        low, median, high = (
            np.exp(self.location - location * scales + scales * _standard(self.family, p))
            for p in (_LOW, _MEDIAN, _HIGH)
        )
        upper = math.inf if self.upper is None else self.upper
        lower = -math.inf if self.lower is None else self.lower
        sides = (upper - median) / (high - median), (median - lower) / (median - low)
        return np.asarray(np.minimum(*sides), dtype=float)


def percentile_indices(
    low: float,
    median: float,
    high: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
) -> PercentileIndices:
    """Pp = (upper - lower)/(high - low), Ppu = (upper - median)/(high - median), Ppl likewise [1].

    `low`, `median`, `high`: the 0.135 %, 50 % and 99.865 % points, each above the one before, in
    the limits' unit. ValueError for other points or no limit.

    >>> round(percentile_indices(0.02, 0.15, 0.45, upper=0.5).ppk, 4)
    1.1667
    """
    if not low < median < high:
        raise ValueError(f"low, median and high must rise: {low}, {median}, {high}")
    _check_limits(lower, upper)
    pp = math.nan if lower is None or upper is None else (upper - lower) / (high - low)
    ppl = math.nan if lower is None else (median - lower) / (median - low)
    ppu = math.nan if upper is None else (upper - median) / (high - median)
    return PercentileIndices(pp, ppl, ppu, min(x for x in (ppl, ppu) if not math.isnan(x)))


def skewed_capability(
    values: ArrayLike,
    *,
    family: Family,
    lower: float | None = None,
    upper: float | None = None,
) -> SkewedCapability:
    """Fit a distribution to readings and hold it against the limits.

    `values`: shape (n,), at least 3, above 0 and not all equal (Rayleigh: not negative, not all
    0). `family`: lognormal, weibull (both parameters by greatest likelihood) or rayleigh.
    An `upper` limit must be above 0. ValueError for anything else.

    >>> runout_mm = [0.11, 0.19, 0.08, 0.25, 0.14, 0.17, 0.31, 0.12, 0.22, 0.16]
    >>> found = skewed_capability(runout_mm, family="rayleigh", upper=0.5)
    >>> round(found.indices().ppk, 3), round(found.fallout().above_ppm)
    (1.059, 792)
    """
    series = row("values", values, 3)
    _check_limits(lower, upper)
    if upper is not None and upper <= 0:
        raise ValueError(f"upper must be above 0 for values bounded at zero: {upper}")
    if family == "rayleigh":
        if series.min() < 0 or series.max() == 0:
            raise ValueError(f"values must be at least 0 and not all 0: got {series.min()}")
        location = math.log(float(np.mean(series**2))) / 2
        return SkewedCapability(series, family, location, 0.5, lower, upper)
    if family not in ("lognormal", "weibull"):
        raise ValueError(f"family must be lognormal, weibull or rayleigh: {family}")
    if series.min() <= 0 or series.min() == series.max():
        raise ValueError(f"values must be above 0 and differ: got {series.min()}")
    logs = np.log(series)
    if family == "lognormal":
        fit = float(logs.mean()), float(logs.std(ddof=1))
    else:
        locations, scales = _extreme_value_fits(logs[None, :])
        fit = float(locations[0]), float(scales[0])
    return SkewedCapability(series, family, *fit, lower, upper)


def _check_limits(lower: float | None, upper: float | None) -> None:
    if lower is None and upper is None:
        raise ValueError("lower or upper must be given: got neither")
    if lower is not None and upper is not None and not lower < upper:
        raise ValueError(f"lower must be below upper: {lower} and {upper}")


def _standard(family: Family, p: float) -> float:
    """The percentile of the standardised logarithm."""
    from scipy.special import ndtri

    return float(ndtri(p)) if family == "lognormal" else math.log(-math.log1p(-p))


def _below(family: Family, z: float) -> float:
    if family == "lognormal":
        return math.erfc(-z / math.sqrt(2)) / 2
    return -math.expm1(-math.exp(z))


def _above(family: Family, z: float) -> float:
    return math.erfc(z / math.sqrt(2)) / 2 if family == "lognormal" else math.exp(-math.exp(z))


def _normal_fits(n: int, draws: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    scale = np.sqrt(rng.chisquare(n - 1, draws) / (n - 1))
    return rng.standard_normal(draws) / math.sqrt(n), scale


def _weibull_fits(n: int, draws: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    fits = [
        _extreme_value_fits(np.log(rng.standard_exponential((min(1000, draws - start), n))))
        for start in range(0, draws, 1000)
    ]
    location, scale = zip(*fits, strict=True)
    return np.concatenate(location), np.concatenate(scale)


def _rayleigh_fits(n: int, draws: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """The mean square is χ² with 2n degrees of freedom; the scale is known."""
    return np.log(rng.chisquare(2 * n, draws) / (2 * n)), np.ones(draws)


_FITS_OF_STANDARD: dict[
    Family, Callable[[int, int, np.random.Generator], tuple[Floats, Floats]]
] = {"lognormal": _normal_fits, "weibull": _weibull_fits, "rayleigh": _rayleigh_fits}


def _extreme_value_fits(logs: Floats) -> tuple[Floats, Floats]:
    """Greatest-likelihood location and scale of the smallest-extreme-value law, row by row.

    Newton's steps for the shape k = 1/scale: Σ y e^(ky)/Σ e^(ky) - 1/k - ȳ = 0, which rises in k.
    """
    away = logs - logs.max(axis=1, keepdims=True)
    mean = away.mean(axis=1)
    shape = math.pi / math.sqrt(6) / np.maximum(away.std(axis=1), 1e-300)
    for _ in range(50):
        power = np.exp(shape[:, None] * away)
        total = power.sum(axis=1)
        first = (power * away).sum(axis=1) / total
        second = (power * away**2).sum(axis=1) / total
        step = (first - 1 / shape - mean) / (second - first**2 + 1 / shape**2)
        # never by more than half, so that the shape stays above 0
        shape = np.maximum(shape - step, shape / 2)
        if np.all(np.abs(step) <= 1e-13 * shape):
            break
    location = np.log(np.exp(shape[:, None] * away).mean(axis=1)) / shape
    return location + logs.max(axis=1), 1 / shape
