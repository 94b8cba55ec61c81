"""Checks of arguments that many statistics share: a message names argument, rule and value."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def row(name: str, values: ArrayLike, least: int = 1) -> Floats:
    """`values` as a row of at least `least` finite numbers."""
    series = np.asarray(values, dtype=float)
    if series.ndim != 1 or series.size < least:
        raise ValueError(f"{name} must be a row of at least {least}: got shape {series.shape}")
    if not np.isfinite(series).all():
        odd = int(np.flatnonzero(~np.isfinite(series))[0])
        raise ValueError(f"{name} must be finite numbers: got {series[odd]} at index {odd}")
    return series


def same_length(**rows: Floats) -> None:
    """Rows that belong together, one entry each per sample."""
    if len({series.size for series in rows.values()}) > 1:
        sizes = ", ".join(f"{name} {series.size}" for name, series in rows.items())
        raise ValueError(f"{' and '.join(rows)} must have one entry each per sample: {sizes}")


def share(name: str, value: float) -> float:
    """A number between 0 and 1, neither of them."""
    if not 0 < value < 1:
        raise ValueError(f"{name} must lie between 0 and 1: {value}")
    return value


def positive(name: str, value: float) -> float:
    """A finite number above 0."""
    if not 0 < value < math.inf:
        raise ValueError(f"{name} must be a finite number above 0: {value}")
    return value


def not_negative(name: str, value: float) -> float:
    """A finite number of at least 0."""
    if not 0 <= value < math.inf:
        raise ValueError(f"{name} must be a finite number of at least 0: {value}")
    return value


def finite(name: str, value: float) -> float:
    """Any finite number."""
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a finite number: {value}")
    return value
