"""The share of parts that survives, over multiples of the standard impact, with a band.

The estimate is Turnbull's, which takes every test for the interval it is; the band are pointwise
likelihood-ratio limits. See `qc.statistics.survival.turnbull` for both and their sources.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from qc.statistics.survival.censoring import Censored
from qc.statistics.survival.turnbull import Turnbull, turnbull

MOST_POINTS = 12  # each costs a search of its own


class Point(NamedTuple):
    """The share that survives `multiple`: estimate and limits.

    `survive` is None beyond what any part was tested to: there only the upper limit is known.
    Between two points the share is taken to fall at once, right after the first.
    """

    multiple: float
    survive: float | None
    lower: float
    upper: float


def survival_curve(
    data: Censored, *, marks: Sequence[float] = (), confidence: float = 0.95
) -> list[Point]:
    """Points of the curve in order: where the estimate falls, and at each of `marks`.

    Of many places where it falls 12 are taken, evenly along the list. ValueError for a confidence
    that is no share.
    """
    curve = turnbull(data)
    ends = np.unique(np.concatenate([curve.left, curve.right]))
    ends = ends[np.isfinite(ends) & (ends > 0)]
    if ends.size > MOST_POINTS:
        ends = ends[np.linspace(0, ends.size - 1, MOST_POINTS).round().astype(int)]
    places = np.unique(np.append(ends, marks))
    return [_point(curve, float(place), confidence) for place in places]


def _point(curve: Turnbull, place: float, confidence: float) -> Point:
    lower, upper = curve.survival_interval(place, confidence=confidence)
    beyond = np.isinf(curve.right[-1]) and place > curve.left[-1]
    return Point(place, None if beyond else curve.survival_at(place), lower, upper)
