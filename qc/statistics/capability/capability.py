"""Process capability for normal characteristics: Cp, Cpk, Pp, Ppk, with confidence limits.

Cp and Cpk rest on the spread within subgroups (what the process can do), Pp and Ppk on the overall
spread (what it did); the formulas are the same. `capability_indices` takes a mean and a standard
deviation; `qc.statistics.capability.process` takes readings and gives both. An index says nothing
where the process drifts or the characteristic is not normal; `qc.statistics.capability.skewed`
serves run-out and others that are bounded at zero.

References: [1] Montgomery, D. C., "Introduction to Statistical Quality Control", chapter 8.
[2] NIST/SEMATECH e-Handbook, 6.1.6. [3] Bissell, A. F. (1990), "How reliable is your capability
index?", Applied Statistics 39:331-340. [4] ISO 22514-2. [5] Chou, Owen & Borrego (1990), "Lower
confidence limits on process capability indices", Journal of Quality Technology 22:223-229.
"""

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from qc.statistics.arguments import finite, not_negative, share
from qc.statistics.limits import Interval


class Fallout(NamedTuple):
    """Expected parts per million below the lower limit, above the upper one, and together."""

    below_ppm: float
    above_ppm: float
    total_ppm: float


@dataclass(frozen=True, slots=True)
class CapabilityIndices:
    """Indices of a normal characteristic; `lower` or `upper` is None for a one-sided limit.

    `mean`, `sd` and limits in one unit. `n` readings made the mean and `dof` degrees of freedom
    the standard deviation; they are needed for confidence limits only. With sd = 0 an index is
    infinite, of the sign of the mean's distance from the limit, and 0 on the limit itself.
    """

    mean: float
    sd: float
    lower: float | None
    upper: float | None
    n: int | None = None
    dof: float | None = None

    @property
    def cp(self) -> float:
        """(upper - lower)/6s; NaN for a one-sided limit."""
        if self.lower is None or self.upper is None:
            return math.nan
        return _ratio(self.upper - self.lower, 6 * self.sd)

    @property
    def cpl(self) -> float:
        """(mean - lower)/3s; NaN without a lower limit."""
        return math.nan if self.lower is None else _ratio(self.mean - self.lower, 3 * self.sd)

    @property
    def cpu(self) -> float:
        """(upper - mean)/3s; NaN without an upper limit."""
        return math.nan if self.upper is None else _ratio(self.upper - self.mean, 3 * self.sd)

    @property
    def cpk(self) -> float:
        """The smaller of cpl and cpu, or the only one."""
        return min(x for x in (self.cpl, self.cpu, math.inf) if not math.isnan(x))

    def cpm(self, target: float) -> float:
        """Cp with the distance from the target counted as spread: Cp/√(1 + ((mean - T)/s)²)."""
        if self.lower is None or self.upper is None:
            return math.nan
        return _ratio(self.upper - self.lower, 6 * math.hypot(self.sd, self.mean - target))

    def fallout(self) -> Fallout:
        """Expected share outside the limits for a normal process of this mean and spread [2]."""
        below, above = (
            0.0 if math.isnan(index) else _tail_ppm(3 * index) for index in (self.cpl, self.cpu)
        )
        return Fallout(below, above, below + above)

    def cp_interval(self, confidence: float = 0.95) -> Interval:
        """Exact two-sided interval of Cp: cp √(χ²(α/2)/dof) to cp √(χ²(1 - α/2)/dof) [1, 8.19]."""
        from scipy.special import chdtri

        dof, tail = self._dof(), (1 - share("confidence", confidence)) / 2
        low, high = (math.sqrt(float(chdtri(dof, p)) / dof) for p in (1 - tail, tail))
        return Interval(self.cp * low, self.cp * high)

    def cpl_interval(self, confidence: float = 0.95) -> Interval:
        """Exact two-sided interval of Cpl by the noncentral t distribution [5]."""
        tail = (1 - share("confidence", confidence)) / 2
        return Interval(self._one_sided(self.cpl, tail), self._one_sided(self.cpl, 1 - tail))

    def cpu_interval(self, confidence: float = 0.95) -> Interval:
        """Exact two-sided interval of Cpu by the noncentral t distribution [5]."""
        tail = (1 - share("confidence", confidence)) / 2
        return Interval(self._one_sided(self.cpu, tail), self._one_sided(self.cpu, 1 - tail))

    def cpk_interval(self, confidence: float = 0.95) -> Interval:
        """Bissell's two-sided interval, cpk ± z √(1/(9n) + cpk²/(2 dof)) [3; 1, 8.21].

        An approximation, good from about 30 readings on; for small n use `cpk_lower_bound`.
        """
        from scipy.special import ndtri

        z = float(ndtri((1 + share("confidence", confidence)) / 2))
        half = z * math.sqrt(1 / (9 * self._n()) + self.cpk**2 / (2 * self._dof()))
        return Interval(self.cpk - half, self.cpk + half)

    def cpk_lower_bound(self, confidence: float = 0.95) -> float:
        """A lower bound that Cpk exceeds with at least this confidence, at any n.

        The smaller of the exact bounds of cpl and cpu [5]: with one limit exact; with two on the
        safe side, as it is below Cpk whenever the bound of the side that decides is.
        """
        tail = 1 - share("confidence", confidence)
        sides = [side for side in (self.cpl, self.cpu) if not math.isnan(side)]
        return min(self._one_sided(side, tail) for side in sides)

    def _one_sided(self, index: float, chance: float) -> float:
        """The true index for which one at least as large as this is seen with this chance.

        3√n times the index follows a noncentral t with noncentrality 3√n times the true one.
        """
        from scipy.optimize import brentq

        if not math.isfinite(index):
            return math.nan if math.isnan(index) else index
        root, dof = 3 * math.sqrt(self._n()), self._dof()
        t = root * index
        reach = 10 * math.sqrt(1 + t**2 / (2 * dof)) + abs(t)

        def excess(noncentrality: float) -> float:
            return _above(t, dof, noncentrality) - chance

        return float(brentq(excess, t - reach, t + reach, xtol=1e-12)) / root

    def _n(self) -> int:
        if self.n is None:
            raise ValueError("n must be given for confidence limits: got None")
        return self.n

    def _dof(self) -> float:
        return self._n() - 1 if self.dof is None else self.dof


