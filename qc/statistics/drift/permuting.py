"""The chance of so good a find, by repeating the whole search on rearranged batches.

Two references, for two questions.

`by_chance`: the level moved; could a factor agree with it by luck? The means stay as they are, each
in its place in time, and the batches' levels are dealt anew: the whole row of a batch's levels goes
to another batch, so that factors that go together still do. Exact for levels dealt to batches
without regard to the means, whatever the means do and however the event was found in them, for
nothing about the means is varied. Levels that come in turn are not dealt like that: they agree with
a step more often than this says.

`beyond_step`: does a factor say more than a step in time? The most likely step is taken out of the
means, what is left is standardised (times √weight) and exchanged among the batches, the step is put
back, and the change point is sought anew beside the factors. Counted is by how much the best
factor's score beats the best step's. A factor that merely follows time gets no small p here.

Either way the search over all factors, levels and batches since which is done anew on every
arrangement and its greatest score kept, so that p pays for all that was looked at (the single-step
maximum of Westfall & Young 1993, "Resampling-Based Multiple Testing"; (b+1)/(m+1) for m drawn
arrangements after Phipson & Smyth 2010, Statistical Applications in Genetics and Molecular Biology
9:39).
"""

import math
from collections.abc import Iterator, Sequence
from itertools import permutations
from typing import NamedTuple

import numpy as np

from qc.statistics.arguments import Floats
from qc.statistics.drift.splits import Best, Family, Ints, dealt, exchanged, score

# arrangements drawn; where there are no more than EXACT in all, every one of them is taken
DRAWN, EXACT = 999, 5040
SEED = 9806  # fixed: the same data give the same p, whoever asks
# scores closer than this are the same split summed in another order
SAME_SCORE = 1e-7
BLOCK = 100_000  # numbers held at once


class Reference(NamedTuple):
    """Greatest scores of all arrangements, sorted; `exact` if every arrangement was tried."""

    scores: Floats
    exact: bool

    def p(self, found: float) -> float:
        """The chance of at least this score."""
        tried = len(self.scores)
        above = tried - int(np.searchsorted(self.scores, found - SAME_SCORE))
        return above / tried if self.exact else (above + 1) / (tried + 1)


def arrangements(n: int, drawn: int = DRAWN) -> Ints:
    """Rearrangements of n batches, one a column: all of them, or `drawn` at random."""
    if every(n):
        return np.array(list(permutations(range(n))), dtype=np.intp).T
    rng = np.random.default_rng(SEED)
    return np.argsort(rng.random((drawn, n)), axis=1).T.copy()


def every(n: int) -> bool:
    """Whether every arrangement of n batches can be tried."""
    return n < 20 and math.factorial(n) <= EXACT


def by_chance(
    values: Floats, weight: Floats, floor: float, factors: Sequence[Family], orders: Ints
) -> Reference:
    """Greatest score of the factors where the batches' levels are dealt anew."""
    greatest = [
        np.max([score(f, dealt(f, values, weight, block), floor) for f in factors], axis=0)
        for block in _blocks(orders)
    ]
    return Reference(np.sort(np.concatenate(greatest)), every(len(values)))


def beyond_step(
    values: Floats,
    weight: Floats,
    floor: float,
    step: Best,
    factors: Sequence[Family],
    orders: Ints,
) -> Reference:
    """By how much the best factor beats the best step where the level merely stepped."""
    after = step.family.side(step.split, len(values)) == 1
    level = np.where(after, *(np.average(values[s], weights=weight[s]) for s in (after, ~after)))
    standard = (values - level) * np.sqrt(weight)
    lead = []
    for block in _blocks(orders):
        y = level[:, None] + standard[block] / np.sqrt(weight)[:, None]
        of_step, *of_factors = (
            score(family, exchanged(family, y, weight), floor) for family in (step.family, *factors)
        )
        lead.append(np.max(of_factors, axis=0) - of_step)
    return Reference(np.sort(np.concatenate(lead)), every(len(values)))


def _blocks(orders: Ints) -> Iterator[Ints]:
    size = max(1, BLOCK // len(orders))
    for start in range(0, orders.shape[1], size):
        yield orders[:, start : start + size]
