"""Levels dealt anew within each batch, and how much one level against the rest explains.

The search holds the variance ratio λ of the mixed model (`reml`) at its estimate without any
factor. Then V is known up to a factor, and one more column x (a level) explains
(x'Py)²/x'Px of y'Py, P being V⁻¹ less what the mean takes up: sums per batch, for a whole block of
arrangements at once.
"""

import math
from collections.abc import Iterator
from itertools import permutations, product

import numpy as np

from qc.statistics.arguments import Floats
from qc.statistics.drift.cells import Table
from qc.statistics.drift.permuting import DRAWN, EXACT, SEED, Reference
from qc.statistics.drift.splits import Ints

BLOCK = 500_000
# with very many cells fewer arrangements are drawn, but never fewer than this
WORK, LEAST_DRAWN = 4_000_000, 199


class Search:
    """Gain in log-likelihood by one level against the rest, the variance ratio being held."""

    def __init__(self, table: Table, ratio: float) -> None:
        self.cells = table.cells
        n = self.cells.n
        self.starts = np.flatnonzero(np.diff(self.cells.batch, prepend=-1))
        sizes = np.add.reduceat(n, self.starts)
        self.shrink = ratio / (1 + ratio * sizes)
        # V⁻¹1, and the residuals of the weighted mean, times V⁻¹
        self.ones = n * (1 - (self.shrink * sizes)[self.cells.batch])
        away = self.cells.mean - np.average(self.cells.mean, weights=self.ones)
        away_sums = np.add.reduceat(n * away, self.starts)
        self.pull = n * (away - (self.shrink * away_sums)[self.cells.batch])
        self.total = float(self.pull @ away) + self.cells.squares
        self.readings = len(n) + self.cells.dof

    def scores(self, level: int, of: Ints) -> Floats:
        """`of`: the level of each cell, one arrangement a row. Unknown levels count as the rest."""
        inside = of == level
        weighted = inside * self.cells.n
        by_batch = np.add.reduceat(weighted, self.starts, axis=1)
        own = np.sum(weighted, axis=1) - by_batch**2 @ self.shrink
        own -= (inside @ self.ones) ** 2 / np.sum(self.ones)
        ss = (inside @ self.pull) ** 2 / np.where(own > 1e-9, own, math.inf)
        left = np.maximum(self.total - ss, max(1e-14 * self.total, 1e-300))
        gained: Floats = self.readings / 2 * np.log(np.maximum(self.total, 1e-300) / left)
        return gained


def ways(table: Table, name: str) -> float:
    """In how many different ways the labels can be dealt."""
    of, batch = table.factors[name].of, table.cells.batch
    alike = np.unique(batch * (len(table.factors[name].names) + 1) + of, return_counts=True)[1]
    log = sum(math.lgamma(c + 1) for c in np.bincount(batch).tolist())
    return math.exp(min(log - sum(math.lgamma(c + 1) for c in alike.tolist()), 100.0))


def dealt(table: Table, search: Search, names: list[str], drawn: int = DRAWN) -> Reference:
    """The greatest score of each arrangement; all arrangements where there are few."""
    greatest = [np.zeros(0)]
    for block in _orders(table.cells.batch, drawn) if names else ():
        scores = [
            search.scores(level, table.factors[name].of[block])
            for name in names
            for level in range(len(table.factors[name].names))
        ]
        greatest.append(np.max(scores, axis=0))
    return Reference(np.sort(np.concatenate(greatest)), _every(table.cells.batch))


def _every(batch: Ints) -> bool:
    log = sum(math.lgamma(count + 1) for count in np.bincount(batch).tolist())
    return log <= math.log(EXACT + 0.5)


def _orders(batch: Ints, drawn: int) -> Iterator[Ints]:
    """Rearrangements of the cells (sorted by batch) within their batches, one a row."""
    if _every(batch):
        places = (np.flatnonzero(batch == b).tolist() for b in range(batch[-1] + 1))
        each = product(*map(permutations, places))
        yield np.array([[i for part in parts for i in part] for parts in each], dtype=np.intp)
        return
    rng = np.random.default_rng(SEED)
    drawn = min(drawn, max(LEAST_DRAWN, WORK // len(batch)))
    size = max(1, BLOCK // len(batch))
    for start in range(0, drawn, size):
        keys = batch + rng.random((min(size, drawn - start), len(batch)))
        yield np.argsort(keys, axis=1)
