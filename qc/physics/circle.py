"""Least-squares circle through measured points, in millimetres.

Unlike the first wave of a run-out trace it is exact for an axis well off the centre, where the
radii of a true circle are a limaçon and show a false oval of e²/4R.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np


class Circle(NamedTuple):
    """A fitted circle; `out_of_roundness_mm` is peak to valley of the distances from it."""

    x_mm: float
    y_mm: float
    radius_mm: float
    out_of_roundness_mm: float


def fitted_circle(angles_deg: Sequence[float], radii_mm: Sequence[float]) -> Circle:
    """Least-squares circle through radii about an axis; x points to 0 degrees, y to 90."""
    angles = np.radians(np.asarray(angles_deg, dtype=float))
    radii = np.asarray(radii_mm, dtype=float)
    return fit_circle(radii * np.cos(angles), radii * np.sin(angles))


def fit_circle(x_mm: Sequence[float], y_mm: Sequence[float]) -> Circle:
    """The circle of least squared orthogonal distances to at least 3 points.

    Gauss-Newton from the algebraic fit; Gander, Golub and Strebel (1994), Least-squares fitting
    of circles and ellipses, BIT 34. ValueError for points on a line.
    """
    points = np.column_stack([np.asarray(x_mm, dtype=float), np.asarray(y_mm, dtype=float)])
    origin = points.mean(axis=0)
    points = points - origin
    size = float(np.abs(points).max())
    design = np.column_stack([2 * points, np.full(len(points), size)])
    fitted, _, rank, _ = np.linalg.lstsq(design, (points**2).sum(axis=1), rcond=1e-10)
    if rank < 3:
        raise ValueError(f"points: must not lie on a line, got {len(points)} that do")
    centre = fitted[:2]
    for _ in range(200):
        spokes = points - centre
        distances = np.hypot(*spokes.T)
        radius = distances.mean()
        slopes = np.column_stack([spokes / distances[:, None], np.ones(len(points))])
        step = np.linalg.lstsq(slopes, distances - radius, rcond=None)[0]
        centre = centre + step[:2]
        if np.abs(step[:2]).max() <= 1e-12 * size:
            break
    else:
        raise ValueError("points: no circle was found, they lie too nearly on a line")
    distances = np.hypot(*(points - centre).T)
    x, y = (float(value) for value in centre + origin)
    return Circle(x, y, float(distances.mean()), round(float(np.ptp(distances)), 9))
