"""Many tests at once: p-values adjusted so that each can be held against one level.

`benjamini_hochberg` holds the expected share of false rejections among all rejections at the
level (independent or positively dependent tests); `holm` and `bonferroni` hold the chance of any
false rejection, however the tests depend; `hochberg` does so for independent ones.

References: [1] Benjamini, Y. & Hochberg, Y. (1995), "Controlling the false discovery rate", Journal
of the Royal Statistical Society B 57:289-300. [2] Holm, S. (1979), "A simple sequentially rejective
multiple test procedure", Scandinavian Journal of Statistics 6:65-70. [3] Hochberg, Y. (1988), "A
sharper Bonferroni procedure", Biometrika 75:800-802. [4] Wright, S. P. (1992), "Adjusted P-values
for simultaneous inference", Biometrics 48:1005-1013.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.statistics.arguments import Floats, share


@dataclass(frozen=True, slots=True, eq=False)
class AdjustedP:
    """`p_values` as given and `adjusted`, of equal shape (m,) and in the same order."""

    p_values: Floats
    adjusted: Floats

    def rejected(self, level: float = 0.05) -> NDArray[np.bool_]:
        """Which hypotheses are rejected: those whose adjusted p-value is at most the level."""
        return self.adjusted <= share("level", level)


def benjamini_hochberg(p_values: ArrayLike) -> AdjustedP:
    """False discovery rate [1]: the least over j ≥ i of p_(j) · m/j, for the i-th smallest.

    `p_values`: shape (m,), from 0 to 1, in any order; none gives none. ValueError for others.

    >>> found = benjamini_hochberg([0.01, 0.5, 0.02, 0.03])
    >>> found.adjusted.tolist(), found.rejected(0.05).tolist()
    ([0.04, 0.5, 0.04, 0.04], [True, False, True, True])
    """
    return _adjusted(p_values, lambda p, i, m: _least_from_above(p * m / i))


def holm(p_values: ArrayLike) -> AdjustedP:
    """Holm's step-down [2]: the most over j ≤ i of p_(j) · (m - j + 1). See `benjamini_hochberg`.

    >>> holm([0.01, 0.04, 0.02]).adjusted.tolist()
    [0.03, 0.04, 0.04]
    """
    return _adjusted(p_values, lambda p, i, m: np.maximum.accumulate(p * (m - i + 1)))


def hochberg(p_values: ArrayLike) -> AdjustedP:
    """Hochberg's step-up [3]: the least over j ≥ i of p_(j) · (m - j + 1)."""
    return _adjusted(p_values, lambda p, i, m: _least_from_above(p * (m - i + 1)))


def bonferroni(p_values: ArrayLike) -> AdjustedP:
    """Every p-value times their number."""
    return _adjusted(p_values, lambda p, i, m: p * m)


def _least_from_above(scaled: Floats) -> Floats:
    return np.asarray(np.minimum.accumulate(scaled[::-1])[::-1])


def _adjusted(p_values: ArrayLike, of_sorted: Callable[[Floats, Floats, int], Floats]) -> AdjustedP:
    p = np.asarray(p_values, dtype=float)
    if p.ndim != 1 or not ((p >= 0) & (p <= 1)).all():
        raise ValueError(f"p_values must be a row of numbers from 0 to 1: got {p_values!r}")
    order = np.argsort(p, kind="stable")
    adjusted = np.empty_like(p)
    rank = np.arange(1.0, p.size + 1)
    adjusted[order] = np.minimum(of_sorted(p[order], rank, p.size), 1.0)
    return AdjustedP(p, adjusted)
