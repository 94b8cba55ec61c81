"""Which looks are worth one: those at which a parting might count, told cheaply for many at once.

A parting of the first n batches after the k-th explains the squares B = U(k) + D²/R - U(n): D and R
are the sum of deviations from a centre and the weight of the batches since, U(k) is that of the
first k as a group. With squares L left over, t² is B·dof/L: no split counts whose B is below
z²·(B + L)/(dof + z²), z being the normal quantile of the chance of that look.

Most looks are left out by bounds on B for several partings, or several looks, at once. What is left
out could not have counted, and what is kept is looked at in full (`looks`).
"""

from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.drift.looks import FOLLOWED, LEAST, Sums, Watched, look, of_step
from qc.statistics.drift.partings import Floats, Ints

# looks screened side by side
SHORTEST, LONGEST = 64, 1024
# fewer are not worth a first screening
MANY = 128
# looks that share one bound where the batches are parted far back
ABREAST = 8
# looks worked out side by side once they are worth one
TOGETHER = 16
# partings near the newest batch that share one bound: so many batches back, at least and at most
NEAR = ((0, 3), (4, 6), (7, 9), (10, 12))


def spans(looked: int, until: int) -> Iterator[tuple[int, int, int]]:
    """Spans of looks, each after `known` batches that weigh them, the first and the last look.

    Batches are weighed anew when there are 8 of them and whenever they have doubled since.
    """
    known, end = 0, LEAST
    while looked < until:
        if looked < end:
            yield known, looked + 1, min(end, until)
            looked = end
        known, end = end, 2 * end


def first_counting(level: Watched, sums: Sums, first: int, last: int) -> int | None:
    """The first of the looks `first` to `last` at which a parting counts."""
    offsets = offsets_within(last)
    for rows in _worth_a_look(level, sums, first, last, offsets):
        for start in range(0, len(rows), TOGETHER):
            some = rows[start : start + TOGETHER]
            counts = (look(level, sums, some, offsets).ratio <= 1).any(axis=1)
            if counts.any():
                return int(some[np.argmax(counts)])
    return None


def _worth_a_look(
    level: Watched, sums: Sums, first: int, last: int, offsets: Ints
) -> Iterator[Ints]:
    """Those looks at which a split might count, and all while single early batches are tried."""
    surely = last if level.fixed is not None else min(level.baseline + FOLLOWED, last)
    if first <= surely:
        yield np.arange(first, surely + 1)
    if surely < last:
        screen = _screen(level, sums, max(first, surely + 1))
        for begin, end in _stretches(screen.first, last):
            yield screen.worth(begin, end, offsets)


def _stretches(first: int, last: int) -> Iterator[tuple[int, int]]:
    """The looks in stretches that grow, so that little is in vain when an early one counts."""
    length = SHORTEST
    while first <= last:
        yield first, min(first + length - 1, last)
        first, length = first + length, min(2 * length, LONGEST)