def capability_indices(
    mean: float,
    sd: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    n: int | None = None,
    dof: float | None = None,
) -> CapabilityIndices:
    """Indices from a mean and a standard deviation (≥ 0) in the limits' unit.

    At least one limit, lower below upper. `n` ≥ 2 readings and `dof` > 0 (n - 1 unless given) for
    confidence limits. ValueError for anything else.

    >>> found = capability_indices(16, 2, lower=8, upper=20)
    >>> found.cp, round(found.cpl, 4), round(found.cpu, 4), round(found.cpk, 4)
    (1.0, 1.3333, 0.6667, 0.6667)
    """
    finite("mean", mean)
    not_negative("sd", sd)
    if lower is None and upper is None:
        raise ValueError("lower or upper must be given: got neither")
    if lower is not None and upper is not None and not lower < upper:
        raise ValueError(f"lower must be below upper: {lower} and {upper}")
    if n is not None and n < 2:
        raise ValueError(f"n must be at least 2 readings: {n}")
    if dof is not None and not dof > 0:
        raise ValueError(f"dof must be above 0: {dof}")
    return CapabilityIndices(mean, sd, lower, upper, n, dof)


def fallout_ppm(index: float, *, sides: Literal[1, 2] = 2) -> float:
    """Parts per million outside for a centred process of this Cp, or beyond one limit of this Cpk.

    Normal: sides · Φ(-3 · index) · 10⁶ [2].

    >>> round(fallout_ppm(1.0)), round(fallout_ppm(1.5, sides=1), 1)
    (2700, 3.4)
    """
    if sides not in (1, 2):
        raise ValueError(f"sides must be 1 or 2: {sides}")
    return sides * _tail_ppm(3 * index)


def _above(t: float, dof: float, noncentrality: float) -> float:
    """P(T ≥ t) of the noncentral t distribution, also far out where its series do not converge.

    There, as E[P(χ²(dof) ≤ dof (z + noncentrality)²/t²)] over a standard normal z.
    """
    from scipy.special import chdtr
    from scipy.stats import nct

    if abs(t) < 100:
        return float(nct.sf(t, dof, noncentrality))
    if t < 0:
        return 1 - _above(-t, dof, -noncentrality)
    z, step = np.linspace(-10, 10, 2001, retstep=True)
    density = np.exp(-(z**2) / 2) * (step / math.sqrt(2 * math.pi))
    return float(density @ chdtr(dof, dof * (np.maximum(z + noncentrality, 0) / t) ** 2))


def _ratio(distance: float, spread: float) -> float:
    if spread > 0:
        return distance / spread
    return math.copysign(math.inf, distance) if distance else 0.0


def _tail_ppm(z: float) -> float:
    return 1e6 * math.erfc(z / math.sqrt(2)) / 2
