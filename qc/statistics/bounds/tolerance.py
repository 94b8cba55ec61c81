"""Exact normal tolerance factors: mean + k·s bounds a stated share with a stated confidence.

One-sided factors come from the noncentral t distribution, two-sided ones by integrating over the
mean (Odeh & Owen 1980; ISO 16269-6). SciPy is imported when a factor is asked for.
"""

import math


def tolerance_factor_one_sided(
    n: int, coverage: float, confidence: float, dof: int | None = None
) -> float:
    """k such that at least `coverage` of the population lies below mean + k·s.

    `n` values make the mean; `dof` degrees of freedom make s, n - 1 unless it is pooled from
    elsewhere. k = t'(confidence; dof, z·√n)/√n with the normal quantile z of `coverage`.
    """
    from scipy.special import ndtri
    from scipy.stats import nct

    dof = _checked(n, coverage, confidence, dof)
    root = math.sqrt(n)
    return float(nct.ppf(confidence, dof, float(ndtri(coverage)) * root)) / root


def tolerance_factor_two_sided(
    n: int, coverage: float, confidence: float, dof: int | None = None
) -> float:
    """k such that at least `coverage` of the population lies within mean ± k·s.

    Solves E[P(χ²(dof) > dof·r(z)²/k²)] = confidence over the standardised mean z ~ N(0, 1/n),
    where r(z) is the half-width about the mean that just holds the coverage.
    """
    import numpy as np
    from scipy.optimize import brentq
    from scipy.special import chdtrc, chndtrix, roots_hermitenorm

    dof = _checked(n, coverage, confidence, dof)
    nodes, weights = roots_hermitenorm(120)
    # (x + z)² of a normal x is noncentral χ² with one degree of freedom
    radius = np.sqrt(chndtrix(coverage, 1, nodes**2 / n))

    def excess(k: float) -> float:
        content = chdtrc(dof, dof * (radius / k) ** 2)
        return float(weights @ content / weights.sum()) - confidence

    upper = 2.0
    while excess(upper) < 0:
        upper *= 2
    return float(brentq(excess, 1e-6, upper, xtol=1e-12, rtol=1e-13))


def _checked(n: int, coverage: float, confidence: float, dof: int | None) -> int:
    if dof is None:
        dof = n - 1
    if n < 1 or dof < 1:
        raise ValueError(f"a tolerance factor needs n and degrees of freedom: n {n}, dof {dof}")
    for name, share in (("coverage", coverage), ("confidence", confidence)):
        if not 0 < share < 1:
            raise ValueError(f"{name} must lie between 0 and 1: {share}")
    return dof
