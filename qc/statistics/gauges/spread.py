"""What a gauge study comes to: the spread of gauge and parts, and what it means for judging.

References:

1. AIAG, "Measurement Systems Analysis", 4th ed., chapter III (per cent of study variation, number
   of distinct categories); the 3rd edition took 5.15 standard deviations where this takes 6.
2. Burdick, Borror & Montgomery (2003), J. Qual. Technol. 35:342-354.
"""

import math
from dataclasses import dataclass

from qc.statistics.arguments import positive

# √2, as the handbook rounds it; the category count is cut to a whole number
CATEGORY_FACTOR = 1.41


@dataclass(frozen=True, slots=True)
class GaugeSpread:
    """Standard deviations in the unit of the readings, none negative.

    `repeatability` (also EV): one inspector on one part; `operator` (also AV): between inspectors;
    `interaction`: inspectors who differ by the part; `part` (also PV): the parts themselves.
    """

    repeatability: float
    operator: float
    interaction: float
    part: float

    @property
    def reproducibility(self) -> float:
        """Between inspectors, the interaction included."""
        return math.hypot(self.operator, self.interaction)

    @property
    def gauge(self) -> float:
        """Repeatability and reproducibility together (GRR)."""
        return math.hypot(self.repeatability, self.operator, self.interaction)

    @property
    def total(self) -> float:
        """Gauge and parts together (TV)."""
        return math.hypot(self.gauge, self.part)

    def percent_of_study(self) -> dict[str, float]:
        """100 × each standard deviation over the total one; these do not add up to 100 [1].

        NaN where nothing varies at all.
        """
        return {name: _percent(sd, self.total) for name, sd in self._named()}

    def percent_contribution(self) -> dict[str, float]:
        """100 × each variance over the total one; components add up to 100."""
        return {name: _percent(sd**2, self.total**2) for name, sd in self._named()}

    def percent_of_tolerance(self, tolerance: float, sigmas: float = 6) -> dict[str, float]:
        """100 × `sigmas` standard deviations over the tolerance (upper less lower limit) [1].

        For one-sided limits give twice the distance from the process mean to the limit, and
        say so.
        """
        positive("tolerance", tolerance)
        positive("sigmas", sigmas)
        return {name: 100 * sigmas * sd / tolerance for name, sd in self._named()}

    @property
    def category_ratio(self) -> float:
        """1.41 · part / gauge before it is cut to a whole number; infinite for a perfect gauge."""
        return category_ratio(self.part, self.gauge)

    @property
    def distinct_categories(self) -> float:
        """How many groups of parts the gauge can tell apart (ndc), a whole number of at least 1.

        Infinite where the gauge shows no spread, NaN where nothing varies.
        """
        ratio = self.category_ratio
        return float(max(math.floor(ratio), 1)) if math.isfinite(ratio) else ratio

    def _named(self) -> tuple[tuple[str, float], ...]:
        return (
            ("repeatability", self.repeatability),
            ("operator", self.operator),
            ("interaction", self.interaction),
            ("reproducibility", self.reproducibility),
            ("gauge", self.gauge),
            ("part", self.part),
            ("total", self.total),
        )


def category_ratio(part_sd: float, gauge_sd: float) -> float:
    """1.41 · part / gauge; see `GaugeSpread.category_ratio`."""
    if gauge_sd == 0:
        return math.inf if part_sd > 0 else math.nan
    return CATEGORY_FACTOR * part_sd / gauge_sd


def _percent(part: float, whole: float) -> float:
    return 100 * part / whole if whole else math.nan
