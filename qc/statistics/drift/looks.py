"""Looks at a level: after each batch, all likely partings of the batches since the level began.

Looks are rows and partings columns, so that many are tried at once. A look uses no batch after its
own, whatever rows stand beside it: adding batches never changes what an earlier look showed.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.drift.partings import (
    Floats,
    Group,
    Ints,
    Parted,
    Scatter,
    Stream,
    Weights,
    compare,
    joined,
    resolution,
    running,
)

LEAST = 8
# fewer batches are no level to compare with
LEAST_LEVEL = 3
# odd batches among the first ones are looked for until so many more have come
FOLLOWED = 8
# two-sided chances at which a parting counts, chosen by tests/bench/drift_runs.py so that under
# 5 % of quiet streams show anything up to the 26th batch after a baseline of 8, 12 or 20.
# The newest batch alone: means may have heavier tails than the normal distribution, and one batch
# feels that most
CHANCE_ONE = 0.00005
# a step that is FULL batches old: to be divided by the root of the number of batches watched, so
# that alarms on quiet streams thin out with time and the first batches watched are judged sharply;
# a younger one has its part of it
CHANCE_STEP, FULL = 0.0021, 4
# anything inside a baseline: to be divided by its size
CHANCE_INSIDE = 0.0005


NO_SCATTER = Scatter()


class Watched(NamedTuple):
    """A level while it lasts: `kept` are the batches since it began, to the end of the stream.

    With `fixed` (a frozen baseline) the batches are compared with that and not with each other.
    `scatter` is what the level before says about the spread of batch means, `floor` the least
    variance that the scale can show, as known at each batch.
    """

    kept: Ints
    batches: Stream
    floor: Floats
    baseline: int
    fixed: Stream | None
    scatter: Scatter

    @property
    def set_by(self) -> int:
        """How many of the kept batches set the level: splits among these are inside it."""
        return self.baseline if self.fixed is None else 0

    @property
    def inside(self) -> float:
        """The chance at which anything inside the baseline counts."""
        return CHANCE_INSIDE / self.baseline

    def weights(self, known: int) -> Weights:
        """How batches are weighed once `known` are known: by those, but never by fewer than 8."""
        if self.fixed is not None:
            return self.fixed.weights(len(self.fixed.x))
        if known < LEAST and self.scatter.dof:
            return self.scatter.weights
        return self.batches.weights(max(known, LEAST))


def level_of(
    stream: Stream,
    kept: Ints,
    baseline: int,
    fixed: Stream | None = None,
    scatter: Scatter = NO_SCATTER,
) -> Watched:
    """The level of the batches `kept`, with their columns side by side."""
    batches = stream.of(kept)
    history = batches.x if fixed is None else np.concatenate((fixed.x, batches.x))
    floor = resolution(history)[len(history) - len(kept) :]
    return Watched(kept, batches, floor, baseline, fixed, scatter)


class Sums(NamedTuple):
    """A level's batches ready to be parted: each, the first k together, and the frozen ones."""

    weights: Weights
    each: Group
    first: Group
    fixed: Group | None
    floor: Floats
    squares: float
    dof: int

    def before(self, k: Ints | int) -> Group:
        """What batches from the k-th on (from 0) are compared with."""
        return self.first.at(k) if self.fixed is None else self.fixed

    def scatter(self, before: Group, floor: float) -> Scatter:
        """Variance of a mean of usual size as a group and the level before show it."""
        dof = max(int(before.number) - 1 + self.dof, 1)
        variance = max((float(before.squares) + self.squares) / dof, floor)
        return Scatter(variance, dof, self.weights)


def sums_of(level: Watched, known: int, until: int) -> Sums:
    """Sums over the level's first `until` batches, weighed by the first `known`."""
    weights = level.weights(known)
    each = level.batches.singles(until, weights)
    fixed = None
    if level.fixed is not None:
        fixed = Group(level.fixed.singles(len(level.fixed.x), weights).sums.sum(axis=0))
    floor = np.maximum(level.floor[:until], weights.least)
    squares = level.scatter.squares(weights)
    return Sums(weights, each, running(each), fixed, floor, squares, level.scatter.dof)


