"""Tolerance bounds from the extremes of a sample, whatever the distribution.

References:

1. Wilks (1941), Annals of Mathematical Statistics 12:91-96.
2. Meeker, Hahn & Escobar (2017), "Statistical Intervals", 2nd ed., section 5.3.
"""

from qc.statistics import arguments
from qc.statistics.bounds.demonstration import success_run_tests


def distribution_free_sample_size(*, coverage: float, confidence: float, sides: int = 1) -> int:
    """The fewest values whose extremes bound a share `coverage` of all parts with a confidence.

    `sides` 1: the smallest (or the largest) value is the bound, 1 - coverage^n ≥ confidence; the
    same number as a success run. `sides` 2: smallest and largest together,
    1 - n·coverage^(n-1) + (n-1)·coverage^n ≥ confidence [1].

    >>> distribution_free_sample_size(coverage=0.95, confidence=0.95)
    59
    >>> distribution_free_sample_size(coverage=0.95, confidence=0.95, sides=2)
    93
    """
    arguments.share("coverage", coverage)
    if sides == 1:
        return success_run_tests(reliability=coverage, confidence=confidence)
    if sides == 2:
        # coverage of both extremes is beta(n - 1, 2): as if one of n parts may fall outside
        return success_run_tests(reliability=coverage, confidence=confidence, failures=1)
    raise ValueError(f"sides must be 1 or 2: {sides}")


def distribution_free_rank(*, n: int, coverage: float, confidence: float) -> int | None:
    """The rank r (1: smallest) of the ordered value that `coverage` of all parts exceed.

    The largest r with P(X ≥ r) ≥ confidence for X ~ Bin(n, 1 - coverage) [2]; None where even
    the smallest of n values is no such bound. By symmetry, rank n + 1 - r is the upper bound.

    >>> distribution_free_rank(n=59, coverage=0.95, confidence=0.95)
    1
    """
    from scipy.special import bdtrc

    arguments.share("coverage", coverage)
    arguments.share("confidence", confidence)
    if n != int(n) or n < 1:
        raise ValueError(f"n must be a whole number from 1: {n}")
    rank = 0
    while rank < n and float(bdtrc(rank, n, 1 - coverage)) >= confidence - 1e-12:
        rank += 1
    return rank or None
