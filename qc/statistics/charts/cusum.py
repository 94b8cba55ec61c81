"""The tabular cumulative sum (CUSUM) chart.

Two sums run beside the data: how far the values have come to lie above the target in excess of an
allowance k, and how far below; a sum never falls under 0, and one above h signals. Where a sum
last left 0 is the estimate of where the change began.

References: [1] Page, E. S. (1954), "Continuous inspection schemes", Biometrika 41:100-115.
[2] Lucas, J. M. & Crosier, R. B. (1982), "Fast initial response for CUSUM quality-control
schemes", Technometrics 24:199-205 (the head start). [3] Montgomery, D. C., "Introduction to
Statistical Quality Control", section 9.1. [4] NIST/SEMATECH e-Handbook, 6.3.2.3.1.
"""

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.statistics.arguments import Floats, finite, not_negative, positive, row

# long rows are summed in blocks, so that rounding does not grow with the distance from the start
_BLOCK = 8192

Sided = Literal["both", "upper", "lower"]


class CusumChange(NamedTuple):
    """What a signal says: `start` is the index (from 0) of the first value after the change.

    `mean` is the estimated new level, `shift` its distance from the target.
    """

    start: int
    signalled: int
    mean: float
    shift: float


@dataclass(frozen=True, slots=True, eq=False)
class Cusum:
    """Sums of shape (n,) in the unit of the values; a side that is not watched stays at 0.

    `allowance` and `limit` are k and h in the unit of the values.
    """

    values: Floats
    target: float
    allowance: float
    limit: float
    upper: Floats
    lower: Floats

    @property
    def since_upper(self) -> NDArray[np.intp]:
        """For how many values in a row the upper sum has been above 0, the N+ of [3]."""
        return _runs(self.upper)

    @property
    def since_lower(self) -> NDArray[np.intp]:
        """For how many values in a row the lower sum has been above 0, the N- of [3]."""
        return _runs(self.lower)

    def signals(self) -> NDArray[np.intp]:
        """Indices (from 0) of the values at which either sum is above the limit."""
        return np.flatnonzero((self.upper > self.limit) | (self.lower > self.limit))

    def first_signal(self) -> int | None:
        """Index of the first signal; None where there is none."""
        signals = self.signals()
        return int(signals[0]) if signals.size else None

    def change(self, at: int | None = None) -> CusumChange | None:
        """Where the change behind the signal at this index began, and the new level.

        By default of the first signal; None where there is none. Start: the value after the sum
        was last 0. Level: the mean of the values since, which is target ± (k + C/N) [3, eq. 9.6]
        with a head start taken off C. ValueError for an index without a signal.
        """
        index = self.first_signal() if at is None else at
        if index is None:
            return None
        up = bool(self.upper[index] > self.limit)
        if not up and not self.lower[index] > self.limit:
            raise ValueError(f"at must be the index of a signal: got {index}")
        run = int((self.since_upper if up else self.since_lower)[index])
        away = float(self.values[index - run + 1 : index + 1].mean()) - self.target
        return CusumChange(index - run + 1, index, self.target + away, away)


def cusum(
    values: ArrayLike,
    *,
    target: float,
    k: float,
    h: float,
    sigma: float = 1.0,
    head_start: float = 0.0,
    sided: Sided = "both",
) -> Cusum:
    """Tabular CUSUM of values in order of time [1, 3].

    `values`: shape (n,). `k` ≥ 0 (allowance), `h` > 0 (decision limit) and `head_start` (from 0 to
    h, the sums' first value; h/2 is usual [2]) are in multiples of `sigma` > 0, the standard
    deviation of a value; leave sigma at 1 to give all three in the unit of the values. k is best
    half the shift to be found; `qc.statistics.charts.design` finds h. ValueError for anything else.

    >>> chart = cusum([10.1, 9.8, 11.4, 11.2, 11.9], target=10.0, k=0.5, h=2.0)
    >>> chart.upper.round(1).tolist(), chart.first_signal(), chart.change().start
    ([0.0, 0.0, 0.9, 1.6, 3.0], 4, 2)
    """
    series = row("values", values)
    positive("sigma", sigma)
    allowance = not_negative("k", k) * sigma
    limit = positive("h", h) * sigma
    if not 0 <= head_start <= h:
        raise ValueError(f"head_start must lie from 0 to h: {head_start} with h {h}")
    if sided not in ("both", "upper", "lower"):
        raise ValueError(f"sided must be both, upper or lower: {sided}")
    away = series - finite("target", target)
    idle = np.zeros(series.size)
    start = head_start * sigma
    upper = idle if sided == "lower" else _sums(away - allowance, start)
    lower = idle if sided == "upper" else _sums(-away - allowance, start)
    return Cusum(series, target, allowance, limit, upper, lower)


def _sums(steps: Floats, start: float) -> Floats:
    """C_t = max(0, C_(t-1) + step): the path less the lowest point that it has reached."""
    sums = np.empty_like(steps)
    level = start
    for begin in range(0, steps.size, _BLOCK):
        path = np.cumsum(steps[begin : begin + _BLOCK]) + level
        floor = np.minimum(np.minimum.accumulate(path), 0.0)
        path -= floor
        sums[begin : begin + _BLOCK] = path
        level = float(path[-1])
    return sums


def _runs(sums: Floats) -> NDArray[np.intp]:
    """For how many entries in a row up to each one the sum has been above 0."""
    index = np.arange(1, sums.size + 1)
    last_zero = np.maximum.accumulate(np.where(sums > 0, 0, index))
    return index - last_zero
