"""How much of the spread lies between batches and how much within them.

One-way analysis of variance with random batches of unequal size, from what a batch summary holds:
number, mean and variance. Components by the method of moments (Searle, Casella & McCulloch 1992,
"Variance Components", section 3.6).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class Components:
    """Sums of squares and variances in the squared unit of the values.

    `between_var` is plainly what the moments give, negative where batches differ less than their
    parts' spread explains; `usual_n` is the size that stands for unequal ones in it. `within_var`
    is NaN, and what follows from it, where every batch has a single value.
    """

    ss_between: float
    ss_within: float
    dof_between: int
    dof_within: int
    usual_n: float
    within_var: float
    between_var: float

    @property
    def ms_between(self) -> float:
        return self.ss_between / self.dof_between

    @property
    def f(self) -> float:
        """The variance ratio of the analysis of variance."""
        return self.ms_between / self.within_var if self.within_var else float("nan")

    @property
    def between_var_clipped(self) -> float:
        """The variance between batches, 0 where the plain one is negative."""
        return max(self.between_var, 0.0)


def between_within(ns: ArrayLike, means: ArrayLike, variances: ArrayLike) -> Components:
    """Split the spread of batches with `ns` values, their means and variances (n - 1), shape (k,).

    The variance of a batch with one value is not looked at (NaN will do). ValueError below two
    batches, for arrays of different length, and for an empty batch.
    """
    n, mean = np.asarray(ns, dtype=float), np.asarray(means, dtype=float)
    variance = np.asarray(variances, dtype=float)
    if not n.shape == mean.shape == variance.shape or n.ndim != 1 or n.size < 2:
        raise ValueError(
            "components need numbers, means and variances of at least 2 batches: "
            f"got shapes {n.shape}, {mean.shape}, {variance.shape}"
        )
    if (n < 1).any():
        raise ValueError(f"every batch needs at least 1 value: got {n.min():.0f}")
    total, k = n.sum(), n.size
    # about the first mean, so that a large level costs no digits
    away = mean - mean[0]
    ss_between = float(n @ (away - n @ away / total) ** 2)
    ss_within = float(np.sum((n[n > 1] - 1) * variance[n > 1]))
    dof_between, dof_within = k - 1, int(total) - k
    within = ss_within / dof_within if dof_within else float("nan")
    usual_n = float((total - n @ n / total) / dof_between)
    between = (ss_between / dof_between - within) / usual_n
    return Components(
        ss_between, ss_within, dof_between, dof_within, usual_n, within, float(between)
    )
