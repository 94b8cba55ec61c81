"""Confidence limits for sums and differences of mean squares: the modified large-sample method.

A variance component is a linear combination Σ c·S² of independent mean squares, dof·S²/E(S²) being
χ². One mean square with a positive factor has exact χ² limits; for combinations the method keeps
the form of large-sample limits and chooses their constants so that they are exact at the edges,
where only one mean square counts. A ratio of two combinations is bounded by the ratio at which the
limit of (numerator - ratio · denominator) is nought, which is the exact F limit for two mean
squares.

References:

1. Graybill & Wang (1980), J. Am. Stat. Assoc. 75:869-873 (positive combinations).
2. Ting, Burdick, Graybill, Jeyaratnam & Lu (1990), J. Statist. Comput. Simul. 35:135-143
   (differences).
3. Burdick & Graybill (1992), "Confidence Intervals on Variance Components", section 3.3.
4. Burdick, Borror & Montgomery (2003), J. Qual. Technol. 35:342-354 (gauge studies).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from qc.statistics.arguments import Floats, share
from qc.statistics.limits import Interval


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Independent mean squares and their degrees of freedom, one entry each per source."""

    ms: tuple[float, ...]
    dof: tuple[int, ...]

    def value(self, factors: Sequence[float]) -> float:
        """Σ factor · mean square, in the squared unit of the readings."""
        return math.fsum(c * s for c, s in zip(factors, self.ms, strict=True) if c)

    def interval(self, factors: Sequence[float], confidence: float = 0.95) -> Interval:
        """Two-sided limits for Σ factor · E(mean square), the two tails alike [2, 3].

        The lower one may be negative where a factor is.

        >>> squares = MeanSquares(ms=(62.39, 0.9917), dof=(19, 60))
        >>> [round(limit, 2) for limit in squares.interval((1 / 6, -1 / 6))]
        [5.85, 22.01]
        """
        tail = (1 - share("confidence", confidence)) / 2
        terms = np.array(factors, dtype=float) * np.array(self.ms)
        middle = self.value(factors)
        dof = np.array(self.dof, dtype=float)
        below = _spread(terms, dof, tail)
        # the upper limit is the lower one of the combination with all signs turned
        return Interval(middle - below, middle + _spread(-terms, dof, tail))

    def ratio_interval(
        self,
        numerator: Sequence[float],
        denominator: Sequence[float],
        confidence: float = 0.95,
    ) -> Interval:
        """Limits for a ratio of two combinations, the denominator's factors not negative.

        Cut at 0; infinite where every mean square of the denominator is 0.
        """
        if min(denominator) < 0:
            raise ValueError(f"factors of a denominator must not be negative: {denominator}")
        if self.value(denominator) == 0:
            return Interval(math.inf, math.inf)
        return Interval(
            *(self._ratio(numerator, denominator, confidence, limit) for limit in (0, 1))
        )

    def _ratio(
        self, over: Sequence[float], under: Sequence[float], confidence: float, limit: int
    ) -> float:
        from scipy.optimize import brentq

        def excess(ratio: float) -> float:
            factors = [n - ratio * d for n, d in zip(over, under, strict=True)]
            return self.interval(factors, confidence)[limit]

        if excess(0.0) <= 0:
            return 0.0
        upper = 1.0
        while excess(upper) > 0:
            upper *= 4
        return float(brentq(excess, 0.0, upper, xtol=1e-14 * upper, rtol=1e-13))


def _spread(terms: Floats, dof: Floats, tail: float) -> float:
    """How far the lower limit lies below the estimate: √V_L of [2], each term being factor · S²."""
    from scipy.special import chdtri, fdtri

    plus, minus = terms > 0, terms < 0
    n_plus, n_minus = dof[plus], dof[minus]
    a, b = terms[plus], -terms[minus]
    # G for what is added, H for what is taken away; F with infinite dof is χ²/dof
    g = 1 - n_plus / chdtri(n_plus, tail)
    h = n_minus / chdtri(n_minus, 1 - tail) - 1
    total = float(np.sum((g * a) ** 2) + np.sum((h * b) ** 2))
    # for each pair of a positive and a negative term, exact when there are just these two
    f = fdtri(n_plus[:, None], n_minus[None, :], 1 - tail)
    cross = ((f - 1) ** 2 - (g[:, None] * f) ** 2 - h[None, :] ** 2) / f
    total += float(a @ cross @ b) if a.size and b.size else 0.0
    if b.size and a.size > 1:
        total += _among(a, n_plus, g, tail) / (a.size - 1)
    return math.sqrt(max(total, 0.0))


def _among(a: Floats, n: Floats, g: Floats, tail: float) -> float:
    """The terms G* of [2] between positive parts, counted once a pair."""
    from scipy.special import chdtri

    both = n[:, None] + n[None, :]
    star = (1 - both / chdtri(both, tail)) ** 2 * both**2 / np.outer(n, n)
    star -= (g**2 * n)[:, None] / n[None, :] + (g**2 * n)[None, :] / n[:, None]
    return float(np.sum(np.triu(star * np.outer(a, a), 1)))
