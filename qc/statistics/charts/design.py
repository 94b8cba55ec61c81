"""Charts designed from the in-control run length that is wanted, and the shift to be found.

How often a quiet chart may signal is chosen first (`arl0`, points between false alarms on
average), then the shift that matters, in standard deviations of a point; what is left to choose is
solved for with the exact run lengths of `qc.statistics.charts.run_length`.

References: [1] Hawkins, D. M. & Olwell, D. H. (1998), "Cumulative Sum Charts and Charting for
Quality Improvement", chapter 3. [2] Crowder, S. V. (1989), "Design of exponentially weighted
moving average schemes", Journal of Quality Technology 21:155-162. [3] Lucas & Saccucci (1990),
Technometrics 32:1-12.
"""

import math
from collections.abc import Callable
from typing import NamedTuple

from qc.statistics.arguments import not_negative, positive
from qc.statistics.charts.run_length import Sided, arl_cusum, arl_ewma, arl_shewhart


class CusumDesign(NamedTuple):
    """`k`, `h` and `head_start` in sigmas; run lengths in control and after the shift."""

    k: float
    h: float
    head_start: float
    arl0: float
    arl1: float


class EwmaDesign(NamedTuple):
    """Weight of the newest point, width of the limits; run lengths in control and shifted."""

    weight: float
    width: float
    arl0: float
    arl1: float


def shewhart_width(arl0: float) -> float:
    """Limits of a Shewhart chart in sigmas, z(1 - 1/(2 arl0)), for arl0 above 1.

    >>> round(shewhart_width(370.4), 3)
    3.0
    """
    from scipy.special import ndtri

    _wanted(arl0)
    return float(-ndtri(1 / (2 * arl0)))


def cusum_limit(
    arl0: float, *, k: float, sided: Sided = "both", head_start_share: float = 0.0
) -> float:
    """The decision limit h, in sigmas, that gives a CUSUM with allowance `k` this run length.

    `head_start_share`: of h, from 0 to 0.5, at which the sums start. ValueError where even h = 0
    runs longer than `arl0`.

    >>> round(cusum_limit(370, k=0.5), 2)
    4.77
    """
    _wanted(arl0)
    not_negative("k", k)
    if not 0 <= head_start_share <= 0.5:
        raise ValueError(f"head_start_share must lie from 0 to 0.5: {head_start_share}")

    def run_length(h: float) -> float:
        return arl_cusum(k=k, h=h, head_start=head_start_share * h, sided=sided)

    return _solve(run_length, arl0, f"a CUSUM with k = {k:g}")


def ewma_width(arl0: float, *, weight: float, exact: bool = False) -> float:
    """The width of EWMA limits, in standard errors, that gives this run length.

    `exact`: for limits that grow from the first point, else for the steady ones.

    >>> round(ewma_width(500, weight=0.1), 3)
    2.814
    """
    _wanted(arl0)

    def run_length(width: float) -> float:
        return arl_ewma(weight=weight, width=width, exact=exact)

    return _solve(run_length, arl0, f"an EWMA of weight {weight:g}")


def design_cusum(
    arl0: float, shift: float, *, sided: Sided = "both", head_start_share: float = 0.0
) -> CusumDesign:
    """The CUSUM that finds a lasting `shift` > 0 soonest: k = shift/2, h for `arl0` [1].

    >>> design = design_cusum(370, 1.0)
    >>> design.k, round(design.h, 2), round(design.arl1, 1)
    (0.5, 4.77, 9.9)
    """
    k = positive("shift", shift) / 2
    h = cusum_limit(arl0, k=k, sided=sided, head_start_share=head_start_share)
    start = head_start_share * h
    moved = -shift if sided == "lower" else shift
    arl1 = arl_cusum(moved, k=k, h=h, head_start=start, sided=sided)
    return CusumDesign(k, h, start, arl0, arl1)


def design_ewma(
    arl0: float, shift: float, *, weight: float | None = None, exact: bool = False
) -> EwmaDesign:
    """The EWMA that finds a lasting `shift` > 0 soonest with run length `arl0` in control [2, 3].

    Searches weights from 0.01 to 1 unless one is given. The search is for steady limits; with
    `exact` the width is then that of growing ones (a search with these would end at ever smaller
    weights, as their first limits are as good as a head start).

    >>> design = design_ewma(500, 1.0, weight=0.1)
    >>> round(design.width, 3), round(design.arl1, 1)
    (2.814, 10.3)
    """
    from scipy.optimize import minimize_scalar

    positive("shift", shift)
    _wanted(arl0)

    def with_weight(tried: float, growing: bool = False) -> EwmaDesign:
        width = ewma_width(arl0, weight=tried, exact=growing)
        arl1 = arl_ewma(shift, weight=tried, width=width, exact=growing)
        return EwmaDesign(tried, width, arl0, arl1)

    if weight is None:
        best = minimize_scalar(
            lambda log_weight: with_weight(math.exp(log_weight)).arl1,
            bounds=(math.log(0.01), 0.0),
            method="bounded",
            options={"xatol": 1e-3},
        )
        inner = math.exp(float(best.x))
        weight = min(inner, 1.0, key=lambda tried: with_weight(tried).arl1)
    return with_weight(weight, exact)


def design_shewhart(arl0: float, shift: float) -> tuple[float, float]:
    """Width of a Shewhart chart for `arl0`, and its run length after `shift`, to compare with."""
    width = shewhart_width(arl0)
    return width, arl_shewhart(shift, width=width)


def _wanted(arl0: float) -> None:
    if not 1 < arl0 <= 1e6:
        raise ValueError(f"arl0 must lie above 1 and up to 1,000,000 points: {arl0}")


def _solve(run_length: Callable[[float], float], arl0: float, chart: str) -> float:
    """Where a run length that grows with the limit passes `arl0`."""
    from scipy.optimize import brentq

    low, high = 1e-9, 2.0
    if run_length(low) > arl0:
        raise ValueError(f"arl0 must be above {run_length(low):.3f} for {chart}: {arl0}")
    while run_length(high) < arl0:
        low, high = high, high * 1.5

    def excess(limit: float) -> float:
        return math.log(min(run_length(limit), 1e12) / arl0)

    return float(brentq(excess, low, high, xtol=1e-10, rtol=1e-12))
