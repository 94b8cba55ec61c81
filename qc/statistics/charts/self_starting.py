"""Charts for a new model with little history: every value is judged by those before it.

Nothing has to be set aside as a baseline. Value n is compared with mean and standard deviation of
the n - 1 before it, by Student's t, and the chance found is turned back into a normal score:

    T_n = √((n - 1)/n) (x_n - x̄_(n-1))/s_(n-1),    U_n = Φ⁻¹(F(T_n)), F of t with n - 2 degrees.

While the process is in control the scores are independent standard normal from the third value on,
whatever its mean and spread, and any chart for standardised values serves: a CUSUM, an EWMA, run
rules. After a lasting shift they are shifted too, but the shift is learned bit by bit as normal:
a signal is to be acted on when it comes, and the first values should be in control.

References: [1] Hawkins, D. M. (1987), "Self-starting CUSUM charts for location and scale", The
Statistician 36:299-316. [2] Quesenberry, C. P. (1991), "SPC Q charts for start-up processes and
short or long runs", Journal of Quality Technology 23:213-224 (case of both unknown).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, row
from qc.statistics.charts.cusum import Cusum, Sided, cusum


@dataclass(frozen=True, slots=True, eq=False)
class SelfStartingCusum:
    """`values` and `scores` of shape (n,); `chart` is the CUSUM of the scores, target 0, sigma 1.

    The chart counts a score that is not there yet as 0, so that its indices are those of values.
    """

    values: Floats
    scores: Floats
    chart: Cusum

    def first_signal(self) -> int | None:
        """Index (from 0) of the first signal; None where there is none."""
        return self.chart.first_signal()


def self_starting_scores(values: ArrayLike) -> Floats:
    """The scores U_n [1, 2], independent standard normal while nothing changes.

    `values`: shape (n,), in order of time. The answer has the same shape; scores are NaN until two
    values before them differ, as no spread is known till then. A score is capped at ± 38, as far
    as a normal tail can be told.

    >>> self_starting_scores([412.0, 414.0, 413.0, 419.0]).round(3).tolist()
    [nan, nan, 0.0, 2.107]
    """
    from scipy.special import ndtri, stdtr

    series = row("values", values)
    n = np.arange(1, series.size + 1)
    mean, squares = _running(series)
    scores = np.full(series.size, np.nan)
    known = np.flatnonzero(squares[:-1] > 0) + 1
    sd = np.sqrt(squares[known - 1] / (known - 1))
    t = np.sqrt(known / n[known]) * (series[known] - mean[known - 1]) / sd
    # from the lower tail on either side, where chances keep their digits
    tail = np.maximum(stdtr(known - 1, -np.abs(t)), np.finfo(float).tiny)
    # adding 0 makes the -0 of an equal value 0
    scores[known] = 0.0 - np.sign(t) * ndtri(tail)
    return scores


def self_starting_cusum(
    values: ArrayLike,
    *,
    k: float,
    h: float,
    head_start: float = 0.0,
    sided: Sided = "both",
) -> SelfStartingCusum:
    """Hawkins' self-starting CUSUM for the level [1].

    `k`, `h`, `head_start`, `sided` as in `cusum`, in sigmas; the run length in control is that of
    a CUSUM with known mean and spread (`run_length.arl_cusum`), counted from the third value.

    >>> rims = [412.0, 413.0, 412.5, 411.5, 412.8, 416.0, 417.0, 416.5, 417.5]
    >>> self_starting_cusum(rims, k=0.5, h=4.0).first_signal()
    7
    """
    scores = self_starting_scores(values)
    known = np.isfinite(scores)
    if not known.any():
        chart = cusum(np.zeros(scores.size), target=0.0, k=k, h=h, sided=sided)
        return SelfStartingCusum(row("values", values), scores, chart)
    # the sums start, from the head start if there is one, when the scores do
    part = cusum(scores[known], target=0.0, k=k, h=h, head_start=head_start, sided=sided)
    before = np.zeros(scores.size - part.values.size)
    steps, upper, lower = (
        np.concatenate([before, sums]) for sums in (part.values, part.upper, part.lower)
    )
    chart = Cusum(steps, 0.0, part.allowance, part.limit, upper, lower)
    return SelfStartingCusum(row("values", values), scores, chart)


def _running(series: Floats) -> tuple[Floats, Floats]:
    """Mean and sum of squares about it of the first 1, 2, … values.

    About the first value, then by Welford's steps in closed form: the squares grow by
    (n - 1)/n · (x_n - x̄_(n-1))², which adds what is never negative and loses no digits.
    """
    n = np.arange(1, series.size + 1)
    away = series - series[0]
    mean = np.cumsum(away) / n
    step = np.append(0.0, away[1:] - mean[:-1])
    squares = np.cumsum((n - 1) / n * step**2)
    return mean + series[0], squares
