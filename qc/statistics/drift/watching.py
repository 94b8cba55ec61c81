"""One stream watched from its first batch to its last: where its level moved, and moved again."""

from typing import Literal, NamedTuple

import numpy as np

from qc.statistics.drift.looks import (
    CHANCE_ONE,
    LEAST,
    LEAST_LEVEL,
    Looks,
    Stream,
    Sums,
    Watched,
    look,
    offsets_within,
    stretches,
    sums_of,
    t_quantile,
    t_quantiles,
    worth_a_look,
)
from qc.statistics.drift.partings import Floats, Group, Ints, Scatter

# the batches after an odd one that tell whether it stands alone
TELLING = 2
# looks worked out side by side once they are worth one
TOGETHER = 16
# the batches after the first signal that may still strengthen it
STRENGTHENING = 6


class Found(NamedTuple):
    """Batch `first` alone (`beyond-limits`) or all from it on (`step`) lie `shift` off `before`.

    `newest` is the batch that made it known, `limit` how far off the mean may lie.
    """

    rule: Literal["beyond-limits", "step"]
    first: int
    newest: int
    before: float
    shift: float
    se: float
    dof: int
    limit: float


class Bands(NamedTuple):
    """For every batch the level before it and how far off its mean may lie (NaN: not judged)."""

    centre: Floats
    half: Floats


class Watch(NamedTuple):
    """What was found, the batches of each level in turn, and the bands.

    `watched` counts the batches that came after the first baseline; `strength` is the least ratio
    of p to the chance allowed about the first event, None without one.
    """

    found: tuple[Found, ...]
    levels: tuple[Ints, ...]
    bands: Bands
    watched: int
    strength: float | None


class _Hit(NamedTuple):
    """The first look (after the `n`-th batch of the level) at which a parting counts."""

    n: int
    known: int
    sums: Sums
    looks: Looks
    column: int

    @property
    def alone(self) -> bool:
        return self.column == 0 or self.column >= self.looks.splits

    @property
    def at(self) -> int:
        return int(self.looks.at[0, self.column])

    @property
    def before(self) -> Group:
        """The batches that what was found is compared with."""
        if self.column < self.looks.splits:
            return self.sums.before(np.array(self.at))
        return self.sums.first.at(np.array(self.n)).less(self.sums.each.at(np.array(self.at)))


def watch(stream: Stream, baseline: int, fixed: Ints | None = None, since: int = 0) -> Watch:
    """Watch a stream from batch `since` on; against the batches `fixed`, if they are given."""
    count = len(stream.x)
    bands = Bands(np.full(count, np.nan), np.full(count, np.nan))
    kept, looked = np.arange(since, count), LEAST - 1
    if fixed is not None:
        kept, looked = np.setdiff1d(kept, fixed), 0
        if len(fixed) < LEAST_LEVEL:
            kept = kept[:0]
    level = Watched(kept, baseline, fixed)
    watched = max(len(kept) - (baseline if fixed is None else 0), 0)
    _first_bands(stream, level, bands)
    found: list[Found] = []
    levels: list[Ints] = []
    strength = None
    while hit := _search(stream, level, looked, bands):
        found.append(_described(level, hit))
        strength = _strength(stream, level, hit) if strength is None else strength
        at = np.arange(hit.n, min(hit.n + LEAST_LEVEL, len(level.kept)))
        ratio = hit.sums.weights.variance_ratio(stream.ns[level.kept[at]])
        _foretell(bands, level, at, hit.sums, hit.before, ratio, hit.sums.floor[hit.n - 1])
        alone = _stands_alone(stream, level, hit)
        if alone is False:
            levels.append(level.kept[: hit.at])
            variance, dof = hit.sums.scatter(hit.before, hit.sums.floor[hit.n - 1])
            scatter = Scatter(float(variance), int(dof), hit.sums.weights)
            level = Watched(level.kept[hit.at :], baseline, None, scatter)
            looked = max(hit.n - hit.at, LEAST_LEVEL)
        elif alone:
            level = level._replace(kept=np.delete(level.kept, hit.at))
            looked = hit.n - 1 + (TELLING if hit.column == 0 else 0)
        else:
            level = level._replace(kept=level.kept[: hit.at])
            break
    levels.append(level.kept)
    return Watch(tuple(found), tuple(levels), bands, watched, strength)


