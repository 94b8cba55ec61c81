"""Sampling by variables, standard deviation unknown (the s method): accept if (U - x̄)/s ≥ k.

A measured value says more than a count, so fewer parts do, if the values are normal. A plan of any
n and k is judged and drawn here, whatever its origin; `variables_tables` has those of MIL-STD-414
and ISO 3951-1.

References:

1. MIL-STD-414 (1957), section B: form 1 compares the index with k, form 2 the estimated share
   outside with M.
2. Lieberman & Resnikoff (1955), J. Am. Stat. Assoc. 50:457-516 (operating characteristic by the
   noncentral t distribution; the estimated share by the beta distribution).
3. Montgomery, "Introduction to Statistical Quality Control", chapter on sampling by variables.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, finite, row, share
from qc.statistics.sampling.risks import SingleSampling, check_fractions, check_risks


@dataclass(frozen=True, slots=True)
class VariablesDecision:
    """A sample's mean and standard deviation (n - 1), its distance to the limit in s, and k."""

    mean: float
    sd: float
    index: float
    k: float

    @property
    def accepted(self) -> bool:
        return self.index >= self.k


@dataclass(frozen=True, slots=True)
class TwoLimitsDecision:
    """Mean and standard deviation, the estimated shares below and above, and the M allowed."""

    mean: float
    sd: float
    below: float
    above: float
    allowed: float

    @property
    def outside(self) -> float:
        return self.below + self.above

    @property
    def accepted(self) -> bool:
        return self.outside <= self.allowed


@dataclass(frozen=True, slots=True)
class VariablesPlan:
    """Measure `n` parts (at least 2); accept if the mean lies `k` standard deviations inside."""

    n: int
    k: float

    def __post_init__(self) -> None:
        if self.n != int(self.n) or self.n < 2:
            raise ValueError(f"n must be a whole number from 2: {self.n}")
        finite("k", self.k)

    def decide(
        self, values: ArrayLike, *, upper: float | None = None, lower: float | None = None
    ) -> VariablesDecision:
        """Judge `n` values against one limit in their unit: (U - x̄)/s or (x̄ - L)/s [1].

        Values that all agree are accepted where they keep the limit. Two limits at once are for
        `decide_both`: ValueError, as for another number of values.

        >>> plan = VariablesPlan(n=5, k=1.53)
        >>> found = plan.decide([197, 188, 184, 205, 201], upper=209)
        >>> found.mean, round(found.sd, 2), round(found.index, 2), found.accepted
        (195.0, 8.8, 1.59, True)
        """
        if (upper is None) == (lower is None):
            raise ValueError(f"give one limit, upper or lower: upper {upper}, lower {lower}")
        mean, sd = self._moments(values)
        inside = upper - mean if upper is not None else mean - float(lower or 0.0)
        return VariablesDecision(mean, sd, _index(inside, sd), self.k)

    def decide_both(self, values: ArrayLike, *, lower: float, upper: float) -> "TwoLimitsDecision":
        """Judge `n` values against two limits at once by the share outside both (form 2) [1, 2].

        The estimated shares below and above are added and compared with M, the share that an
        index of k stands for. M is computed from k; the printed tables of M came from a k with
        more digits and differ in the last ones.

        >>> found = VariablesPlan(n=5, k=1.53).decide_both(
        ...     [197, 188, 184, 205, 201], lower=180, upper=209
        ... )
        >>> round(100 * found.below, 2), round(100 * found.above, 2), found.accepted
        (0.62, 2.18, True)
        """
        if not lower < upper:
            raise ValueError(f"lower must be below upper: {lower}, {upper}")
        mean, sd = self._moments(values)
        below, above = (
            share_outside(_index(inside, sd), self.n) for inside in (mean - lower, upper - mean)
        )
        return TwoLimitsDecision(mean, sd, below, above, share_outside(self.k, self.n))

    def _moments(self, values: ArrayLike) -> tuple[float, float]:
        series = row("values", values, 2)
        if series.size != self.n:
            raise ValueError(f"values must be the plan's n: {series.size}, n {self.n}")
        # no spread in the values is no spread in their sum's rounding
        if not np.ptp(series):
            return float(series[0]), 0.0
        return float(series.mean()), float(series.std(ddof=1))

    def acceptance(self, fraction: ArrayLike) -> Floats:
        """Probability of acceptance when this share of parts lies outside the limit [2].

        Exact for normal values: P(T ≥ k√n) for noncentral t with n - 1 degrees of freedom and
        noncentrality z√n, z the normal quantile of 1 - fraction. Shares from 0 to 1, any shape.
        """
        from scipy.special import ndtri
        from scipy.stats import nct

        p = np.asarray(fraction, dtype=float)
        if not ((p >= 0) & (p <= 1)).all():
            raise ValueError(f"fraction must lie from 0 to 1: {p}")
        middle = (p > 0) & (p < 1)
        root = math.sqrt(self.n)
        away = -ndtri(np.where(middle, p, 0.5)) * root
        chance = nct.sf(self.k * root, self.n - 1, away)
        return np.asarray(np.where(middle, chance, 1 - p), dtype=float)

    def fraction_at(self, acceptance: float) -> float:
        """The share outside that is accepted with this probability: the curve read backwards."""
        from scipy.optimize import brentq
        from scipy.special import ndtr

        if not 0 < acceptance < 1:
            raise ValueError(f"acceptance must lie between 0 and 1: {acceptance}")

        def excess(z: float) -> float:
            return float(self.acceptance(ndtr(-z))) - acceptance

        reach = 8.0 if abs(self.k) < 4 else 2 * abs(self.k)
        return float(ndtr(-brentq(excess, -reach, reach, xtol=1e-13)))


