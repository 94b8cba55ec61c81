"""Tolerance bounds and intervals from ordered values, whatever their distribution.

At least a share `coverage` of all parts lies beyond the r-th smallest of n values with the
confidence P(X ≥ r), X ~ Bin(n, 1 - coverage); between the r-th smallest and the s-th largest with
P(X ≥ r + s). Exact for continuous values, on the safe side with ties. `distribution_free` has the
sample sizes and ranks, this module the bounds themselves.

References:

1. Wilks (1941), Annals of Mathematical Statistics 12:91-96; (1942) 13:400-409.
2. Meeker, Hahn & Escobar (2017), "Statistical Intervals", 2nd ed., chapter 5.
3. MIL-HDBK-17-1F, 8.3.4.5 (nonparametric basis values; clause number from memory).
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import row
from qc.statistics.bounds.distribution_free import distribution_free_rank


@dataclass(frozen=True, slots=True)
class OrderBounds:
    """`lower` and `upper` in the unit of the values, infinite where there is none.

    They are the `lower_rank`-th smallest and the `upper_rank`-th largest of `n` values (0: none);
    `achieved` is the confidence they have, at least the one asked for unless both ranks are 0,
    when the values are too few for any bound and it is 1.
    """

    n: int
    coverage: float
    confidence: float
    lower: float
    upper: float
    lower_rank: int
    upper_rank: int
    achieved: float


def distribution_free_bound(
    values: ArrayLike,
    *,
    side: Literal["lower", "upper"],
    coverage: float,
    confidence: float = 0.95,
) -> OrderBounds:
    """A bound that `coverage` of all parts lie above ("lower") or below ("upper") [1, 2].

    The tightest ordered value that has the confidence; the other side is infinite. Also the
    confidence bound for a percentile, and a B-basis value with 0.90 and 0.95 [3].

    >>> found = distribution_free_bound(range(1, 60), side="lower", coverage=0.95)
    >>> found.lower, found.lower_rank, round(found.achieved, 4)
    (1.0, 1, 0.9515)
    """
    series = np.sort(row("values", values))
    n = series.size
    rank = distribution_free_rank(n=n, coverage=coverage, confidence=confidence) or 0
    chance = _chance(n, coverage, rank)
    if side == "lower":
        bound = float(series[rank - 1]) if rank else -math.inf
        return OrderBounds(n, coverage, confidence, bound, math.inf, rank, 0, chance)
    if side == "upper":
        bound = float(series[n - rank]) if rank else math.inf
        return OrderBounds(n, coverage, confidence, -math.inf, bound, 0, rank, chance)
    raise ValueError(f"side must be lower or upper: {side!r}")


def distribution_free_interval(
    values: ArrayLike, *, coverage: float, confidence: float = 0.95
) -> OrderBounds:
    """Two ordered values between which `coverage` of all parts lie [1, 2].

    As many values as the confidence allows are left outside, shared evenly, the odd one taken
    from the low end. Infinite on both sides where even smallest and largest do not have it.

    >>> found = distribution_free_interval(range(1, 94), coverage=0.95)
    >>> found.lower, found.upper, round(found.achieved, 4)
    (1.0, 93.0, 0.95)
    """
    series = np.sort(row("values", values))
    n = series.size
    outside = distribution_free_rank(n=n, coverage=coverage, confidence=confidence) or 0
    # one bound alone is no interval, and the two ends must not cross
    outside = min(outside, n) if outside >= 2 else 0
    low, high = outside - outside // 2, outside // 2
    return OrderBounds(
        n,
        coverage,
        confidence,
        float(series[low - 1]) if outside else -math.inf,
        float(series[n - high]) if outside else math.inf,
        low,
        high,
        _chance(n, coverage, outside),
    )


def _chance(n: int, coverage: float, outside: int) -> float:
    """P(X ≥ outside) for X ~ Bin(n, 1 - coverage)."""
    from scipy.special import bdtrc

    return float(bdtrc(outside - 1, n, 1 - coverage)) if outside else 1.0
