"""Average run lengths: how many points a chart takes, on average, to its first signal.

All are exact to the digits of the quadrature, for independent normal points whose mean lies
`shift` standard deviations off the target from the first point on (zero state). For means of n
readings multiply a shift in standard deviations of a reading by √n. A CUSUM or EWMA that stands
at u goes on for L(u) more points, where L solves

    L(u) = 1 + ∫ L(v) f(v | u) dv

over the values v from which the chart does not signal; the integral is taken at Gauss-Legendre
nodes, which leaves a small set of linear equations. Run rules: `qc.statistics.charts.run_rule_arl`.

References: [1] Page (1954), Biometrika 41:100-115. [2] Lucas & Crosier (1982), Technometrics
24:199-205. [3] Siegmund, D. (1985), "Sequential Analysis", section 2.6. [4] Crowder (1987), "A
simple method for studying run-length distributions of EWMA charts", Technometrics 29:401-407.
[5] Lucas & Saccucci (1990), "Exponentially weighted moving average control schemes",
Technometrics 32:1-12.
"""

import math
from functools import lru_cache
from typing import Literal

import numpy as np

from qc.statistics.arguments import Floats, finite, not_negative, positive

Sided = Literal["both", "upper", "lower"]
_LEAST_NODES = 40
# the equations of the EWMA lose their digits where a point leaves with a chance of about rounding:
# longer run lengths than this are given as infinite
_BEYOND_TELLING = 1e10
# limits of an EWMA that differ by less from the steady ones count as those
_STEADY = 1e-10


def arl_shewhart(shift: float = 0.0, *, width: float = 3.0) -> float:
    """Shewhart chart with limits at ± `width` sigmas: 1/(Φ(-width - shift) + Φ(-width + shift)).

    >>> [round(arl_shewhart(shift), 2) for shift in (0, 1, 2)]
    [370.4, 43.89, 6.3]
    """
    from scipy.special import ndtr

    positive("width", width)
    finite("shift", shift)
    return 1 / float(ndtr(-width - shift) + ndtr(-width + shift))


def arl_cusum(
    shift: float = 0.0,
    *,
    k: float,
    h: float,
    head_start: float = 0.0,
    sided: Sided = "both",
) -> float:
    """Tabular CUSUM with allowance `k` ≥ 0 and decision limit `h` > 0 [1], in sigmas.

    `head_start`: the sums' first value in sigmas, from 0 to h; of a two-sided chart at most
    h/2 + k, up to where one sum's signal finds the other at 0. Then, with L+ and L- of the single
    sums from their start s and from 0 [2],

        ARL = (L+(s) L-(0) + L+(0) L-(s) - L+(0) L-(0)) / (L+(0) + L-(0)).

    >>> round(arl_cusum(0.0, k=0.5, h=4.0), 1), round(arl_cusum(1.0, k=0.5, h=4.0, head_start=2), 2)
    (167.7, 5.29)
    """
    _check_cusum(shift, k, h)
    most = min(h, h / 2 + k) if sided == "both" else h
    if not 0 <= head_start <= most:
        raise ValueError(f"head_start must lie from 0 to {most:g} here: {head_start}")
    if sided != "both":
        zero, ahead = _one_sum(shift if sided == "upper" else -shift, k, h, head_start)
        return zero * ahead
    up, up_ahead = _one_sum(shift, k, h, head_start)
    down, down_ahead = _one_sum(-shift, k, h, head_start)
    # divided through by the longer run length, which may be infinite
    low, high = sorted((up, down))
    if low == math.inf:
        return math.inf
    return low * (up_ahead + down_ahead - 1) / (1 + low / high)


def arl_cusum_siegmund(shift: float = 0.0, *, k: float, h: float, sided: Sided = "both") -> float:
    """Siegmund's approximation for the CUSUM without a head start [3], good to a few per cent.

    One sum: (exp(-2Δb) + 2Δb - 1)/(2Δ²) with Δ = ±shift - k and b = h + 1.166; b² where Δ = 0.
    Two: 1/ARL = 1/ARL+ + 1/ARL-.

    >>> round(arl_cusum_siegmund(0.0, k=0.5, h=5.0, sided="upper"), 1)
    938.2
    """
    _check_cusum(shift, k, h)
    b = h + 1.166

    def one(drift: float) -> float:
        if abs(drift * b) < 1e-6:
            return b**2
        try:
            return (math.expm1(-2 * drift * b) + 2 * drift * b) / (2 * drift**2)
        except OverflowError:
            return math.inf

    if sided != "both":
        return one((shift if sided == "upper" else -shift) - k)
    low, high = sorted((one(shift - k), one(-shift - k)))
    return low / (1 + low / high) if low < math.inf else math.inf


