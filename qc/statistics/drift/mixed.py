"""What varies within a batch: does a station, an inspector or a gauge read differently?

The parts of a batch are shared out among stations, inspectors and gauges, so these are not factors
of the batch. A mixed model (`reml`) takes the batch as random and the factor as fixed: what differs
inside batches counts fully, what differs between them as far as batches do not scatter.

Each level of each factor is held against the rest. The chance of so great a difference comes from
dealing the labels of the cells anew within each batch, a cell's labels staying together, and
searching all factors and levels again; p is that of the greatest find. The variance ratio is held
at its estimate without any factor. Cells of one size make that exact where readings differ by
nothing but chance, others nearly so, for each difference is held against its own scatter. Where the
labels can hardly be dealt (one inspector a batch), p is Student's with Satterthwaite's degrees of
freedom, times the number of levels looked at (Bonferroni), and the batches carry the evidence.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from qc.statistics.arguments import Floats
from qc.statistics.drift.cells import Cell, Factor, Table, table_of
from qc.statistics.drift.dealing import Search, dealt, ways
from qc.statistics.drift.grouped import grouped_rows
from qc.statistics.drift.permuting import DRAWN, Reference
from qc.statistics.drift.reml import MixedFit, fit_mixed
from qc.statistics.drift.splits import IDENTICAL, SAME, TOLD_APART, Bools

# fewer ways to deal the labels cannot give a p of 1 %
LEAST_WAYS = 200


@dataclass(frozen=True, slots=True)
class LevelEffect:
    """How `parts` in `batches`, measured at this level, read against all others.

    `effect` (stream's unit) is this level's coefficient less the others' mean, weighted by their
    parts, with a 95 % interval that pays for no search; `p` pays for all of it.
    """

    level: str
    parts: int
    batches: int
    effect: float
    lower: float
    upper: float
    p: float


@dataclass(frozen=True, slots=True)
class WithinFactor:
    """A factor with its most suspicious `level`, that level's numbers, and all `levels`.

    `p_from`: "dealing" labels within batches, or "t" where that is impossible. `shared`: batches
    with more than one level. `moved_by`: what of the level's movement the factor explains, its
    shares after the change being others than before (None: no change given). `agreement`:
    correlation of the level's parts with those of the group's first.
    """

    factor: str
    level: str
    effect: float
    lower: float
    upper: float
    p: float
    p_from: Literal["dealing", "t"]
    shared: int
    moved_by: float | None
    levels: tuple[LevelEffect, ...]
    agreement: float


@dataclass(frozen=True, slots=True)
class WithinBatches:
    """Groups of factors, the most plausible first; those of one group go together.

    `between_sd`, `within_sd`: of batches and of parts within them, without any factor.
    """

    groups: tuple[tuple[WithinFactor, ...], ...]
    batches: int
    parts: int
    between_sd: float
    within_sd: float

    def rows(self) -> list[dict[str, Any]]:
        """One row a factor, best group first; `with` names those that go with it."""
        return grouped_rows(
            self.groups,
            *("factor", "level", "effect", "p", "lower", "upper", "p_from", "moved_by"),
            "agreement",
        )


def within_batches(
    cells: Sequence[Cell], *, after: Collection[str] = (), drawn: int = DRAWN
) -> WithinBatches:
    """Which factor that varies within batches reads differently, and by how much.

    `cells` in any order; a level may be missing, a factor that never varies is not searched.
    `after`: the batches made after the change, to say what of it a factor explains. ValueError
    without cells, for a cell without parts and for a mean that is no number.
    """
    table = table_of(cells)
    if len(cells) + table.cells.dof < 3:  # two readings show no scatter to judge by
        return WithinBatches((), table.batches, table.parts, 0.0, 0.0)
    null = fit_mixed(table.cells, np.ones((len(cells), 1)))
    search = Search(table, null.between / null.within if null.within > 0 else 0.0)
    scores = {
        (name, level): float(search.scores(level, factor.of[None, :])[0])
        for name, factor in table.factors.items()
        for level in range(len(factor.names))
    }
    dealable = [name for name in table.factors if ways(table, name) >= LEAST_WAYS]
    reference = dealt(table, search, dealable, drawn)
    told = {
        name: _told(table, name, scores, reference if name in dealable else None, after)
        for name in table.factors
    }
    groups = _grouped(table, told, scores)
    spread = math.sqrt(null.between), math.sqrt(null.within)
    return WithinBatches(groups, table.batches, table.parts, *spread)


def _told(
    table: Table,
    name: str,
    scores: dict[tuple[str, int], float],
    reference: Reference | None,
    after: Collection[str],
) -> WithinFactor:
    factor = table.factors[name]
    fit, known = _fit(table, factor)
    effects = []
    for level, text in enumerate(factor.names):
        contrast = _contrast(factor, table.cells.n, level)
        middle, _ = fit.effect(contrast)
        lower, upper = fit.interval(contrast)
        if reference is None:
            p = min(1.0, len(scores) * fit.p(contrast))
        else:
            p = reference.p(scores[name, level])
        at = factor.of == level
        parts, batches = int(table.cells.n[at].sum()), len(np.unique(table.cells.batch[at]))
        effects.append(LevelEffect(text, parts, batches, middle, lower, upper, p))
    worst = max(range(len(effects)), key=lambda level: scores[name, level])
    if len(effects) == 2:  # one against the other: the one that measured fewer parts is named
        worst = min((0, 1), key=lambda level: (effects[level].parts, level))
    pairs = np.unique(np.stack([table.cells.batch[known], factor.of[known]]), axis=1)[0]
    shared = int(np.count_nonzero(np.bincount(pairs) > 1))
    one = effects[worst]
    return WithinFactor(
        name,
        one.level,
        one.effect,
        one.lower,
        one.upper,
        one.p,
        "t" if reference is None else "dealing",
        shared,
        _moved_by(table, factor, fit, after),
        tuple(effects),
        1.0,
    )


def _fit(table: Table, factor: Factor) -> tuple[MixedFit, Bools]:
    """The model with a column per level but the first, on the cells whose level is known."""
    known = factor.of >= 0
    cells = table.cells
    batch = np.unique(cells.batch[known], return_inverse=True)[1]
    some = replace(cells, mean=cells.mean[known], n=cells.n[known], batch=batch)
    levels = np.arange(1, len(factor.names))
    design = np.column_stack([np.ones(batch.size), factor.of[known][:, None] == levels])
    return fit_mixed(some, design), known


def _contrast(factor: Factor, n: Floats, level: int) -> Floats:
    """This level less the others, weighted by their parts."""
    parts = np.array([n[factor.of == i].sum() for i in range(len(factor.names))])
    parts[level] = 0.0
    contrast: Floats = -parts / parts.sum()
    contrast[level] = 1.0
    contrast[0] = 0.0
    return contrast


def _moved_by(table: Table, factor: Factor, fit: MixedFit, after: Collection[str]) -> float | None:
    """Σ effect × (share of its parts after - before), batches counting alike."""
    late = np.array([code in after for code in table.codes])
    if late.all() or not late.any():
        return None
    levels = np.arange(1, len(factor.names))
    sums = table.cells.by_batch((factor.of[:, None] == levels).astype(float))
    sizes = table.cells.by_batch((factor.of >= 0).astype(float))
    some = sizes[:, 0] > 0
    if not (some & late).any() or not (some & ~late).any():
        return None
    shares = sums / np.maximum(sizes, 1.0)
    moved = shares[some & late].mean(axis=0) - shares[some & ~late].mean(axis=0)
    return float(moved @ fit.beta[1:])


def _grouped(
    table: Table, told: dict[str, WithinFactor], scores: dict[tuple[str, int], float]
) -> tuple[tuple[WithinFactor, ...], ...]:
    """Factors whose suspicious levels are those of the same parts stand together."""

    def score(name: str) -> float:
        factor = table.factors[name]
        return scores[name, factor.names.index(told[name].level)]

    left = sorted(told, key=lambda name: (-round(score(name), 6), name))
    groups = []
    while left:
        leader, *others = left
        group = [told[leader]]
        for name in others:
            level, share = _likest(table, leader, told[leader].level, name)
            if share >= SAME and (
                share >= IDENTICAL or score(leader) - scores[name, level] < TOLD_APART
            ):
                group.append(_at_level(told[name], level, share**0.5))
        groups.append(tuple(group))
        taken = {one.factor for one in group}
        left = [name for name in left if name not in taken]
    return tuple(groups)


def _likest(table: Table, leader: str, level: str, name: str) -> tuple[int, float]:
    """The level of `name` with most of the leader's parts, and the squared correlation."""
    first, other, n = table.factors[leader], table.factors[name], table.cells.n
    both = (first.of >= 0) & (other.of >= 0)
    x = (first.of == first.names.index(level)).astype(float)
    shares = []
    for i in range(len(other.names)):
        z = (other.of == i).astype(float)
        weights = np.where(both, n, 0.0)
        if weights.sum() == 0:
            return 0, 0.0
        dx, dz = x - np.average(x, weights=weights), z - np.average(z, weights=weights)
        spread = np.sum(weights * dx**2) * np.sum(weights * dz**2)
        with_it = float(np.sum(weights * dx * dz))
        # the other side of two levels is the same split, but the level named must be the like one
        shares.append(with_it**2 / spread if spread > 0 and with_it > 0 else 0.0)
    best = int(np.argmax(shares))
    return best, float(shares[best])


def _at_level(factor: WithinFactor, level: int, agreement: float) -> WithinFactor:
    one = factor.levels[level]
    return replace(
        factor,
        level=one.level,
        effect=one.effect,
        lower=one.lower,
        upper=one.upper,
        p=one.p,
        agreement=min(agreement, 1.0),
    )
