"""The three-way chart for batches: batch means, their moving range, and the spread within.

Where batches differ by nature (a resin lot, a mould change), the spread of parts within a batch
says nothing about how far batch means may lie apart, and an X-bar chart would signal all the time.
The means are therefore charted as single values with limits from their own moving range, and the
spread within batches has a chart of its own.

Reference: [1] Wheeler, D. J. (1995), "Advanced Topics in Statistical Process Control", three-way
charts; limits of the single charts as in `qc.statistics.charts.subgroups`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, row, same_length
from qc.statistics.charts.panel import Panel
from qc.statistics.charts.subgroups import individuals_chart, xbar_s_chart_from


@dataclass(frozen=True, slots=True, eq=False)
class ThreeWayChart:
    """One point per batch on each of three charts, in the unit of the readings.

    `sigma_means`: standard deviation of a batch mean, from the moving range. `sigma_within`: of a
    part within its batch, pooled; NaN where every batch has one part.
    """

    sizes: Floats
    means: Panel
    moving_ranges: Panel
    within: Panel
    sigma_means: float
    sigma_within: float

    @property
    def sigma_between(self) -> float:
        """Standard deviation between batches, what the parts' spread explains being taken off.

        √(sigma_means² - sigma_within²/n) at the harmonic mean size; 0 where that is negative.
        """
        explained = self.sigma_within**2 * float(np.mean(1 / self.sizes))
        return float(np.sqrt(np.maximum(self.sigma_means**2 - explained, 0.0)))


def three_way_chart(batches: ArrayLike | Sequence[ArrayLike]) -> ThreeWayChart:
    """Three-way chart of readings.

    `batches`: shape (m, n), or a sequence of m ≥ 2 rows of unequal size, in order of time. A
    batch of one part has a mean and no spread.

    >>> chart = three_way_chart([[410.0, 412.0], [420.0, 421.0], [409.0, 412.0]])
    >>> chart.moving_ranges.points.tolist(), round(chart.sigma_means, 3)
    ([nan, 9.5, 10.0], 8.641)
    """
    parts = [
        row(f"batch {i}", part)
        for i, part in enumerate(batches)  # type: ignore[arg-type]
    ]
    sds = [float(np.std(part, ddof=1)) if part.size > 1 else np.nan for part in parts]
    return three_way_chart_from(
        [part.size for part in parts], [float(part.mean()) for part in parts], sds
    )


def three_way_chart_from(sizes: ArrayLike, means: ArrayLike, sds: ArrayLike) -> ThreeWayChart:
    """Three-way chart of batches known by size, mean and standard deviation (n - 1), shape (m,).

    The standard deviation of a batch of one part is not looked at (NaN will do). ValueError
    below two batches.
    """
    n, mean = row("sizes", sizes, 2), row("means", means, 2)
    sd = np.where(n > 1, np.asarray(sds, dtype=float), np.nan)
    same_length(sizes=n, means=mean, sds=sd)
    single = individuals_chart(mean)
    several = n > 1
    nothing = np.full(n.size, np.nan)
    within, sigma = Panel(nothing, nothing, nothing, nothing), float("nan")
    if several.any():
        chart = xbar_s_chart_from(n[several], mean[several], sd[several])
        sigma = chart.sigma
        within = Panel(*(_spread_out(part, several) for part in _columns(chart.spread)))
    return ThreeWayChart(n, single.values, single.moving_ranges, within, single.sigma, sigma)


def _columns(panel: Panel) -> tuple[Floats, Floats, Floats, Floats]:
    return panel.points, panel.centre, panel.lower, panel.upper


def _spread_out(part: Floats, where: np.ndarray) -> Floats:
    whole = np.full(where.size, np.nan)
    whole[where] = part
    return whole
