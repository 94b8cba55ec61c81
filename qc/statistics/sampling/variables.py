"""Sampling by variables, standard deviation unknown (the s method): accept if (U - x̄)/s ≥ k.

A measured value says more than a count, so fewer parts do, if the values are normal. The constants
k of MIL-STD-414 go with its sample sizes; ISO 3951-1 has a rule of the same shape with its own k,
which is not carried here: a plan of any n and k can be judged and drawn, whatever its origin.

References:

1. MIL-STD-414 (1957), table B-1 (one limit, form 1, normal inspection), letters and sizes as
   reprinted in its civil successor; AQLs 2.5 and 4.0 from letter G on are from memory.
2. Lieberman & Resnikoff (1955), J. Am. Stat. Assoc. 50:457-516 (operating characteristic by the
   noncentral t distribution).
"""

import math
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, finite, row

AQLS = (0.65, 1.0, 1.5, 2.5, 4.0)
# letter: sample size, then k by AQL; None: the arrow points to the next row
_TABLE_B1: dict[str, tuple[int, tuple[float | None, ...]]] = {
    "B": (3, (None, None, None, 1.12, 0.958)),
    "C": (4, (None, 1.45, 1.34, 1.17, 1.01)),
    "D": (5, (1.65, 1.53, 1.40, 1.24, 1.07)),
    "E": (7, (1.75, 1.62, 1.50, 1.33, 1.15)),
    "F": (10, (1.84, 1.72, 1.58, 1.41, 1.23)),
    "G": (15, (1.91, 1.79, 1.65, 1.47, 1.30)),
    "H": (20, (1.96, 1.82, 1.69, 1.51, 1.33)),
    "I": (25, (1.98, 1.85, 1.72, 1.53, 1.35)),
    "J": (35, (2.03, 1.89, 1.76, 1.57, 1.39)),
    "K": (50, (2.08, 1.93, 1.80, 1.61, 1.42)),
    "L": (75, (2.12, 1.98, 1.84, 1.65, 1.46)),
    "M": (100, (2.14, 2.00, 1.86, 1.67, 1.48)),
    "N": (150, (2.18, 2.03, 1.89, 1.70, 1.51)),
    "P": (200, (2.18, 2.04, 1.89, 1.70, 1.51)),
}


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

        Values that all agree are accepted where they keep the limit. Two limits at once need the
        estimated share outside (form 2) and are not judged: ValueError, as for another number of
        values.

        >>> plan = VariablesPlan(n=5, k=1.53)
        >>> found = plan.decide([197, 188, 184, 205, 201], upper=209)
        >>> found.mean, round(found.sd, 2), round(found.index, 2), found.accepted
        (195.0, 8.8, 1.59, True)
        """
        if (upper is None) == (lower is None):
            raise ValueError(f"give one limit, upper or lower: upper {upper}, lower {lower}")
        series = row("values", values, 2)
        if series.size != self.n:
            raise ValueError(f"values must be the plan's n: {series.size}, n {self.n}")
        mean = float(series.mean())
        # no spread in the values is no spread in their sum's rounding
        sd = float(series.std(ddof=1)) if np.ptp(series) else 0.0
        mean = mean if sd else float(series[0])
        inside = upper - mean if upper is not None else mean - float(lower or 0.0)
        index = inside / sd if sd else math.copysign(math.inf, inside)
        return VariablesDecision(mean, sd, index, self.k)

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


def mil_std_414_plan(*, letter: str, aql: float | Decimal) -> VariablesPlan:
    """Plan of a code letter (B to P) and AQL in per cent (0.65 to 4), s method, one limit [1].

    Where the table has an arrow the next letter's plan counts, with its sample size.

    >>> mil_std_414_plan(letter="D", aql=1.0)
    VariablesPlan(n=5, k=1.53)
    >>> mil_std_414_plan(letter="B", aql=0.65)  # two arrows down
    VariablesPlan(n=5, k=1.65)
    """
    if letter not in _TABLE_B1:
        raise ValueError(f"letter must be one of {', '.join(_TABLE_B1)}: {letter!r}")
    column = next((i for i, held in enumerate(AQLS) if math.isclose(held, aql)), None)
    if column is None:
        raise ValueError(f"aql must be one of {', '.join(f'{a:g}' for a in AQLS)}: {aql}")
    letters = list(_TABLE_B1)
    for row_letter in letters[letters.index(letter) :]:
        n, factors = _TABLE_B1[row_letter]
        k = factors[column]
        if k is not None:
            return VariablesPlan(n, k)
    raise ValueError(f"no plan for letter {letter} at aql {aql}")
