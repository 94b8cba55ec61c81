"""Batches parted in two groups, compared by a two-sample t that weighs batches by their size.

All groups are held as sums, so that many partings are compared at once (arrays of any shape), and
the cost of a stream grows with its batches and the logarithm of their number.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int_]
# means are rounded to this when judged, so that equal ones are equal
ROUNDING = 1e-9


class Weights(NamedTuple):
    """How a batch's size bears on its mean: variance between + within/n, in parts.

    `between` is the first part's share at the `usual` size (harmonic mean of the sizes), `least`
    the second part's variance: means of the usual size cannot scatter less.
    """

    between: float = 1.0
    usual: float = 1.0
    least: float = 0.0

    def variance_ratio(self, ns: Floats) -> Floats:
        """Variance of the means of batches of `ns` parts, in variances at the usual size."""
        return self.between + (1 - self.between) * self.usual / ns


def weights_of(values: Floats, ns: Floats, sds: Floats) -> Weights:
    """How much of the scatter of these means their sizes explain.

    By moments: the variance of the means is between + within/n at the harmonic mean size, the
    pooled spread of the parts (`sds`, NaN: unknown) gives the second term, neither is negative.
    """
    known = (ns > 1) & np.isfinite(sds)
    if len(values) < 2 or not known.any():
        return Weights()
    usual = len(ns) / float(np.sum(1 / ns))
    within = float(np.sum((ns[known] - 1) * sds[known] ** 2) / np.sum(ns[known] - 1))
    spread = float(np.var(values, ddof=1))
    between = 1 - within / usual / spread if spread > 0 else 1.0
    return Weights(min(max(between, 0.0), 1.0), usual, within / usual)


class Scatter(NamedTuple):
    """A variance of means of batches of usual size, with its degrees of freedom."""

    variance: float = 0.0
    dof: int = 0
    weights: Weights = Weights()

    def squares(self, weights: Weights) -> float:
        """The sum of squares it is worth beside batches that are weighed so."""
        at_usual = float(self.weights.variance_ratio(np.array(weights.usual)))
        return self.variance * at_usual * self.dof


class Group(NamedTuple):
    """Sums over a group of batches: weights w, w·x, w·x², and how many they are."""

    weight: Floats
    first: Floats
    second: Floats
    number: Ints

    def less(self, other: "Group") -> "Group":
        return Group(
            self.weight - other.weight,
            self.first - other.first,
            self.second - other.second,
            self.number - other.number,
        )

    def at(self, index: Ints) -> "Group":
        return Group(self.weight[index], self.first[index], self.second[index], self.number[index])

    @property
    def mean(self) -> Floats:
        return np.asarray(self.first / self.weight)

    @property
    def squares(self) -> Floats:
        """Sum of squares about the group's own mean."""
        return np.maximum(self.second - self.first**2 / self.weight, 0.0)


def joined(left: Group, right: Group) -> Group:
    """Two tables of groups, with equal rows, as one with the columns of both."""
    return Group(*(np.concatenate(pair, axis=1) for pair in zip(left, right, strict=True)))


def singles(x: Floats, ratio: Floats) -> Group:
    """Every batch a group of its own; `ratio` is the variance of its mean in common units."""
    weight = 1 / ratio
    return Group(weight, weight * x, weight * x**2, np.ones(len(x), dtype=int))


def running(parts: Group) -> Group:
    """The first k batches as a group, for k = 0 to all of them."""
    return Group(*(np.concatenate(([0], np.cumsum(part))) for part in parts))


class Parted(NamedTuple):
    """Second group against first: `shift` of the mean, `se` its standard error with `dof`."""

    shift: Floats
    se: Floats
    dof: Ints

    @property
    def t(self) -> Floats:
        return np.asarray(np.abs(self.shift) / self.se)


def compare(first: Group, second: Group, floor: Floats, squares: float, dof: int) -> Parted:
    """Two-sample t with pooled variance; `squares` with `dof` are known from other batches.

    `floor`: the least variance, see `resolution`.
    """
    freedom = first.number + second.number - 2 + dof
    left = first.squares + second.squares + squares
    variance = np.maximum(left / np.maximum(freedom, 1), floor)
    inverse = 1 / first.weight + 1 / second.weight
    return Parted(second.mean - first.mean, np.sqrt(variance * inverse), freedom)


def resolution(x: Floats) -> Floats:
    """The least variance that values on such a coarse scale can show, as known at each batch.

    Counts and coarse readings repeat exactly, and a spread of 0 would make any difference
    infinitely many standard deviations. The smallest step seen from one batch to the next is
    taken for the resolution, which brings a variance of step²/12 (JCGM 100:2008, F.2.2.1). For
    finely measured means this is far below their scatter and changes nothing.
    """
    steps = np.abs(np.diff(x, prepend=x[:1]))
    least = np.minimum.accumulate(np.where(steps > ROUNDING, steps, np.inf))
    return np.where(np.isfinite(least), least, ROUNDING) ** 2 / 12
