"""What changed when the level of a stream moved: its batches' factors, searched and ranked.

Every factor of the batches (mould, lot, crew, number of shots) is asked how well it parts the batch
means, next to a plain step in time; `splits` says in which ways, `permuting` what the chances mean.

- Factors that changed together, on the same batches or so nearly that the means cannot tell them
  apart, are one group: their order within it says nothing.
- A factor whose batches form one run in time `follows_time`: lots used up one after the other look
  like a step whatever caused it, and only knowledge of the shop can tell.
- An unknown level is ordinary: that batch takes no part for that factor. A factor that never
  changed, or is different in every batch, explains nothing and is not searched.

The answer names what moved together with the level. That is where to look first, not a proof.
Cost: batches × factors × 999 arrangements, twice, whatever the number of levels. It is bounded by
keeping, of very many batches, the 300 on either side of the most likely step.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from qc.statistics.arguments import Floats
from qc.statistics.drift.grouped import grouped_rows
from qc.statistics.drift.level import BatchPoint
from qc.statistics.drift.permuting import DRAWN, arrangements, beyond_step, by_chance, every
from qc.statistics.drift.splits import (
    IDENTICAL,
    LEAST_BEFORE,
    SAME,
    TOLD_APART,
    Best,
    Family,
    Form,
    best,
    exchanged,
    explained,
    factor_families,
    step_family,
)

# batches kept on either side of the most likely step
REACH = 300
# a number follows time where its correlation with the order of batches is at least this
WITH_TIME = 0.9


@dataclass(frozen=True, slots=True)
class Factor:
    """One factor's part in the movement.

    `effect`: mean of the `batches` in question less that of the others, in the stream's unit; for
    a number (`form` "number") the change over its range `level`, `slope` being the change per unit.
    `form` says which batches: all of `level`, those of it `since` some batch ("level-since"), or
    all from its first on ("level-onward"). `first_batch` is the first of them (None: a number).
    `p`: the chance that levels dealt to the batches at random agree with the movement as well;
    `p_beyond_step`: that a factor beats a mere step in time by as much. Both pay for the whole
    search (see `permuting`). `agreement`: correlation of its split with the group's first, 1 for
    the same batches.
    """

    factor: str
    level: str
    form: Form
    effect: float
    slope: float | None
    batches: int
    known: int
    first_batch: str | None
    p: float
    p_beyond_step: float
    follows_time: bool
    agreement: float


@dataclass(frozen=True, slots=True)
class Step:
    """The plain competitor: from `first_batch` on the level differs by `effect`."""

    first_batch: str
    effect: float


@dataclass(frozen=True, slots=True)
class Changed:
    """Groups of factors, the most plausible first; factors of one group changed together.

    `step` is None below four batches. `exact`: p from all arrangements, not from drawn ones.
    """

    groups: tuple[tuple[Factor, ...], ...]
    step: Step | None
    batches: int
    searched: tuple[str, ...]
    exact: bool

    def rows(self) -> list[dict[str, Any]]:
        """One row a factor, best group first; `with` names those that changed with it."""
        return grouped_rows(
            self.groups,
            *("factor", "level", "effect", "p", "follows_time", "form", "first_batch", "slope"),
            *("p_beyond_step", "agreement"),
        )


def what_changed(
    points: Sequence[BatchPoint],
    factors: Mapping[str, Mapping[str, str]],
    *,
    drawn: int = DRAWN,
) -> Changed:
    """Which factors explain how the level of `points` moved.

    `points`: the batches of one event, those of the baseline and those up to the signal or to now,
    in any order. `factors`: batch code to factor to level, as text; batches and factors may be
    missing. ValueError for a mean that is no number, a batch without parts and one given twice.
    """
    event = near_the_step(event_of(points))
    if len(event.codes) <= LEAST_BEFORE:
        return Changed((), None, len(event.codes), (), True)
    step = event.best(step_family(len(event.codes)))
    offered = offered_by(event.codes, factors)
    families = [family for splits in offered.values() for family in splits]
    orders = arrangements(len(event.codes), drawn)
    scale = event.values, event.weight, event.floor
    groups: tuple[tuple[Factor, ...], ...] = ()
    if families:
        chance = by_chance(*scale, families, orders)
        beyond = beyond_step(*scale, step, families, orders)
        groups = tuple(
            tuple(
                replace(
                    _told(event, *member),
                    p=chance.p(member[1].score),
                    p_beyond_step=beyond.p(member[1].score - step.score),
                )
                for member in group
            )
            for group in ranked(event, offered)
        )
    first = event.codes[step.family.starts[step.split]]
    told = Step(first, _effect(event, step)[0])
    return Changed(groups, told, len(event.codes), tuple(offered), every(len(event.codes)))


@dataclass(frozen=True, slots=True)
class Event:
    """Batches in order of making, their means less the first one's, their weights.

    `floor`: the least variance that readings on so coarse a scale can show.
    """

    codes: tuple[str, ...]
    values: Floats
    weight: Floats
    floor: float

    def best(self, family: Family, split: int | None = None) -> Best:
        """The best split of a family, or the one given."""
        return best(family, self.values, self.weight, self.floor, split)


def event_of(points: Sequence[BatchPoint]) -> Event:
    ordered = sorted(points, key=lambda point: (point.made_on, point.code))
    codes = tuple(point.code for point in ordered)
    for before, point in zip((None, *codes), ordered, strict=False):
        if not np.isfinite(point.mean) or point.n < 1:
            raise ValueError(
                f"batch {point.code} needs parts and a finite mean: n {point.n}, mean {point.mean}"
            )
        if point.code == before:
            raise ValueError(f"batch {point.code} is given twice: give each batch one point")
    means = np.array([point.mean for point in ordered], dtype=float)
    ns = np.array([point.n for point in ordered], dtype=float)
    sds = np.array([np.nan if point.sd is None else point.sd for point in ordered], dtype=float)
    values = np.round(means - means[0], 9) if len(means) else means
    gaps = np.diff(np.unique(values))
    # a resolution brings a variance of step²/12 (JCGM 100:2008, F.2.2.1)
    floor = float(gaps.min()) ** 2 / 12 if gaps.size else 0.0
    return Event(codes, values, 1 / variance_ratio(values, ns, sds), floor)


def near_the_step(event: Event) -> Event:
    """The batches next to the most likely step, where there are very many."""
    if len(event.codes) <= 2 * REACH:
        return event
    at = LEAST_BEFORE + event.best(step_family(len(event.codes))).split
    near = slice(max(0, at - REACH), at + REACH)
    return Event(event.codes[near], event.values[near], event.weight[near], event.floor)


def variance_ratio(values: Floats, ns: Floats, sds: Floats) -> Floats:
    """Variance of each mean, between + within/n, in variances at the harmonic mean size.

    Within is pooled from `sds` (NaN: unknown). The spread of the means is taken from the median
    moving range, which a few moves of the level do not widen: for normal means it is
    0.9539 standard deviations.
    """
    known = (ns > 1) & np.isfinite(sds)
    if len(values) < 2 or not known.any():
        return np.ones(len(values))
    usual = len(ns) / float(np.sum(1 / ns))
    within = float(np.average(sds[known] ** 2, weights=ns[known] - 1))
    spread = (float(np.median(np.abs(np.diff(values)))) / 0.9539) ** 2
    between = min(max(1 - within / usual / spread, 0.0), 1.0) if spread > 0 else 1.0
    return between + (1 - between) * usual / ns


def offered_by(
    codes: Sequence[str], factors: Mapping[str, Mapping[str, str]]
) -> dict[str, list[Family]]:
    """What each factor offers that changed at all, by name; an empty text is unknown."""
    by_batch = [factors.get(code, {}) for code in codes]
    names = sorted({name for one in by_batch for name in one})
    offered = {
        name: factor_families([str(one.get(name, "")) or None for one in by_batch])
        for name in names
    }
    return {name: families for name, families in offered.items() if families}


Member = tuple[str, Best, float]


def ranked(event: Event, offered: Mapping[str, list[Family]]) -> list[list[Member]]:
    """Factors with their best split, those that changed together in one group; best score first."""
    found = {
        name: max(map(event.best, families), key=lambda one: one.score)
        for name, families in offered.items()
    }
    left = sorted(found, key=lambda name: (-round(found[name].score, 6), name))
    groups = []
    while left:
        leader, *others = left
        group: list[Member] = [(leader, found[leader], 1.0)]
        for name in others:
            alike, share = _likest(event, found[leader], offered[name])
            apart = found[leader].gain - alike.gain
            if share >= IDENTICAL or (share >= SAME and apart < TOLD_APART):
                group.append((name, alike, min(share, 1.0) ** 0.5))
        groups.append(group)
        taken = {name for name, *_ in group}
        left = [name for name in left if name not in taken]
    return groups


def _likest(event: Event, leader: Best, families: Sequence[Family]) -> tuple[Best, float]:
    """The split of these families most like the leader's, and its squared correlation with that."""
    side = leader.family.side(leader.split, len(event.codes))
    both = np.where(np.isnan(side), 0.0, event.weight)
    target = np.nan_to_num(side)[:, None]
    alike, chosen, at = 0.0, families[0], 0
    for family in families:
        if np.any(both[family.order]):
            means = exchanged(family, target, both)
            ss = explained(family, means)[:, 0]
            split, total = int(np.argmax(ss)), float(means.total[0])
            if ss[split] > (alike + 1e-12) * total:
                alike, chosen, at = float(ss[split] / total), family, split
    return event.best(chosen, at), alike