def share_outside(index: float, n: int) -> float:
    """The estimated share beyond a limit that lies `index` standard deviations from the mean [2].

    The minimum variance unbiased estimate from n values, standard deviation unknown: a symmetric
    beta distribution with n/2 - 1 at (1 - index·√n/(n - 1))/2. Two values tell only 0, 1/2 or 1.

    >>> round(100 * share_outside(1.59, 5), 2)
    2.19
    """
    from scipy.special import betainc

    if n != int(n) or n < 2:
        raise ValueError(f"n must be a whole number from 2: {n}")
    at = (1 - index * math.sqrt(n) / (n - 1)) / 2
    if at <= 0 or at >= 1:
        return 0.0 if at <= 0 else 1.0
    return 0.5 if n == 2 else float(betainc(n / 2 - 1, n / 2 - 1, at))


def matched_variables_plan(*, attributes: SingleSampling, n: int, fraction: float) -> VariablesPlan:
    """The plan of `n` values that accepts this share outside as often as one by attributes does.

    Computed, k to three decimals; the two curves cross at `fraction` and part elsewhere, the more
    the further their sample sizes are from what the standards pair.

    >>> matched_variables_plan(attributes=SingleSampling(13, 0), n=9, fraction=0.01)
    VariablesPlan(n=9, k=1.744)
    """
    from scipy.optimize import brentq

    wanted = float(attributes.acceptance(share("fraction", fraction)))
    if not 0 < wanted < 1:
        raise ValueError(f"the plan by attributes accepts always or never at {fraction}: {wanted}")
    k = brentq(lambda k: float(VariablesPlan(n, k).acceptance(fraction)) - wanted, -10, 40)
    return VariablesPlan(n, round(float(k), 3))


def variables_sampling_for_risks(
    *, good_fraction: float, producer_risk: float, bad_fraction: float, consumer_risk: float
) -> VariablesPlan:
    """The fewest values that reject good lots and accept bad ones no more often than allowed [3].

    Exact by the noncentral t distribution, standard deviation unknown, one limit. k is the largest
    that keeps the producer's risk. ValueError unless 0 < good_fraction < bad_fraction < 1.

    >>> plan = variables_sampling_for_risks(
    ...     good_fraction=0.01, producer_risk=0.05, bad_fraction=0.06, consumer_risk=0.10
    ... )
    >>> plan.n, round(plan.k, 2)
    (42, 1.91)
    """
    from scipy.special import ndtri
    from scipy.stats import nct

    check_risks(producer_risk, consumer_risk)
    check_fractions(good_fraction, bad_fraction)
    z = -float(ndtri(good_fraction))

    def plan_of(n: int) -> VariablesPlan:
        root = math.sqrt(n)
        return VariablesPlan(n, float(nct.isf(1 - producer_risk, n - 1, z * root)) / root)

    def keeps(n: int) -> bool:
        return float(plan_of(n).acceptance(bad_fraction)) <= consumer_risk

    lower, upper = 1, 2
    while not keeps(upper):
        lower, upper = upper, 2 * upper
    while upper - lower > 1:
        middle = (lower + upper) // 2
        lower, upper = (lower, middle) if keeps(middle) else (middle, upper)
    return plan_of(upper)


def _index(inside: float, sd: float) -> float:
    """A distance to a limit in standard deviations; infinite where nothing varies."""
    return inside / sd if sd else math.copysign(math.inf, inside)
