"""Capability from readings: Cp and Cpk by the spread within subgroups, Pp and Ppk by that of all.

References: [1] Montgomery, D. C., "Introduction to Statistical Quality Control", chapter 8.
[2] Cryer, J. D. & Ryan, T. P. (1990), "The estimation of sigma for an X chart", Journal of Quality
Technology 22:187-192. [3] ISO 22514-2.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, row
from qc.statistics.capability.capability import CapabilityIndices, capability_indices
from qc.statistics.charts.constants import c4, chart_constants
from qc.statistics.charts.subgroups import individuals_chart, xbar_r_chart, xbar_s_chart

Within = Literal["pooled", "range", "sd"]


@dataclass(frozen=True, slots=True)
class ProcessCapability:
    """`within`: indices by the spread within subgroups; `overall`: by that of all readings."""

    within: CapabilityIndices
    overall: CapabilityIndices

    @property
    def cp(self) -> float:
        return self.within.cp

    @property
    def cpk(self) -> float:
        return self.within.cpk

    @property
    def pp(self) -> float:
        return self.overall.cp

    @property
    def ppk(self) -> float:
        return self.overall.cpk


def process_capability(
    readings: ArrayLike | Sequence[ArrayLike],
    *,
    lower: float | None = None,
    upper: float | None = None,
    within: Within = "pooled",
) -> ProcessCapability:
    """Cp, Cpk (within) and Pp, Ppk (overall) of readings.

    `readings`: shape (m, n) or m rows of unequal size, subgroups in order of time; or one row of
    single readings, whose spread within is the mean moving range over d2. `within`: how the
    spread within subgroups is estimated: pooled, R̄/d2 or s̄/c4. Its degrees of freedom are exact
    for pooled ones, else those of the χ that scatters as much (for moving ranges 0.605 (n - 1)
    [2]). ValueError below two readings.

    >>> found = process_capability([[411, 413], [412, 415], [410, 412]], lower=400, upper=420)
    >>> round(found.cpk, 3), round(found.ppk, 3)
    (1.551, 1.516)
    """
    single, parts = _parted(readings)
    every = np.concatenate(parts)
    if single:
        sd, dof = individuals_chart(every).sigma, 0.605 * (every.size - 1)
    else:
        sd, dof = _within(parts, within)
    mean, n = float(every.mean()), int(every.size)
    limits = {"lower": lower, "upper": upper}
    overall = float(every.std(ddof=1))
    return ProcessCapability(
        capability_indices(mean, sd, n=n, dof=dof, **limits),
        capability_indices(mean, overall, n=n, dof=n - 1, **limits),
    )


def _parted(readings: ArrayLike | Sequence[ArrayLike]) -> tuple[bool, list[Floats]]:
    """Whether these are single readings, and the subgroups (or the one row)."""
    rows = [np.asarray(part, dtype=float) for part in readings]  # type: ignore[union-attr]
    if all(part.ndim == 0 for part in rows):
        return True, [row("readings", np.array(rows), 2)]
    return False, [row(f"subgroup {i}", part, 2) for i, part in enumerate(rows)]


def _within(parts: list[Floats], how: Within) -> tuple[float, float]:
    if how not in ("pooled", "range", "sd"):
        raise ValueError(f"within must be pooled, range or sd: {how}")
    sizes = [part.size for part in parts]
    if how == "pooled" or (how == "sd" and len(set(sizes)) > 1):
        dof = sum(sizes) - len(sizes)
        squares = sum(float(np.sum((part - part.mean()) ** 2)) for part in parts)
        return math.sqrt(squares / dof), dof
    constants = [chart_constants(size) for size in sizes]
    if how == "range":
        scatter = sum((c.d3 / c.d2) ** 2 for c in constants) / len(parts) ** 2
        return xbar_r_chart(parts).sigma, _dof_of(scatter)
    scatter = sum(1 / c.c4**2 - 1 for c in constants) / len(parts) ** 2
    return xbar_s_chart(parts).sigma, _dof_of(scatter)


def _dof_of(scatter: float) -> float:
    """Degrees of freedom of the standard deviation with this relative variance, 1/c4² - 1."""
    from scipy.optimize import brentq

    return float(brentq(lambda dof: 1 / c4(dof + 1) ** 2 - 1 - scatter, 0.1, 1e7))