def _search(stream: Stream, level: Watched, looked: int, bands: Bands) -> _Hit | None:
    """The first look after the `looked`-th batch that shows something; fills the bands up to it."""
    for known, first, last in stretches(looked, len(level.kept)):
        sums = sums_of(stream, level, known, last)
        n = _first_counting(level, sums, np.arange(first, last + 1))
        at = np.arange(first - 1, n or last)
        _foretell(bands, level, at, sums, sums.before(at), 1 / sums.each.weight[at], sums.floor[at])
        if n:
            return _hit(level, sums, known, n)
    return None


def _first_counting(level: Watched, sums: Sums, rows: Ints) -> int | None:
    """The first of these looks at which a parting counts."""
    offsets = offsets_within(int(rows[-1]))
    rows = worth_a_look(level, sums, rows, offsets)
    for start in range(0, len(rows), TOGETHER):
        some = rows[start : start + TOGETHER]
        counts = (look(level, sums, some, offsets).ratio <= 1).any(axis=1)
        if counts.any():
            return int(some[np.argmax(counts)])
    return None


def _hit(level: Watched, sums: Sums, known: int, n: int) -> _Hit:
    """All splits of that look tried; of the partings that count the one that parts the widest."""
    looks = look(level, sums, np.array([n]), np.arange(1, n + 1))
    t = np.where(looks.ratio[0] <= 1, looks.parted.t[0], -1.0)
    return _Hit(n, known, sums, looks, int(np.argmax(t)))


def _described(level: Watched, hit: _Hit) -> Found:
    here = (0, hit.column)
    parted = hit.looks.parted
    se, dof = float(parted.se[here]), int(parted.dof[here])
    return Found(
        "beyond-limits" if hit.alone else "step",
        int(level.kept[hit.at]),
        int(level.kept[hit.n - 1]),
        float(hit.looks.before[here]),
        float(parted.shift[here]),
        se,
        dof,
        float(t_quantile(dof, hit.looks.chance[here])) * se,
    )


def _stands_alone(stream: Stream, level: Watched, hit: _Hit) -> bool | None:
    """Whether a single odd batch was just that: the next ones keep near the level before.

    Near is less than a third of the way, since a batch that signals looks odder than a new level
    would be. None while too few have followed. A step is never alone, an early batch tried against
    all others always.
    """
    if not hit.alone:
        return False
    if hit.column:
        return True
    following = level.kept[hit.n : hit.n + TELLING]
    if len(following) < TELLING:
        return None
    away = float(np.mean(stream.x[following])) - float(hit.looks.before[0, 0])
    shift = float(hit.looks.parted.shift[0, 0])
    return away / shift < 1 / 3


def _strength(stream: Stream, level: Watched, hit: _Hit) -> float:
    """The least ratio of p to the chance allowed, at the hit or soon after it."""
    until = min(hit.n + STRENGTHENING, len(level.kept))
    sums = sums_of(stream, level, hit.known, until)
    rows = np.arange(hit.n, until + 1)
    return float(look(level, sums, rows, offsets_within(until)).ratio.min())


def _first_bands(stream: Stream, level: Watched, bands: Bands) -> None:
    """The bands of batches before the first look: of the first ones by themselves, of all by a
    frozen baseline.
    """
    if level.fixed is not None and len(level.fixed) >= LEAST_LEVEL:
        level = level._replace(kept=np.arange(len(stream.x)))
        sums = sums_of(stream, level, 0, len(level.kept))
        before = sums.before(np.array(0))
    elif level.fixed is None and len(level.kept) >= LEAST:
        sums = sums_of(stream, level, 0, LEAST)
        level = level._replace(kept=level.kept[:LEAST])
        before = sums.first.at(np.array(LEAST))
    else:
        return
    ratio = sums.weights.variance_ratio(stream.ns[level.kept])
    _foretell(bands, level, np.arange(len(level.kept)), sums, before, ratio, sums.floor)


def _foretell(
    bands: Bands,
    level: Watched,
    at: Ints,
    sums: Sums,
    before: Group,
    ratio: Floats,
    floor: Floats,
) -> None:
    """Bands of the level's batches `at`, whose means have variance `ratio`, from groups before
    them: t prediction intervals.
    """
    variance, dof = sums.scatter(before, floor)
    inside = at < level.set_by
    t = np.where(inside, t_quantiles(dof, level.inside), t_quantiles(dof, CHANCE_ONE))
    batches = level.kept[at]
    bands.centre[batches] = before.mean
    bands.half[batches] = t * np.sqrt(variance * (ratio + 1 / before.weight))
