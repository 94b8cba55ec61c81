"""Looks at a level: after each batch, all likely partings of the batches since the level began.

Looks are rows and partings columns, so that many are tried at once. A look uses no batch after its
own, whatever rows stand beside it: adding batches never changes what an earlier look showed.
"""

from collections.abc import Iterator
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
    Weights,
    compare,
    joined,
    resolution,
    running,
    singles,
    weights_of,
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
# looks tried side by side
LONGEST = 512


class Stream(NamedTuple):
    """Batch means `x` in order, sizes `ns`, standard deviations of parts `sds` (NaN: unknown)."""

    x: Floats
    ns: Floats
    sds: Floats

    def weights(self, of: Ints) -> Weights:
        return weights_of(self.x[of], self.ns[of], self.sds[of])

    def singles(self, of: Ints, weights: Weights) -> Group:
        return singles(self.x[of], weights.variance_ratio(self.ns[of]))


class Watched(NamedTuple):
    """A level while it lasts: `kept` are the batches since it began, to the end of the stream.

    With `fixed` (a frozen baseline) the batches are compared with that and not with each other.
    `scatter` is what the level before says about the spread of batch means.
    """

    kept: Ints
    baseline: int
    fixed: Ints | None = None
    scatter: Scatter = Scatter()

    @property
    def set_by(self) -> int:
        """How many of the kept batches set the level: splits among these are inside it."""
        return self.baseline if self.fixed is None else 0

    @property
    def inside(self) -> float:
        """The chance at which anything inside the baseline counts."""
        return CHANCE_INSIDE / self.baseline

    def weights(self, stream: Stream, known: int) -> Weights:
        """How batches are weighed once `known` are known: by those, but never by fewer than 8."""
        if self.fixed is not None:
            return stream.weights(self.fixed)
        if known < LEAST and self.scatter.dof:
            return self.scatter.weights
        return stream.weights(self.kept[: max(known, LEAST)])


class Sums(NamedTuple):
    """A level's batches ready to be parted: each, the first k together, and the frozen ones."""

    weights: Weights
    each: Group
    first: Group
    fixed: Group | None
    floor: Floats
    squares: float
    dof: int

    def before(self, k: Ints) -> Group:
        """What batches from the k-th on (from 0) are compared with."""
        return self.first.at(k) if self.fixed is None else self.fixed

    def scatter(self, before: Group, floor: Floats) -> tuple[Floats, Ints]:
        """Variance of a mean of usual size as a group and the level before show it, with its dof"""
        dof = np.maximum(before.number - 1 + self.dof, 1)
        return np.maximum((before.squares + self.squares) / dof, floor), dof


def sums_of(stream: Stream, level: Watched, known: int, until: int) -> Sums:
    """Sums over the level's first `until` batches, weighed by the first `known`."""
    weights = level.weights(stream, known)
    kept = level.kept[:until]
    each = stream.singles(kept, weights)
    fixed, history = None, kept
    if level.fixed is not None:
        fixed = Group(*(part.sum() for part in stream.singles(level.fixed, weights)))
        history = np.concatenate((level.fixed, kept))
    floor = np.maximum(resolution(stream.x[history])[len(history) - len(kept) :], weights.least)
    scatter = level.scatter
    return Sums(weights, each, running(each), fixed, floor, scatter.squares(weights), scatter.dof)


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
    possible = k >= (LEAST_LEVEL if level.fixed is None else 0)
    k = np.maximum(k, 1 if level.fixed is None else 0)
    first, second = sums.before(k), sums.first.at(n).less(sums.first.at(k))
    early = np.arange(min(level.baseline, len(sums.each.number)))
    if level.fixed is not None or rows[0] > level.baseline + FOLLOWED:
        early = early[:0]
    if early.size:
        single = sums.each.at(np.broadcast_to(early, (len(rows), early.size)))
        first, second = joined(first, sums.first.at(n).less(single)), joined(second, single)
        alone = (early < n - 1) & (n >= LEAST_LEVEL + 1) & (n <= level.baseline + FOLLOWED)
        possible = np.concatenate((possible, alone), axis=1)
    parted = compare(first, second, sums.floor[n - 1], sums.squares, sums.dof)
    chance = chances(level, n, offsets, early.size)
    at = np.concatenate((k, np.broadcast_to(early, (len(rows), early.size))), axis=1)
    before = np.broadcast_to(first.mean, at.shape)
    return Looks(parted, before, chance, _ratio(parted, chance, possible), at, len(offsets))


