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


class Stream(NamedTuple):
    """Batch means `x` in order, sizes `ns`, and the squares of their parts about them with `dof`.

    Both are 0 where a batch is one part, or its spread unknown.
    """

    x: Floats
    ns: Floats
    squares: Floats
    dof: Floats

    def of(self, batches: Ints) -> "Stream":
        return Stream(*(column[batches] for column in self))

    def weights(self, known: int) -> Weights:
        """How much of the scatter of the first `known` means their sizes explain.

        By moments: the variance of the means is between + within/n at the harmonic mean size, the
        pooled spread of the parts gives the second term, neither is negative.
        """
        x, dof = self.x[:known], self.dof[:known].sum()
        if len(x) < 2 or dof == 0:
            return Weights()
        usual = len(x) / float((1 / self.ns[:known]).sum())
        within = float(self.squares[:known].sum() / dof)
        away = x - x.sum() / len(x)
        spread = float((away * away).sum() / (len(x) - 1))
        between = 1 - within / usual / spread if spread > 0 else 1.0
        return Weights(min(max(between, 0.0), 1.0), usual, within / usual)

    def singles(self, until: int, weights: Weights) -> "Group":
        """Each of the first `until` batches as a group."""
        return singles(self.x[:until], weights.variance_ratio(self.ns[:until]))


def stream_of(x: Floats, ns: Floats, sds: Floats) -> Stream:
    """A stream from means, sizes and standard deviations of parts (NaN: unknown)."""
    dof = np.where((ns > 1) & np.isfinite(sds), ns - 1, 0.0)
    return Stream(x, ns, dof * np.where(dof > 0, sds, 0.0) ** 2, dof)


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
    """Sums over a group of batches: weights w, w·x, w·x², and how many they are.

    The four lie side by side along the last axis, so that groups are picked out and taken from each
    other in one go.
    """

    sums: Floats

    def less(self, other: "Group") -> "Group":
        return Group(self.sums - other.sums)

    def at(self, index: Ints | int) -> "Group":
        return Group(self.sums.take(index, axis=0))

    def between(self, part: slice) -> "Group":
        return Group(self.sums[part])

    @property
    def weight(self) -> Floats:
        return self.sums[..., 0]

    @property
    def first(self) -> Floats:
        return self.sums[..., 1]

    @property
    def second(self) -> Floats:
        return self.sums[..., 2]

    @property
    def number(self) -> Floats:
        return self.sums[..., 3]

    @property
    def mean(self) -> Floats:
        return np.asarray(self.first / self.weight)

    @property
    def squares(self) -> Floats:
        """Sum of squares about the group's own mean."""
        return np.maximum(self.second - self.first**2 / self.weight, 0.0)


def joined(left: Group, right: Group) -> Group:
    """Two tables of groups, with equal rows, as one with the columns of both."""
    return Group(np.concatenate((left.sums, right.sums), axis=1))


def singles(x: Floats, ratio: Floats) -> Group:
    """Every batch a group of its own; `ratio` is the variance of its mean in common units."""
    sums = np.ones((len(x), 4))
    np.divide(1, ratio, out=sums[:, 0])
    np.multiply(sums[:, 0], x, out=sums[:, 1])
    np.multiply(sums[:, 0], x**2, out=sums[:, 2])
    return Group(sums)


def running(parts: Group) -> Group:
    """The first k batches as a group, for k = 0 to all of them."""
    sums = np.zeros((len(parts.sums) + 1, 4))
    np.cumsum(parts.sums, axis=0, out=sums[1:])
    return Group(sums)


class Parted(NamedTuple):
    """Second group against first: `shift` of the mean, `se` its standard error with `dof`."""

    shift: Floats
    se: Floats
    dof: Floats

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
