"""One stream watched from its first batch to its last: where its level moved, and moved again."""

from typing import Literal, NamedTuple

import numpy as np

from qc.statistics.drift.bands import Bands, Foretold, foretold
from qc.statistics.drift.looks import (
    LEAST,
    LEAST_LEVEL,
    Looks,
    Sums,
    Watched,
    level_of,
    look,
    sums_of,
    t_quantile,
)
from qc.statistics.drift.partings import Group, Ints, Stream
from qc.statistics.drift.screening import first_counting, offsets_within, spans

# the batches after an odd one that tell whether it stands alone
TELLING = 2
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
            return self.sums.before(self.at)
        return self.sums.first.at(self.n).less(self.sums.each.at(self.at))


def watch(stream: Stream, baseline: int, fixed: Ints | None = None, since: int = 0) -> Watch:
    """Watch a stream from batch `since` on; against the batches `fixed`, if they are given."""
    count = len(stream.x)
    kept, looked = np.arange(since, count), LEAST - 1
    if fixed is not None:
        kept, looked = np.setdiff1d(kept, fixed), 0
        if len(fixed) < LEAST_LEVEL:
            kept = kept[:0]
    frozen = None if fixed is None else stream.of(fixed)
    level = level_of(stream, kept, baseline, frozen)
    watched = max(len(kept) - (baseline if fixed is None else 0), 0)
    known = foretold(count)
    _first_bands(stream, level, known)
    found: list[Found] = []
    levels: list[Ints] = []
    strength = None
    while hit := _search(level, looked, known):
        found.append(_described(level, hit))
        strength = _strength(level, hit) if strength is None else strength
        floor = float(hit.sums.floor[hit.n - 1])
        at = slice(hit.n, hit.n + LEAST_LEVEL)
        ratio = hit.sums.weights.variance_ratio(level.batches.ns[at])
        known.note(level, at, hit.sums, hit.before, floor, ratio)
        alone = _stands_alone(level, hit)
        if alone is False:
            levels.append(level.kept[: hit.at])
            scatter = hit.sums.scatter(hit.before, floor)
            level = level_of(stream, level.kept[hit.at :], baseline, None, scatter)
            looked = max(hit.n - hit.at, LEAST_LEVEL)
        elif alone:
            kept = np.delete(level.kept, hit.at)
            level = level_of(stream, kept, baseline, level.fixed, level.scatter)
            looked = hit.n - 1 + (TELLING if hit.column == 0 else 0)
        else:
            level = level._replace(kept=level.kept[: hit.at])
            break
    levels.append(level.kept)
    return Watch(tuple(found), tuple(levels), known.bands(baseline), watched, strength)


def _search(level: Watched, looked: int, foretold: Foretold) -> _Hit | None:
    """The first look after the `looked`-th batch that shows something; notes what was known before
    the batches up to it.
    """
    for known, first, last in spans(looked, len(level.kept)):
        sums = sums_of(level, known, last)
        n = first_counting(level, sums, first, last)
        at = slice(first - 1, n or last)
        before = sums.first.between(at) if sums.fixed is None else sums.fixed
        foretold.note(level, at, sums, before, sums.floor[at], 1 / sums.each.weight[at])
        if n:
            return _hit(level, sums, known, n)
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


def _stands_alone(level: Watched, hit: _Hit) -> bool | None:
    """Whether a single odd batch was just that: the next ones keep near the level before.

    Near is less than a third of the way, since a batch that signals looks odder than a new level
    would be. None while too few have followed. A step is never alone, an early batch tried against
    all others always.
    """
    if not hit.alone:
        return False
    if hit.column:
        return True
    following = level.batches.x[hit.n : hit.n + TELLING]
    if len(following) < TELLING:
        return None
    away = float(np.mean(following)) - float(hit.looks.before[0, 0])
    shift = float(hit.looks.parted.shift[0, 0])
    return away / shift < 1 / 3


def _strength(level: Watched, hit: _Hit) -> float:
    """The least ratio of p to the chance allowed, at the hit or soon after it."""
    until = min(hit.n + STRENGTHENING, len(level.kept))
    sums = sums_of(level, hit.known, until)
    rows = np.arange(hit.n, until + 1)
    return float(look(level, sums, rows, offsets_within(until)).ratio.min())


def _first_bands(stream: Stream, level: Watched, foretold: Foretold) -> None:
    """What bands of batches before the first look rest on: of the first ones on themselves, of all
    on a frozen baseline.
    """
    if level.fixed is not None and len(level.fixed.x) >= LEAST_LEVEL:
        level = level_of(stream, np.arange(len(stream.x)), level.baseline, level.fixed)
        sums = sums_of(level, 0, len(level.kept))
        before = sums.before(0)
    elif level.fixed is None and len(level.kept) >= LEAST:
        sums = sums_of(level, 0, LEAST)
        before = sums.first.at(LEAST)
    else:
        return
    at = slice(0, len(sums.floor))
    ratio = sums.weights.variance_ratio(level.batches.ns[at])
    foretold.note(level, at, sums, before, sums.floor, ratio)