def chances(level: Watched, n: Ints, offsets: Ints, early: int) -> Floats:
    """The two-sided chance at which each parting counts, splits first and then single batches."""
    step = _of_step(n - level.set_by) * np.minimum(offsets / FULL, 1.0)
    watched = np.where(offsets == 1, CHANCE_ONE, step)
    of_splits = np.where(n - offsets < level.set_by, level.inside, watched)
    return np.concatenate((of_splits, np.full((len(n), early), level.inside)), axis=1)


def _of_step(watched: Ints) -> Floats:
    return np.asarray(CHANCE_STEP / np.sqrt(np.maximum(watched, 1)))


def _ratio(parted: Parted, chance: Floats, possible: NDArray[np.bool_]) -> Floats:
    """p over chance, for the few that even the normal distribution would count."""
    from scipy.special import ndtri, stdtr

    t = parted.t
    least = -ndtri(chance.max(axis=1, keepdims=True) / 2)
    possible = possible & (parted.dof > 0) & (t > least)
    ratio = np.full(t.shape, np.inf)
    ratio[possible] = 2 * stdtr(parted.dof[possible], -t[possible]) / chance[possible]
    return ratio


def worth_a_look(level: Watched, sums: Sums, rows: Ints, offsets: Ints) -> Ints:
    """Those `rows` at which a split might count; few, on a quiet stream, and told cheaply.

    With squares B between the two groups and L left over, t² is B·dof/L: no split counts whose B
    is below z²·(B + L)/(dof + z²), z being the normal quantile of the largest chance of that row.
    """
    from scipy.special import ndtri

    if level.fixed is not None:
        return rows
    z2 = ndtri(_of_step(rows - level.baseline) / 2) ** 2
    whole = sums.first.at(rows)
    dof = rows - 2 + sums.dof
    least = z2 * np.maximum((whole.squares + sums.squares) / (dof + z2), sums.floor[rows - 1])
    k = np.maximum(rows[:, None] - offsets, 1)
    before, all_of = sums.first.weight[k], whole.weight[:, None]
    away = sums.first.first[k] - before * whole.mean[:, None]
    between = away**2 / (before * (1 - before / all_of))
    plain: NDArray[np.bool_] = (between > 0.999 * least[:, None]).any(axis=1)
    return np.asarray(rows[plain | (rows <= level.baseline + FOLLOWED)])


def stretches(looked: int, until: int) -> Iterator[tuple[int, int, int]]:
    """Stretches of looks, each after `known` batches that weigh them, the first and the last look.

    Batches are weighed anew when there are 8 of them and whenever they have doubled since. The
    stretches grow, so that little is in vain when the first one shows something.
    """
    known, end, length = 0, LEAST, 32
    while looked < until:
        if looked >= end:
            known, end = end, 2 * end
            continue
        last = min(looked + length, end, until)
        yield known, looked + 1, last
        looked, length = last, min(2 * length, LONGEST)


@lru_cache(maxsize=64)
def offsets_within(count: int) -> Ints:
    """Numbers of batches back at which splits are tried: each of the last 12, then ever sparser.

    Neighbouring splits far back tell nearly the same.
    """
    sparse = np.unique((12 * 1.2 ** np.arange(1, 60)).astype(int))
    offsets = np.concatenate((np.arange(1, 13), sparse))
    return offsets[offsets <= count]


def t_quantile(dof: Ints | int, chance: Floats | float) -> Floats:
    """The t that is exceeded on either side together with this chance."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(dof, 1 - np.asarray(chance) / 2))


def t_quantiles(dof: Ints, chance: float) -> Floats:
    """The same for many whole `dof` and one chance, from a table that is kept."""
    return _table(1 << int(np.max(dof)).bit_length(), chance)[dof]


@lru_cache(maxsize=64)
def _table(count: int, chance: float) -> Floats:
    return t_quantile(np.maximum(np.arange(count), 1), chance)