def _told(event: Event, name: str, found: Best, agreement: float) -> Factor:
    """All but the chances, which are of the whole search."""
    form, level = found.family.labels[found.split]
    side = found.family.side(found.split, len(event.codes))
    effect, slope = _effect(event, found)
    inside = np.flatnonzero(side == 1)
    number = form == "number"
    return Factor(
        factor=name,
        level=level,
        form=form,
        effect=effect,
        slope=slope,
        batches=len(found.family.order) if number else len(inside),
        known=len(found.family.order),
        first_batch=None if number else event.codes[inside[0]],
        p=1.0,
        p_beyond_step=1.0,
        follows_time=_follows_time(side[~np.isnan(side)], number),
        agreement=agreement,
    )


def _effect(event: Event, found: Best) -> tuple[float, float | None]:
    """Difference of the two sides; for a number the change over its range, and per unit."""
    side = found.family.side(found.split, len(event.codes))
    known = ~np.isnan(side)
    x, y, weight = side[known], event.values[known], event.weight[known]
    away = x - np.average(x, weights=weight)
    slope = float(np.sum(weight * away * y) / np.sum(weight * away**2))
    return (slope * float(np.ptp(x)), slope) if found.family.x is not None else (slope, None)


def _follows_time(side: Floats, number: bool) -> bool:
    """Whether the split is one run of batches, or the number goes with their order."""
    if number:
        return bool(abs(np.corrcoef(side, np.arange(len(side)))[0, 1]) >= WITH_TIME)
    return int(np.count_nonzero(np.diff(side))) <= (1 if side[0] != side[-1] else 2)
