"""Limits that hold their confidence in small samples of a location-scale family.

Given how the values lie relative to each other, (estimate - location)/sigma has a distribution
that the sample itself determines; integrating the likelihood over location and log sigma gives it.
For complete samples and those ended at a failure the limits are exact (Fisher's fiducial limits,
Lawless's conditional ones; for the normal they are the noncentral t limits). For other censoring
they are close, mostly on the safe side: tests/bench/survival_coverage.py prints it beside the
likelihood ratio, which falls short with fewer than some 20 failures.

The integral converges with two failures known from both sides and a spread that is not open.

References: Lawless (2003), "Statistical Models and Methods for Lifetime Data", 2nd ed., section
5.1.2 and appendix E; Lawless (1978), Technometrics 20:355-364.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from qc.statistics.limits import Side, tails
from qc.statistics.survival.censoring import Floats
from qc.statistics.survival.likelihood import Peak, grid_log_likelihood
from qc.statistics.survival.location_scale import Fit, fallen, standard_quantile, standard_survival

# log-likelihood left out at the edges of the grid, and the grid's size
_DEPTH = 32.0
_ROWS, _COLUMNS = 96, 193
# rows whose peak is climbed to; between them it lies on a smooth ridge
_EVERY = 8


def proper(fit: Fit) -> bool:
    """Whether the data allow conditional limits at all."""
    rows = fit.rows
    bracketed = np.isfinite(rows.lower) & np.isfinite(rows.upper)
    return fit.estimable and float(rows.counts[bracketed].sum()) >= 2


@dataclass(frozen=True, slots=True, eq=False)
class Conditional:
    """The likelihood over a = location/sigma (columns) at values of b = 1/sigma (rows).

    `mass` is the integral up to each column, `density` its derivative, both with the measure of
    location and log sigma and a total of 1.
    """

    fit: Fit
    b: Floats
    first: Floats
    step: Floats
    density: Floats
    mass: Floats

    def below(self, y: float, z: float) -> float:
        """The probability of location + z · sigma ≤ y."""
        with np.errstate(invalid="ignore"):
            place = (self.b * y - z - self.first) / self.step
        last = self.mass.shape[1] - 1
        column = np.clip(np.floor(place), 0, last - 1).astype(int)
        t = np.clip(place - column, 0.0, 1.0)
        at = np.arange(self.b.size), column
        right = at[0], column + 1
        # cubic through values and slopes
        return float(
            np.sum(
                self.mass[at] * (1 + 2 * t) * (1 - t) ** 2
                + self.mass[right] * t**2 * (3 - 2 * t)
                + self.step * t * (1 - t) * (self.density[at] * (1 - t) - self.density[right] * t)
            )
        )

    def quantile_limits(self, share: float, confidence: float, side: Side) -> tuple[float, float]:
        """Of the y below which the share lies."""
        z = standard_quantile(self.fit.family, share)
        guess, step = self.fit.quantile(share), self.fit.error_of_quantile(z)
        lower, upper = tails(confidence, side)
        low = _solved(lambda y: self.below(y, z) - lower, guess, step) if lower else -math.inf
        high = _solved(lambda y: self.below(y, z) - 1 + upper, guess, step) if upper else math.inf
        return low, high

    def survival_limits(self, y: float, confidence: float, side: Side) -> tuple[float, float]:
        """Of the share above y."""
        guess = self.fit.b * (y - self.fit.location)
        step = self.fit.b * self.fit.error_of_quantile(guess)
        lower, upper = tails(confidence, side)
        # a high z goes with few survivors
        high = _solved(lambda z: lower - self.below(y, z), guess, step) if lower else math.inf
        low = _solved(lambda z: 1 - upper - self.below(y, z), guess, step) if upper else -math.inf
        family = self.fit.family
        return standard_survival(family, high), standard_survival(family, low)


@lru_cache(maxsize=4)
def conditional(fit: Fit) -> Conditional:
    """The integrated likelihood of a fit that is `proper`; ValueError for one that is not."""
    from scipy.integrate import cumulative_simpson

    if not proper(fit):
        raise ValueError("conditional limits need 2 failures known from both sides and a spread")
    cut = fit.peak.log_likelihood - _DEPTH
    width = float(np.sqrt(fit.covariance()[1, 1]))
    ends = [
        fallen(lambda w: fit.at_b(math.exp(w)).log_likelihood, math.log(fit.b), way * width, cut)
        for way in (-1, 1)
    ]
    b = np.exp(np.linspace(ends[0], ends[1], _ROWS))
    gap = (ends[1] - ends[0]) / (_ROWS - 1)
    climbed = np.append(b[:-1:_EVERY], b[-1])
    ridge = _ridge(fit, climbed)
    top = np.interp(b, climbed, [peak.at[0] for peak in ridge])
    # widths that reach down to the cut, found on a ladder; then a grid between
    reach = np.interp(b, climbed, [(-peak.hessian[0, 0]) ** -0.5 for peak in ridge])
    rungs = 2.0 ** np.arange(0, 12, 0.5)
    edges = []
    for way in (-1, 1):
        tried = top[:, None] + way * reach[:, None] * rungs
        deep = grid_log_likelihood(fit.rows, fit.family, tried, b[:, None]) < cut
        rung = np.where(deep.any(axis=1), deep.argmax(axis=1), len(rungs) - 1)
        edges.append(tried[np.arange(b.size), rung])
    a = np.linspace(edges[0], edges[1], _COLUMNS, axis=1)
    step = (edges[1] - edges[0]) / (_COLUMNS - 1)
    heights = grid_log_likelihood(fit.rows, fit.family, a, b[:, None])
    # location and log sigma: da/b · d log b, the last by the trapezoid rule
    density = np.exp(heights - fit.peak.log_likelihood) * (gap / b)[:, None]
    mass = step[:, None] * cumulative_simpson(density, axis=1, initial=0)
    total = mass[:, -1].sum()
    return Conditional(fit, b, edges[0], step, density / total, mass / total)


def _ridge(fit: Fit, b: Floats) -> list[Peak]:
    """The peaks at each of b, walked outwards from the fit so that each helps the next."""
    middle = int(np.searchsorted(b, fit.b))
    ridge: dict[int, Peak] = {}
    for way in (range(middle, b.size), range(middle - 1, -1, -1)):
        last = fit.peak
        for row in way:
            slope = -last.hessian[0, 1] / last.hessian[0, 0]
            last = fit.at_b(b[row], float(last.at[0] + slope * (b[row] - last.at[1])))
            ridge[row] = last
    return [ridge[row] for row in range(b.size)]


def _solved(excess: Callable[[float], float], guess: float, step: float) -> float:
    """The root of an increasing function, bracketed from a guess outwards."""
    from scipy.optimize import brentq

    low = high = guess
    while excess(low) > 0 and step < math.inf:
        low, step = low - step, 2 * step
    while excess(high) < 0 and step < math.inf:
        high, step = high + step, 2 * step
    return float(brentq(excess, low, high, xtol=1e-10, rtol=1e-12))