class _Screen(NamedTuple):
    """For the first n batches (n from 0): their `weight`, D (`away`), U (`group`) and the squares
    that each on its own would explain (`alone`); U(n) + B `needed` at looks from `first` on.

    `reach`: how far D goes within the next few batches; `most`: the U that this allows for;
    `uneven`: by how much these batches may weigh more than as many others.
    """

    first: int
    needed: Floats
    weight: Floats
    away: Floats
    group: Floats
    alone: Floats
    reach: Floats
    most: Floats
    uneven: float

    def worth(self, begin: int, end: int, offsets: Ints) -> Ints:
        """Those of the looks `begin` to `end` that a split at one of these offsets might make
        count.
        """
        rows = np.arange(begin, end + 1)
        if len(rows) >= MANY:
            rows = rows[self._near(begin, end) | self._far(rows, offsets[NEAR[-1][1] :])]
        n = rows[:, None]
        k = np.maximum(n - offsets, 1)
        explained = (self.away[n] - self.away[k]) ** 2
        explained /= self.weight[n] - self.weight[k]
        explained += self.group[k]
        worth: Ints = rows[(explained > self.needed[n - self.first]).any(axis=1)]
        return worth

    def _near(self, begin: int, end: int) -> NDArray[np.bool_]:
        """Whether a parting not far back might count.

        Parted after j, after k and at each batch between them, the batches explain no less than
        parted once anywhere from k to j.
        """
        n, needed = slice(begin, end + 1), self.needed[begin - self.first : end + 1 - self.first]
        plain = np.zeros(len(needed), dtype=bool)
        for least, most in NEAR:
            j, k = slice(begin - least, end + 1 - least), slice(begin - most, end + 1 - most)
            explained = self.alone[j] - self.alone[k]
            explained += self.group[k]
            if least:
                since = self.away[n] - self.away[j]
                since *= since
                since /= self.weight[n] - self.weight[j]
                explained += since
            plain |= explained > needed
        return plain

    def _far(self, rows: Ints, offsets: Ints) -> NDArray[np.bool_]:
        """Whether a parting so far back might count, for a few looks at once: D cannot go farther
        from the first of them on than both ends reach.
        """
        n = rows[::ABREAST, None]
        k = np.maximum(n - offsets, 1)
        needed = self.needed[rows - self.first]
        needed = np.minimum.reduceat(needed, np.arange(0, len(rows), ABREAST))[:, None]
        away = np.abs(self.away[n] - self.away[k])
        away += self.reach[k]
        away += self.reach[n]
        away *= away
        weight = self.weight[n] - self.weight[k]
        plain = away > (needed - self.most[k]) * np.maximum(weight - self.uneven, 0.0)
        return np.repeat(plain.any(axis=1), ABREAST)[: len(rows)]


def _screen(level: Watched, sums: Sums, first: int) -> _Screen:
    weight = sums.first.weight.copy()
    weight[0] = 1  # parted after no batch is not parted, but must not divide by 0
    centre = sums.first.first[-1] / weight[-1]
    away = sums.first.first - centre * weight
    away[0] = 0
    group = away**2 / weight
    each = sums.each.weight
    alone = np.zeros(len(weight))
    np.cumsum(each * (level.batches.x[: len(each)] - centre) ** 2, out=alone[1:])
    n = np.arange(first, len(weight))
    z2 = _normal_squares(1 << len(weight).bit_length())[n - level.baseline]
    left = (sums.first.between(slice(first, None)).squares + sums.squares) / (n - 2 + sums.dof + z2)
    needed = 0.999 * z2 * np.maximum(left, sums.floor[first - 1 :]) + group[first:]
    highest, lowest = away.copy(), away.copy()
    for ahead in (1, 2, 4):
        np.maximum(highest[:-ahead], highest[ahead:], out=highest[:-ahead])
        np.minimum(lowest[:-ahead], lowest[ahead:], out=lowest[:-ahead])
    reach = np.maximum(highest - away, away - lowest)
    most = (np.abs(away) + reach) ** 2 / weight
    uneven = (ABREAST - 1) * float(each.max() - each.min())
    return _Screen(first, needed, weight, away, group, alone, reach, most, uneven)


@lru_cache(maxsize=16)
def _normal_squares(count: int) -> Floats:
    """z² that a step must reach once so many batches were watched."""
    from scipy.special import ndtri

    return np.asarray(ndtri(of_step(np.arange(count)) / 2) ** 2)


@lru_cache(maxsize=64)
def offsets_within(count: int) -> Ints:
    """Numbers of batches back at which splits are tried: each of the last 12, then ever sparser.

    Neighbouring splits far back tell nearly the same.
    """
    sparse = np.unique((12 * 1.2 ** np.arange(1, 60)).astype(int))
    offsets = np.concatenate((np.arange(1, 13), sparse))
    return offsets[offsets <= count]
