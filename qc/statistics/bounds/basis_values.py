"""Basis values of a composite's strength from one sample of unstructured coupons.

A B-basis value is one that 90 % of all parts exceed with 95 % confidence, an A-basis value one
that 99 % exceed: one-sided lower tolerance bounds. They speak for the material and batch that the
coupons came from; several batches need the variance between them (`claims`, `variance`).

References:

1. MIL-HDBK-17-1F (2002), volume 1, section 8.3.4 (normal, Weibull, nonparametric).
2. Lawless (2003), section 5.1.2, for the exact Weibull bound.
"""

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics import arguments
from qc.statistics.bounds.distribution_free import distribution_free_rank
from qc.statistics.bounds.tolerance import tolerance_factor_one_sided
from qc.statistics.survival.censoring import right_censored
from qc.statistics.survival.life_fit import fit_weibull

B_BASIS, A_BASIS = 0.90, 0.99


def normal_basis_value(
    values: ArrayLike, *, coverage: float = B_BASIS, confidence: float = 0.95
) -> float:
    """mean - k·s with the exact one-sided tolerance factor k (noncentral t) [1].

    `values`, shape (n,), n ≥ 2, in any unit; `coverage` 0.90 is the B-basis, 0.99 the A-basis.
    """
    strengths = arguments.row("values", values, 2)
    k = tolerance_factor_one_sided(strengths.size, coverage, confidence)
    return float(strengths.mean() - k * strengths.std(ddof=1))


def weibull_basis_value(
    values: ArrayLike, *, coverage: float = B_BASIS, confidence: float = 0.95
) -> float:
    """The exact conditional lower bound for a Weibull population [2].

    The handbook's q·exp(-V/(shape·√n)) approximates a bound that is exact on average over
    samples [1]; this one is exact given the sample's own configuration, and lies close to it.
    Values that are all alike have no Weibull spread: the bound is then the nonparametric one,
    or 0 where there are too few for it. `values`, shape (n,), n ≥ 2, above 0.
    """
    strengths = arguments.row("values", values, 2)
    data = right_censored(times=strengths, failed=np.ones(strengths.size))
    return fit_weibull(data).percentile_lower_bound(
        1 - arguments.share("coverage", coverage), confidence=confidence
    )


def nonparametric_basis_value(
    values: ArrayLike, *, coverage: float = B_BASIS, confidence: float = 0.95
) -> float | None:
    """The ordered value that is a bound for any distribution [1].

    None below the least number of values (29 for a B-basis, 299 for an A-basis).

    >>> nonparametric_basis_value(range(1, 39))
    1.0
    """
    strengths = np.sort(arguments.row("values", values))
    rank = distribution_free_rank(n=strengths.size, coverage=coverage, confidence=confidence)
    return None if rank is None else float(strengths[rank - 1])