def arl_ewma(shift: float = 0.0, *, weight: float, width: float, exact: bool = False) -> float:
    """Two-sided EWMA with limits ± `width` · √(weight/(2 - weight)), started on target [4, 5].

    `weight`: of the newest point, above 0 and at most 1 (1 is a Shewhart chart). `width` > 0, in
    standard errors of the EWMA. With `exact` the limits grow from the first point on as
    `ewma_limits` has them, else they are the steady ones throughout.

    >>> round(arl_ewma(1.0, weight=0.1, width=2.814), 1)
    10.3
    """
    if not 0 < weight <= 1:
        raise ValueError(f"weight must be above 0 and at most 1: {weight}")
    finite("shift", shift)
    positive("width", width)
    edge = width * math.sqrt(weight / (2 - weight))
    nodes, weights = _nodes(-edge, edge, scale=weight)
    stay = _density(nodes - (1 - weight) * nodes[:, None], weight, shift) * weights
    further = np.linalg.solve(np.eye(nodes.size) - stay, np.ones(nodes.size))
    if not 0 < further.max() < _BEYOND_TELLING:
        return math.inf
    for limit in reversed(_growing_limits(edge, weight) if exact else []):
        start, start_weights = _nodes(-limit, limit, scale=weight)
        move = _density(nodes - (1 - weight) * start[:, None], weight, shift) * weights
        further, nodes, weights = 1 + move @ further, start, start_weights
    return 1 + float((_density(nodes, weight, shift) * weights) @ further)


def _check_cusum(shift: float, k: float, h: float) -> None:
    finite("shift", shift)
    not_negative("k", k)
    positive("h", h)


def _growing_limits(edge: float, weight: float) -> list[float]:
    """Limits of the first points until they are as good as steady."""
    if weight == 1:
        return []
    count = math.ceil(math.log(_STEADY) / (2 * math.log1p(-weight)))
    grown = 1 - (1 - weight) ** (2 * np.arange(1, count + 1))
    return [float(limit) for limit in edge * np.sqrt(grown)]


def _one_sum(shift: float, k: float, h: float, head_start: float) -> tuple[float, float]:
    """ARL L(0) of an upper CUSUM, and L(head_start)/L(0).

    From u the sum goes to 0 with Φ(k - u - shift), above h with Φ(u + shift - k - h), else to v
    with density φ(v + k - u - shift). With m(u) the mean number of points until it is at 0 or
    signals, and q(u) the chance of the latter, L(0) = m(0)/q(0): both are sums of what is never
    negative, so that the longest run lengths keep their digits.
    """
    from scipy.special import ndtr

    nodes, weights = _nodes(0.0, h, scale=1.0)
    start = np.append(nodes, [0.0, head_start])
    stay = _density(nodes + k - start[:, None], 1.0, shift) * weights
    known = np.stack([np.ones(start.size), ndtr(start + shift - k - h)], axis=1)
    inside = np.linalg.solve(np.eye(nodes.size) - stay[:-2], known[:-2])
    (m_zero, q_zero), (m_ahead, q_ahead) = (known[-2:] + stay[-2:] @ inside).tolist()
    if q_zero <= 0:
        return math.inf, 1 - q_ahead
    zero = m_zero / q_zero
    return zero, m_ahead / zero + 1 - q_ahead


def _nodes(low: float, high: float, scale: float) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights, close enough for a normal density of this scale."""
    nodes, weights = _legendre(_LEAST_NODES + 6 * math.ceil((high - low) / scale))
    half = (high - low) / 2
    return low + half * (nodes + 1), half * weights


@lru_cache(maxsize=64)
def _legendre(count: int) -> tuple[Floats, Floats]:
    from scipy.special import roots_legendre

    nodes, weights = roots_legendre(count)
    return nodes, weights


def _density(step: Floats, weight: float, shift: float) -> Floats:
    """Density of `step` = weight · (a point), for a normal point of mean `shift`."""
    density = np.exp(-((step / weight - shift) ** 2) / 2) / (weight * math.sqrt(2 * math.pi))
    return np.asarray(density, dtype=float)
