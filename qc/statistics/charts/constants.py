"""Control-chart constants for subgroups of normal readings, computed and not read from a table.

d2 and d3 are mean and standard deviation of the range of n standard normal readings, c4 the mean
of their standard deviation; all factors of the charts follow. Printed tables round these to three
decimals and now and then round twice, so that a last digit may differ by one.

References: [1] Tippett, L. H. C. (1925), "On the extreme individuals and the range of samples",
Biometrika 17:364-387. [2] Montgomery, D. C., "Introduction to Statistical Quality Control",
Appendix VI. [3] ASTM MNL 7, "Manual on Presentation of Data and Control Chart Analysis".
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np


@dataclass(frozen=True, slots=True)
class ChartConstants:
    """Of subgroups of `n`, named as in the tables [2, 3].

    A, B5, B6, D1, D2 multiply a known standard deviation, A2, D3, D4 the mean range, A3, B3, B4
    the mean standard deviation. All limits stand at three standard errors; a lower limit of a
    spread that would be negative is 0.
    """

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def A(self) -> float:  # noqa: N802  the name in every table
        return 3 / math.sqrt(self.n)

    @property
    def A2(self) -> float:  # noqa: N802
        return self.A / self.d2

    @property
    def A3(self) -> float:  # noqa: N802
        return self.A / self.c4

    @property
    def B3(self) -> float:  # noqa: N802
        return self.B5 / self.c4

    @property
    def B4(self) -> float:  # noqa: N802
        return self.B6 / self.c4

    @property
    def B5(self) -> float:  # noqa: N802
        return max(self.c4 - 3 * math.sqrt(1 - self.c4**2), 0.0)

    @property
    def B6(self) -> float:  # noqa: N802
        return self.c4 + 3 * math.sqrt(1 - self.c4**2)

    @property
    def D1(self) -> float:  # noqa: N802
        return max(self.d2 - 3 * self.d3, 0.0)

    @property
    def D2(self) -> float:  # noqa: N802
        return self.d2 + 3 * self.d3

    @property
    def D3(self) -> float:  # noqa: N802
        return self.D1 / self.d2

    @property
    def D4(self) -> float:  # noqa: N802
        return self.D2 / self.d2


@lru_cache(maxsize=256)
def chart_constants(n: int) -> ChartConstants:
    """All constants for subgroups of `n` readings, n from 2 to 10,000.

    >>> five = chart_constants(5)
    >>> round(five.d2, 3), round(five.c4, 4), round(five.A2, 3), round(five.B4, 3)
    (2.326, 0.94, 0.577, 2.089)
    """
    if n != int(n) or not 2 <= n <= 10_000:
        raise ValueError(f"n must be a whole number of readings from 2 to 10000: {n}")
    mean, deviation = _range_moments(int(n))
    return ChartConstants(int(n), mean, deviation, c4(n))


def c4(n: float) -> float:
    """Mean of the standard deviation of `n` standard normal readings, n > 1.

    √(2/(n-1)) Γ(n/2)/Γ((n-1)/2); with n = dof + 1 it serves any standard deviation whose square
    is χ² with `dof` degrees of freedom, whole or not.
    """
    from scipy.special import poch

    if not n > 1:
        raise ValueError(f"n must be above 1 for a standard deviation: {n}")
    return float((2 / (n - 1)) ** 0.5 * poch((n - 1) / 2, 0.5))


def _range_moments(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range of n: ∫(1 - F) and 2∫w(1 - F) for its law F.

    F(w) = n ∫ φ(x) [Φ(x + w) - Φ(x)]^(n-1) dx [1]. The integrand over x dies out on both sides,
    where equal steps converge faster than any power; 1 - F is smooth and nought beyond 18.
    """
    from scipy.special import ndtr, roots_legendre

    nodes, weights = roots_legendre(240)
    w, weights = 9 * (nodes + 1), 9 * weights
    x, step = np.linspace(-10, 10, 401, retstep=True)
    density = np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi)
    inside = ndtr(x[:, None] + w) - ndtr(x)[:, None]
    above = 1 - n * step * (density @ inside ** (n - 1))
    mean = float(weights @ above)
    return mean, float(np.sqrt(2 * (weights * w) @ above - mean**2))