class Looks(NamedTuple):
    """For each look (row) and parting (column): the comparison, the mean of the batches compared
    with, the chance at which it counts, and `ratio`, its p-value over that chance (infinite where
    it is plainly above 1).

    The first `splits` columns part the batches from index `at` on from those before, the others
    the single batch `at` from the rest. The first column is the newest batch alone.
    """

    parted: Parted
    before: Floats
    chance: Floats
    ratio: Floats
    at: Ints
    splits: int


def look(level: Watched, sums: Sums, rows: Ints, offsets: Ints) -> Looks:
    """Looks after the `rows`-th batches (from 1), at splits `offsets` batches back and at the
    early batches one by one.
    """
    n = rows[:, None]
    k = n - offsets
    fewest = LEAST_LEVEL if level.fixed is None else 0
    possible = k >= fewest
    k = np.maximum(k, min(fewest, 1))
    whole, earlier = sums.first.at(n), sums.first.at(k)
    first = earlier if sums.fixed is None else sums.fixed
    second, at = whole.less(earlier), k
    early = _early(level, sums, rows)
    if early.size:
        at = np.concatenate((k, np.broadcast_to(early, (len(rows), early.size))), axis=1)
        single = sums.each.at(at[:, k.shape[1] :])
        first, second = joined(first, whole.less(single)), joined(second, single)
        alone = (early < n - 1) & (n >= LEAST_LEVEL + 1) & (n <= level.baseline + FOLLOWED)
        possible = np.concatenate((possible, alone), axis=1)
    parted = compare(first, second, sums.floor[n - 1], sums.squares, sums.dof)
    chance = chances(level, n, offsets, early.size)
    before = np.broadcast_to(first.mean, at.shape)
    return Looks(parted, before, chance, _ratio(parted, chance, possible), at, len(offsets))


def _early(level: Watched, sums: Sums, rows: Ints) -> Ints:
    """The early batches tried one by one, if the first of these rows still tries them."""
    tried = level.fixed is None and rows[0] <= level.baseline + FOLLOWED
    return np.arange(min(level.baseline, len(sums.floor)) if tried else 0)


def chances(level: Watched, n: Ints, offsets: Ints, early: int) -> Floats:
    """The two-sided chance at which each parting counts, splits first and then single batches."""
    step = of_step(n - level.set_by) * np.minimum(offsets / FULL, 1.0)
    watched = np.where(offsets == 1, CHANCE_ONE, step)
    of_splits = np.where(n - offsets < level.set_by, level.inside, watched)
    if not early:
        return of_splits
    return np.concatenate((of_splits, np.full((len(n), early), level.inside)), axis=1)


def of_step(watched: Ints) -> Floats:
    """The chance for a step once so many batches were watched."""
    return np.asarray(CHANCE_STEP / np.sqrt(np.maximum(watched, 1)))


def _ratio(parted: Parted, chance: Floats, possible: NDArray[np.bool_]) -> Floats:
    """p over chance, for the few that even the normal distribution would count."""
    from scipy.special import ndtri, stdtr

    t = parted.t
    least = -ndtri(chance.max(axis=1, keepdims=True) / 2)
    few = np.nonzero(possible & (parted.dof > 0) & (t > least))
    ratio = np.full(t.shape, np.inf)
    if few[0].size:
        ratio[few] = 2 * stdtr(parted.dof[few], -t[few]) / chance[few]
    return ratio


def t_quantile(dof: Ints | int, chance: Floats | float) -> Floats:
    """The t that is exceeded on either side together with this chance."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(dof, 1 - np.asarray(chance) / 2))


def t_quantiles(dof: Ints, chance: float) -> Floats:
    """The same for many whole `dof` and one chance, from a table that is kept."""
    return _table(1 << int(dof.max()).bit_length(), chance)[dof]


@lru_cache(maxsize=64)
def _table(count: int, chance: float) -> Floats:
    return t_quantile(np.maximum(np.arange(count), 1), chance)
