"""X-bar charts with range or standard deviation, and the charts of single values.

From the readings (`xbar_r_chart`, `xbar_s_chart`) or from what a summary holds of each subgroup
(`xbar_r_chart_from`, `xbar_s_chart_from`). Without `centre` and `sigma` the limits come from the
data themselves (phase 1); with the centre and sigma of an earlier chart, or a standard given, they
are carried over to these data (phase 2):

    learned = xbar_r_chart(first_25)
    later = xbar_r_chart(next_15, centre=learned.centre, sigma=learned.sigma)
    later.means.beyond()

All limits stand at three standard errors.

References: [1] Montgomery, D. C., "Introduction to Statistical Quality Control", chapter 6.
[2] ISO 7870-2, Shewhart control charts. [3] ASTM MNL 7. [4] NIST/SEMATECH e-Handbook, 6.3.2.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, finite, not_negative, row, same_length
from qc.statistics.charts.constants import c4, chart_constants
from qc.statistics.charts.individuals import D2_OF_TWO, D4_OF_TWO
from qc.statistics.charts.panel import Panel


@dataclass(frozen=True, slots=True, eq=False)
class SubgroupChart:
    """Means and spread of subgroups, with limits; `spread` holds ranges or standard deviations.

    `sigma`: standard deviation of a reading, estimated or given. `spread_bar`: mean range, mean
    standard deviation, or the pooled one where sizes differ; NaN where sigma was given.
    """

    sizes: Floats
    means: Panel
    spread: Panel
    centre: float
    sigma: float
    spread_bar: float


@dataclass(frozen=True, slots=True, eq=False)
class IndividualsChart:
    """Single values and their moving ranges of two (the first is NaN), with limits."""

    values: Panel
    moving_ranges: Panel
    centre: float
    sigma: float
    mr_bar: float


def xbar_r_chart(
    subgroups: ArrayLike | Sequence[ArrayLike],
    *,
    centre: float | None = None,
    sigma: float | None = None,
) -> SubgroupChart:
    """X-bar and R chart of readings.

    `subgroups`: shape (m, n), or a sequence of m rows of unequal size, each of at least 2
    readings. ValueError for anything else. For the rest see `xbar_r_chart_from`.

    >>> chart = xbar_r_chart([[412.0, 414.0], [413.0, 411.0], [415.0, 412.0]])
    >>> round(chart.centre, 3), round(chart.spread_bar, 3), round(float(chart.means.upper[0]), 3)
    (412.833, 2.333, 417.22)
    """
    parts = _parts(subgroups)
    ranges = [float(np.ptp(part)) for part in parts]
    return xbar_r_chart_from(*_sizes_and_means(parts), ranges, centre=centre, sigma=sigma)


def xbar_r_chart_from(
    sizes: ArrayLike,
    means: ArrayLike,
    ranges: ArrayLike,
    *,
    centre: float | None = None,
    sigma: float | None = None,
) -> SubgroupChart:
    """X-bar and R chart of subgroups known by size, mean and range, each of shape (m,).

    Equal sizes: X-bar at mean ± A2 R̄, R from D3 R̄ to D4 R̄ [1, eq. 6.4, 6.5]. Unequal sizes:
    sigma is the mean of R/d2(n), the centre weighs subgroups by size, and each has limits of its
    own size [3]. `centre`, `sigma`: given instead of estimated.
    """
    n, mean, spread = _checked(sizes, means, ranges, "ranges")
    d2, d3 = (_by_size(n, name) for name in ("d2", "d3"))
    estimated = sigma is None
    sigma = float(np.mean(spread / d2)) if sigma is None else not_negative("sigma", sigma)
    centre = _centre(n, mean, centre)
    limits = Panel.of(spread, d2 * sigma, np.maximum(d2 - 3 * d3, 0) * sigma, (d2 + 3 * d3) * sigma)
    spread_bar = float(spread.mean()) if estimated else float("nan")
    return SubgroupChart(n, _mean_panel(n, mean, centre, sigma), limits, centre, sigma, spread_bar)


def xbar_s_chart(
    subgroups: ArrayLike | Sequence[ArrayLike],
    *,
    centre: float | None = None,
    sigma: float | None = None,
) -> SubgroupChart:
    """X-bar and S chart of readings.

    `subgroups`: shape (m, n), or a sequence of m rows of unequal size, each of at least 2
    readings. ValueError for anything else. For the rest see `xbar_s_chart_from`.
    """
    parts = _parts(subgroups)
    sds = [float(np.std(part, ddof=1)) for part in parts]
    return xbar_s_chart_from(*_sizes_and_means(parts), sds, centre=centre, sigma=sigma)


def xbar_s_chart_from(
    sizes: ArrayLike,
    means: ArrayLike,
    sds: ArrayLike,
    *,
    centre: float | None = None,
    sigma: float | None = None,
) -> SubgroupChart:
    """X-bar and S chart of subgroups known by size, mean and standard deviation (n - 1).

    Equal sizes: X-bar at mean ± A3 s̄, S from B3 s̄ to B4 s̄ [1, eq. 6.27, 6.28]. Unequal sizes:
    s̄ is the pooled standard deviation √(Σ(n-1)s²/Σ(n-1)) and the constants are those of each
    size [1, eq. 6.30, 6.31]. These constants take s̄ for an average s; a pooled one is larger by
    up to 1/c4, so that limits are wide by 6 % at n = 5. The chart's own `sigma`, given back as
    `sigma`, makes limits without that.
    """
    n, mean, spread = _checked(sizes, means, sds, "sds")
    factor = _by_size(n, "c4")
    if sigma is not None:
        of_reading: Floats | float = not_negative("sigma", sigma)
        spread_bar = float("nan")
    elif np.all(n == n[0]):
        spread_bar = float(spread.mean())
        of_reading = sigma = spread_bar / float(factor[0])
    else:
        dof = float(np.sum(n - 1))
        spread_bar = float(np.sqrt(np.sum((n - 1) * spread**2) / dof))
        of_reading, sigma = spread_bar / factor, spread_bar / c4(dof + 1)
    centre = _centre(n, mean, centre)
    half = 3 * np.sqrt(1 - factor**2)
    limits = Panel.of(
        spread,
        factor * of_reading,
        np.maximum(factor - half, 0) * of_reading,
        (factor + half) * of_reading,
    )
    means_panel = _mean_panel(n, mean, centre, of_reading)
    return SubgroupChart(n, means_panel, limits, centre, sigma, spread_bar)


def individuals_chart(
    values: ArrayLike, *, centre: float | None = None, sigma: float | None = None
) -> IndividualsChart:
    """Chart of single values with the moving range of two [4, 6.3.2.2].

    `values`: shape (m,), at least 2, in order of time. Values at mean ± 3 MR̄/d2, ranges up to
    D4 MR̄. `centre`, `sigma`: given instead of estimated. ValueError for fewer or for NaN.

    >>> flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    >>> chart = individuals_chart(flow)
    >>> round(chart.mr_bar, 4), round(float(chart.values.upper[0]), 2)
    (1.8778, 55.8)
    """
    series = row("values", values, 2)
    steps = np.abs(np.diff(series))
    sigma = float(steps.mean()) / D2_OF_TWO if sigma is None else not_negative("sigma", sigma)
    centre = float(series.mean()) if centre is None else finite("centre", centre)
    mr_bar = sigma * D2_OF_TWO
    return IndividualsChart(
        Panel.of(series, centre, centre - 3 * sigma, centre + 3 * sigma),
        Panel.of(np.concatenate([[np.nan], steps]), mr_bar, 0.0, D4_OF_TWO * mr_bar),
        centre,
        sigma,
        mr_bar,
    )


def _parts(subgroups: ArrayLike | Sequence[ArrayLike]) -> list[Floats]:
    parts = [np.asarray(part, dtype=float) for part in subgroups]  # type: ignore[union-attr]
    return [row(f"subgroup {i}", part, 2) for i, part in enumerate(parts)]


def _sizes_and_means(parts: list[Floats]) -> tuple[list[int], list[float]]:
    return [part.size for part in parts], [float(part.mean()) for part in parts]


def _checked(
    sizes: ArrayLike, means: ArrayLike, spread: ArrayLike, name: str
) -> tuple[Floats, Floats, Floats]:
    n, mean, width = row("sizes", sizes), row("means", means), row(name, spread)
    same_length(**{"sizes": n, "means": mean, name: width})
    if (n < 2).any():
        raise ValueError(f"sizes must be at least 2 readings: got {n.min():g}")
    if (width < 0).any():
        raise ValueError(f"{name} must not be negative: got {width.min():g}")
    return n, mean, width


def _by_size(n: Floats, constant: str) -> Floats:
    known = {size: getattr(chart_constants(int(size)), constant) for size in np.unique(n)}
    return np.array([known[size] for size in n])


def _centre(n: Floats, mean: Floats, given: float | None) -> float:
    return float(np.average(mean, weights=n)) if given is None else finite("centre", given)


def _mean_panel(n: Floats, mean: Floats, centre: float, sigma: Floats | float) -> Panel:
    half = 3 * sigma / np.sqrt(n)
    return Panel.of(mean, centre, centre - half, centre + half)
