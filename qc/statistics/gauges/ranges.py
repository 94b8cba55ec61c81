"""Gauge repeatability and reproducibility from averages and ranges, without analysis of variance.

Each inspector measures each part the same number of times. The mean range within cells gives the
repeatability, the range of the inspectors' means the reproducibility, the range of the parts'
means the parts' own spread, each divided by its d2*. The method is blind to an interaction of
inspector and part, which ends up in the other terms; `crossed` sees it.

References:

1. AIAG, "Measurement Systems Analysis", 3rd and 4th ed., chapter III.
2. Duncan (1986), "Quality Control and Industrial Statistics", table D3 (d2*); its square is
   d2² + d3²/g for the mean of g ranges, so that (mean range/d2*)² is without bias.
"""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, row
from qc.statistics.charts.constants import chart_constants
from qc.statistics.gauges.spread import GaugeSpread

# from here on the tables give d2 itself, and K1 = 0.8862, 0.5908 for 2, 3 trials follow from it
MANY_RANGES = 15


@dataclass(frozen=True, slots=True)
class RangeStudy:
    """Of parts × inspectors × repeats; ranges and `inspector_means` in the readings' unit.

    `range_limit` is D4 times the mean range: a cell above it was read inconsistently and its
    readings should be looked at before the study is believed.
    """

    parts: int
    operators: int
    repeats: int
    mean_range: float
    operator_range: float
    part_range: float
    range_limit: float
    operator_means: dict[Hashable, float]
    operator_mean_ranges: dict[Hashable, float]
    k1: float
    k2: float
    k3: float

    @property
    def spread(self) -> GaugeSpread:
        """EV, AV and PV of the handbook [1]; AV is 0 where repeatability explains its range."""
        repeatability = self.mean_range * self.k1
        squared = (self.operator_range * self.k2) ** 2
        squared -= repeatability**2 / (self.parts * self.repeats)
        return GaugeSpread(
            repeatability, math.sqrt(max(squared, 0.0)), 0.0, self.part_range * self.k3
        )


def d2_star(n: int, ranges: int) -> float:
    """d2* for the mean of `ranges` ranges of n normal values each [2].

    >>> round(d2_star(3, 1), 4), round(d2_star(2, 5), 4)
    (1.9115, 1.191)
    """
    if ranges != int(ranges) or ranges < 1:
        raise ValueError(f"ranges must be a whole number from 1: {ranges}")
    constants = chart_constants(n)
    return math.sqrt(constants.d2**2 + constants.d3**2 / ranges)


def gauge_rr_ranges(
    values: ArrayLike, *, parts: Sequence[Hashable], operators: Sequence[Hashable]
) -> RangeStudy:
    """Average-and-range study of readings with one part and one inspector label each.

    K1 = 1/d2 of the repeats for more than 15 cells (as in the handbook), else 1/d2* of the cells;
    K2 and K3 = 1/d2* of one range of the inspectors' and of the parts' means; all three are cut
    to the four decimals of the handbook, so that its examples come out. Balanced, at least
    2 parts, 2 inspectors and 2 repeats; ValueError otherwise.

    >>> readings = [4.1, 4.2, 4.0, 4.4, 5.1, 5.2, 5.3, 5.2, 6.0, 6.1, 6.2, 6.3]
    >>> study = gauge_rr_ranges(readings, parts=list("aaaabbbbcccc"), operators=list("XXYY") * 3)
    >>> round(study.mean_range, 3), study.k2, round(study.spread.gauge, 3)
    (0.15, 0.7071, 0.142)
    """
    cube, operator_labels = cells(values, parts, operators)
    n_parts, n_operators, repeats = cube.shape
    ranges = np.ptp(cube, axis=2)
    n_cells = n_parts * n_operators
    constants = chart_constants(repeats)
    means = cube.mean(axis=(0, 2))
    return RangeStudy(
        parts=n_parts,
        operators=n_operators,
        repeats=repeats,
        mean_range=float(ranges.mean()),
        operator_range=float(np.ptp(means)),
        part_range=float(np.ptp(cube.mean(axis=(1, 2)))),
        range_limit=float(constants.D4 * ranges.mean()),
        operator_means=dict(zip(operator_labels, means.tolist(), strict=True)),
        operator_mean_ranges=dict(zip(operator_labels, ranges.mean(axis=0).tolist(), strict=True)),
        k1=round(1 / (constants.d2 if n_cells > MANY_RANGES else d2_star(repeats, n_cells)), 4),
        k2=round(1 / d2_star(n_operators, 1), 4),
        k3=round(1 / d2_star(n_parts, 1), 4),
    )


def cells(
    values: ArrayLike, parts: Sequence[Hashable], operators: Sequence[Hashable]
) -> tuple[Floats, list[Hashable]]:
    """Readings as an array (part, inspector, repeat), with the labels of the inspectors."""
    series = row("values", values, 8)
    if not len(parts) == len(operators) == series.size:
        raise ValueError(
            "parts and operators must have one label per value: "
            f"{len(parts)} and {len(operators)} for {series.size}"
        )
    part_labels, operator_labels = list(dict.fromkeys(parts)), list(dict.fromkeys(operators))
    held: dict[tuple[Hashable, Hashable], list[float]] = {
        (part, operator): [] for part in part_labels for operator in operator_labels
    }
    for part, operator, value in zip(parts, operators, series.tolist(), strict=True):
        held[part, operator].append(value)
    counts = {len(cell) for cell in held.values()}
    if len(counts) > 1 or min(counts) < 2 or min(len(part_labels), len(operator_labels)) < 2:
        raise ValueError(
            "a gauge study needs at least 2 parts, 2 operators and 2 repeats, as many in every "
            f"cell: got {len(part_labels)} parts, {len(operator_labels)} operators, "
            f"{min(counts)} to {max(counts)} repeats"
        )
    shape = (len(part_labels), len(operator_labels), counts.pop())
    return np.array(list(held.values())).reshape(shape), operator_labels
