"""One control chart as numbers: a point, a centre and two limits per sample."""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Points in order of time with their centre and limits, all of shape (m,) and in one unit.

    A point that does not exist (the first moving range, the spread of a single reading) is NaN
    and is never beyond a limit.
    """

    points: Floats
    centre: Floats
    lower: Floats
    upper: Floats

    @classmethod
    def of(cls, points: Floats, centre: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> Self:
        """With a centre or limits that are one number for all points."""

        def each(x: ArrayLike) -> Floats:
            return np.broadcast_to(np.asarray(x, dtype=float), points.shape)

        return cls(points, each(centre), each(lower), each(upper))

    def beyond(self) -> NDArray[np.intp]:
        """Indices (from 0) of the points beyond a limit; a point on a limit is not beyond it."""
        return np.flatnonzero((self.points < self.lower) | (self.points > self.upper))

    def standardised(self) -> Floats:
        """Points in standard errors from the centre, for run rules.

        A third of the way to the limit on the point's side; 0 where point and centre are equal.
        """
        away = self.points - self.centre
        reach = np.where(away < 0, self.centre - self.lower, self.upper - self.centre) / 3
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(away == 0, 0.0, away / reach)
