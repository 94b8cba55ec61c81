"""Control charts for single values: individuals and moving range, and EWMA.

Constants are computed where a short formula gives them: for two values in a row the expected
range is d2 = 2/√π standard deviations, and its own standard deviation d3 = √(2 - 4/π).
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

D2_OF_TWO = 2 / math.sqrt(math.pi)
D3_OF_TWO = math.sqrt(2 - 4 / math.pi)
# upper limit of a range of two, in mean ranges: 1 + 3 d3/d2
D4_OF_TWO = 1 + 3 * D3_OF_TWO / D2_OF_TWO

Floats = NDArray[np.float64]


class Limits(NamedTuple):
    """Of an individuals chart, in the values' unit; `mr` is the range of two values in a row."""

    centre: float
    lower: float
    upper: float
    sigma: float
    mr_bar: float
    mr_upper: float


class Band(NamedTuple):
    """Lower and upper limit, one pair per point."""

    lower: Floats
    upper: Floats


def individuals_limits(values: ArrayLike) -> Limits:
    """Three-sigma limits from the mean moving range (NIST/SEMATECH e-Handbook 6.3.2.2).

    `values`: at least two single values in order of time.
    """
    series = np.asarray(values, dtype=float)
    if series.ndim != 1 or series.size < 2:
        raise ValueError(
            f"an individuals chart needs a row of at least 2 values: got shape {series.shape}"
        )
    centre = float(series.mean())
    mr_bar = float(np.abs(np.diff(series)).mean())
    sigma = mr_bar / D2_OF_TWO
    return Limits(centre, centre - 3 * sigma, centre + 3 * sigma, sigma, mr_bar, D4_OF_TWO * mr_bar)


def ewma(values: ArrayLike, weight: float, start: float) -> Floats:
    """z_t = weight · x_t + (1 - weight) · z_(t-1) from z_0 = `start` (Roberts 1959).

    `values`: shape (n,), in order of time; the answer has the same shape and unit.
    """
    from scipy.signal import lfilter

    _check(weight)
    series = np.asarray(values, dtype=float)
    # filtered as differences from the start, so that a long quiet run adds no rounding
    smooth = lfilter([weight], [1.0, weight - 1.0], series - start)
    return np.asarray(smooth, dtype=float) + start


def ewma_limits(
    index: ArrayLike,
    sigma: float,
    weight: float,
    width: float,
    centre: float,
    exact: bool = True,
) -> Band:
    """Limits centre ± width · sigma · √(weight/(2-weight) · (1 - (1-weight)^(2t))).

    `index`: the point's number t = 1, 2, … since the start, any shape. With `exact=False` the
    last factor is left out: the steady state (NIST/SEMATECH e-Handbook 6.3.2.4).
    """
    _check(weight)
    t = np.asarray(index, dtype=float)
    grown = 1 - (1 - weight) ** (2 * t) if exact else np.ones_like(t)
    half = width * sigma * np.sqrt(weight / (2 - weight) * grown)
    return Band(centre - half, centre + half)


def _check(weight: float) -> None:
    if not 0 < weight <= 1:
        raise ValueError(f"an EWMA weight must be above 0 and at most 1: {weight}")
