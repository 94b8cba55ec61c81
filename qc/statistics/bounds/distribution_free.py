"""How many values it takes, and which of them in order is a tolerance bound, whatever their law.

`order_bounds` has the bounds themselves.

References:

1. Wilks (1941), Annals of Mathematical Statistics 12:91-96.
2. Meeker, Hahn & Escobar (2017), "Statistical Intervals", 2nd ed., section 5.3.
"""

from typing import Literal

from qc.statistics import arguments
from qc.statistics.bounds.demonstration import success_run_tests


def wilks_sample_size(
    *, coverage: float, confidence: float, order: int = 1, sides: Literal[1, 2] = 1
) -> int:
    """The fewest values whose `order`-th extreme bounds a share `coverage` of all parts [1].

    `sides` 1: the `order`-th smallest (or largest) value is the bound; with `order` 1
    1 - coverage^n ≥ confidence, the number of a success run. `sides` 2: the `order`-th smallest
    and largest together; with `order` 1
    1 - n·coverage^(n-1) + (n-1)·coverage^n ≥ confidence.

    >>> [wilks_sample_size(coverage=0.95, confidence=0.95, order=r) for r in (1, 2, 3)]
    [59, 93, 124]
    >>> wilks_sample_size(coverage=0.95, confidence=0.95, sides=2)
    93
    """
    arguments.share("coverage", coverage)
    if order != int(order) or order < 1:
        raise ValueError(f"order must be a whole number from 1: {order}")
    if sides not in {1, 2}:
        raise ValueError(f"sides must be 1 or 2: {sides}")
    # the share beyond r extremes is as if r - 1 of n parts might fail, both ends counted
    return success_run_tests(
        reliability=coverage, confidence=confidence, failures=sides * order - 1
    )


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
