"""Bias of a gauge at one reference, and its linearity over several.

Bias is reading less reference. At one reference a t interval tells whether it may be nought; over
several, bias is regressed on the reference value, and a gauge is linear in the sense of the
handbook where the line bias = 0 lies inside the confidence band everywhere.

References:

1. AIAG, "Measurement Systems Analysis", 4th ed., chapter III, sections on bias and linearity.
2. Draper & Smith (1998), "Applied Regression Analysis", chapters 1 and 3 (line, band, Working-
   Hotelling band).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, finite, row, same_length, share
from qc.statistics.limits import Interval


@dataclass(frozen=True, slots=True)
class Bias:
    """Of `n` readings of one reference: `bias` and `sd` in the gauge's unit, `dof` of the sd."""

    reference: float
    n: int
    bias: float
    sd: float
    dof: float

    @property
    def standard_error(self) -> float:
        """sd/√n."""
        return self.sd / math.sqrt(self.n)

    @property
    def t(self) -> float:
        """Bias over its standard error; infinite where all readings agree off the reference."""
        return _ratio(self.bias, self.standard_error)

    @property
    def p(self) -> float:
        """The chance of a t at least as far from 0 without bias."""
        return _two_sided(self.t, self.dof)

    def interval(self, confidence: float = 0.95) -> Interval:
        """Bias ± t · standard error; the gauge shows no bias where this holds 0."""
        half = _quantile(confidence, self.dof) * self.standard_error
        return Interval(self.bias - half, self.bias + half)


@dataclass(frozen=True, slots=True)
class Linearity:
    """The line bias = intercept + slope · reference through single biases.

    `sd` is the residual standard deviation with n - 2 degrees of freedom, `sxx` the references'
    sum of squares about their mean.
    """

    references: Floats
    biases: Floats
    slope: float
    intercept: float
    sd: float
    r_squared: float
    sxx: float

    @property
    def dof(self) -> int:
        return self.references.size - 2

    @property
    def slope_error(self) -> float:
        """Standard error of the slope, sd/√Sxx."""
        return self.sd / math.sqrt(self.sxx)

    @property
    def intercept_error(self) -> float:
        """Standard error of the intercept: that of the line at a reference of 0."""
        return float(self._error(np.zeros(1))[0])

    @property
    def slope_t(self) -> float:
        """Slope over its standard error: tests bias that grows with the reference."""
        return _ratio(self.slope, self.slope_error)

    @property
    def intercept_t(self) -> float:
        """Intercept over its standard error: with the slope at 0, tests a constant bias."""
        return _ratio(self.intercept, self.intercept_error)

    @property
    def slope_p(self) -> float:
        return _two_sided(self.slope_t, self.dof)

    @property
    def intercept_p(self) -> float:
        return _two_sided(self.intercept_t, self.dof)

    def slope_interval(self, confidence: float = 0.95) -> Interval:
        half = _quantile(confidence, self.dof) * self.slope_error
        return Interval(self.slope - half, self.slope + half)

    def intercept_interval(self, confidence: float = 0.95) -> Interval:
        half = _quantile(confidence, self.dof) * self.intercept_error
        return Interval(self.intercept - half, self.intercept + half)

    def bias_at(self, reference: ArrayLike) -> Floats:
        """The line at any reference, same shape."""
        return self.intercept + self.slope * np.asarray(reference, dtype=float)

    def band(
        self, reference: ArrayLike, confidence: float = 0.95, simultaneous: bool = False
    ) -> tuple[Floats, Floats]:
        """Lower and upper limit of the mean bias at each reference [1, 2].

        By default each point by itself, with t as in the handbook; `simultaneous` widens it to
        hold along the whole line at once (Working-Hotelling, √(2F)).
        """
        from scipy.special import fdtri

        x = np.asarray(reference, dtype=float)
        if simultaneous:
            factor = math.sqrt(2 * float(fdtri(2, self.dof, share("confidence", confidence))))
        else:
            factor = _quantile(confidence, self.dof)
        half = factor * self._error(x)
        return self.bias_at(x) - half, self.bias_at(x) + half

    def holds_zero(self, confidence: float = 0.95) -> bool:
        """Whether bias 0 lies inside the pointwise band at every reference that was measured."""
        lower, upper = self.band(np.unique(self.references), confidence)
        return bool(((lower <= 0) & (upper >= 0)).all())

    def percent_linearity(self) -> float:
        """100 · |slope|: how much of a step in the reference the gauge misses or adds [1]."""
        return 100 * abs(self.slope)

    def _error(self, x: Floats) -> Floats:
        away = x - self.references.mean()
        return np.asarray(self.sd * np.sqrt(1 / self.references.size + away**2 / self.sxx))


