"""The scale on which the batch means of a characteristic are judged.

Run-out, unbalance, findings per part and survived multiples cannot be below zero and are skewed:
the larger they are the more they scatter, and a few large ones would look like a move. Their square
root scatters evenly. For a count that is its variance-stabilising scale (Bartlett 1936, supplement
to the Journal of the Royal Statistical Society 3:68-78), and the root of a once-per-turn amplitude
(Rayleigh) is nearly symmetric: its skewness is -0.09, where the logarithm's would be -1.14. The
root also takes a 0, which these characteristics do show.

Only means and standard deviations of parts are known, so the batch mean itself is carried over, and
the standard deviation of parts by the delta method: sd/(2·√mean). A level on this scale therefore
is the square of an average root, a little below the plain average of the batch means.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Scale = Literal["plain", "root"]

_BOUNDED_AND_SKEWED = frozenset(
    {"tir-lateral", "tir-radial", "form-lateral", "form-radial"}
    | {"unbalance", "findings-per-part", "survived-multiple"}
)


def scale_for(characteristic: str) -> Scale:
    """`root` for what is bounded at zero and skewed, `plain` for everything else.

    >>> scale_for("bare-mass"), scale_for("tir-lateral")
    ('plain', 'root')
    """
    return "root" if characteristic in _BOUNDED_AND_SKEWED else "plain"


def onto(scale: Scale, means: Floats, sds: Floats) -> tuple[Floats, Floats]:
    """Means and standard deviations of parts, carried onto the scale; a sd at mean 0 is unknown."""
    if scale == "plain":
        return means, sds
    roots = np.sqrt(means)
    slope = np.divide(0.5, roots, out=np.full(roots.shape, np.nan), where=roots > 0)
    return roots, sds * slope


def back(scale: Scale, values: Floats) -> Floats:
    """Values on the scale in the original unit; what lies below the scale's end is its end."""
    return values if scale == "plain" else np.maximum(values, 0.0) ** 2


def spread_back(scale: Scale, sigma: float, centre: float) -> float:
    """A standard deviation about `centre`, both on the scale, in the original unit."""
    return sigma if scale == "plain" else 2 * max(centre, 0.0) * sigma