def gauge_bias(
    readings: ArrayLike,
    *,
    reference: float,
    repeatability_sd: float | None = None,
    dof: float = math.inf,
) -> Bias:
    """Bias of readings of one reference value, in its unit; at least 2 readings, or 1 with an sd.

    The standard deviation is that of the readings, unless `repeatability_sd` comes from elsewhere
    with `dof` degrees of freedom (a gauge study's; the 3rd edition of the handbook takes it from
    the range).

    >>> found = gauge_bias([6.1, 5.9, 6.2, 6.0], reference=6.0)
    >>> round(found.bias, 3), [round(limit, 3) for limit in found.interval()]
    (0.05, [-0.155, 0.255])
    """
    away = row("readings", readings, 1 if repeatability_sd is not None else 2)
    away = away - finite("reference", reference)
    if repeatability_sd is None:
        return Bias(
            reference, away.size, float(away.mean()), float(away.std(ddof=1)), away.size - 1
        )
    if not (repeatability_sd >= 0 and dof > 0):
        raise ValueError(
            f"repeatability_sd must be at least 0 and dof above 0: {repeatability_sd}, {dof}"
        )
    return Bias(reference, away.size, float(away.mean()), float(repeatability_sd), float(dof))


def gauge_linearity(references: ArrayLike, readings: ArrayLike) -> Linearity:
    """Regression of bias on reference, one reference value per reading, in one unit.

    At least 3 readings of 2 different references; ValueError otherwise. Readings that lie on the
    line exactly give a residual of 0 and infinite t.

    >>> line = gauge_linearity([2, 2, 4, 4, 6, 6], [2.2, 2.4, 4.0, 4.2, 5.8, 6.0])
    >>> round(line.slope, 3), round(line.intercept, 3), line.holds_zero()
    (-0.1, 0.5, False)
    """
    x, y = row("references", references, 3), row("readings", readings, 3)
    same_length(references=x, readings=y)
    biases = y - x
    away = x - x.mean()
    sxx = float(away @ away)
    if sxx == 0:
        raise ValueError(f"references must be at least 2 different values: all are {x[0]}")
    slope = float(away @ biases) / sxx
    left = biases - biases.mean() - slope * away
    total = float(np.sum((biases - biases.mean()) ** 2))
    residual = float(left @ left)
    # what is left of rounding alone is no residual
    if residual <= (1e-14 * float(np.abs(y).max() + np.abs(x).max())) ** 2 * x.size:
        residual = 0.0
    return Linearity(
        references=x,
        biases=biases,
        slope=slope,
        intercept=float(biases.mean() - slope * x.mean()),
        sd=math.sqrt(residual / (x.size - 2)),
        r_squared=1 - residual / total if total else math.nan,
        sxx=sxx,
    )


def _quantile(confidence: float, dof: float) -> float:
    from scipy.special import ndtri, stdtrit

    upper = (1 + share("confidence", confidence)) / 2
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(dof, upper))


def _ratio(value: float, error: float) -> float:
    if error:
        return value / error
    return math.copysign(math.inf, value) if value else math.nan


def _two_sided(t: float, dof: float) -> float:
    from scipy.special import ndtr, stdtr

    if math.isnan(t):
        return math.nan
    return float(2 * (ndtr(-abs(t)) if math.isinf(dof) else stdtr(dof, -abs(t))))
