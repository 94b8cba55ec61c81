"""Every way in which a factor parts the batches, and how much of the scatter each explains.

A split of the batches in two is a segment of one ordering of them: the batches of a level stand
side by side when sorted by level, those made since a batch are the end of the ordering in time. So
one running sum along an ordering gives every split in it at once, for a whole block of
rearrangements, whatever the number of levels.

Which splits a factor offers:

- `level`: all batches of one level against the rest;
- `level-onward`, where no level ever comes back (lots used up one after the other): from the first
  batch of a level on;
- `level-since`: the batches of one level from some batch on, which is how a mould that goes off
  shows. Two batches of other levels must follow, else it is no more than a step in time;
- `number`: a straight line on the factor's value, where it is a number.

A split that explains SS of the scatter SS_total of n batch means has gained n/2·log(SS_total /
(SS_total - SS)) in log-likelihood (normal means, one variance). Its score is that less the
logarithm of the number of splits of its kind: many levels find a good split by chance.
"""

import math
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.arguments import Floats

Form = Literal["level", "level-onward", "level-since", "number", "step"]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

# what changed together is one group: its squared correlation is at least SAME and the data do not
# favour one by a likelihood ratio of 20, or it is the same split
SAME, TOLD_APART, IDENTICAL = 0.8, math.log(20), 1 - 1e-9
# fewer batches with a known level say nothing
LEAST_KNOWN = 4
# a factor of numbers is a number (and not a few codes) from this many different values on
LEAST_NUMBERS = 6
# a step in time has at least so many batches before it
LEAST_BEFORE = 3
# batches of other levels that follow a level which goes off
LEAST_OTHERS = 2


class Family(NamedTuple):
    """Splits of one ordering of batches: segments `starts` to `ends` (not included).

    `order` holds the batches with a known level, level by level as `rank` counts them, and in
    order of making within a level. `labels` gives form and level of each split; the last `since`
    of them are of form "level-since". With `x`, one value per batch of `order`, the family is the
    one straight line on x.
    """

    order: Ints
    rank: Ints
    starts: Ints
    ends: Ints
    labels: tuple[tuple[Form, str], ...]
    since: int = 0
    x: Floats | None = None

    def side(self, split: int, batches: int) -> Floats:
        """What the split says of each of all `batches`: 1 in, 0 out (or x), NaN unknown."""
        values = np.full(batches, np.nan)
        if self.x is not None:
            values[self.order] = self.x
        else:
            values[self.order] = 0.0
            values[self.order[self.starts[split] : self.ends[split]]] = 1.0
        return values

    @property
    def kinds(self) -> list[slice]:
        """The splits of each kind: whole levels, levels since some batch."""
        cut = len(self.labels) - self.since
        return [k for k in (slice(0, cut), slice(cut, len(self.labels))) if k.stop > k.start]


class Arranged(NamedTuple):
    """Batch means as a family meets them: rows in its order, one arrangement a column.

    `pull`: deviation from the mean × weight; `own`: the weights; `total`: Σ pull²/own; `allowed`:
    which of the family's splits "since" may be used. `own` and `allowed` may have one column.
    """

    pull: Floats
    own: Floats
    total: Floats
    allowed: Bools


def exchanged(family: Family, y: Floats, weight: Floats) -> Arranged:
    """The factor stays, the means are exchanged: `y` holds one arrangement of them a column."""
    own = weight[family.order][:, None]
    rows = y[family.order]
    return _centred(rows, own, _allowed(family, family.order[:, None], len(weight)))


def dealt(family: Family, y: Floats, weight: Floats, orders: Ints) -> Arranged:
    """The means stay, the levels are dealt anew: those of batch i go to batch `orders[i]`."""
    batches = orders[family.order]
    if family.x is None:
        # within a level the batches stand in order of making again
        batches = np.sort((batches + len(y) * family.rank[:, None]).T, axis=1).T % len(y)
    even = np.all(weight == weight[0])
    own = weight[: len(batches), None] if even else weight[batches]
    return _centred(y[batches], own, _allowed(family, batches, len(y)))


def _centred(rows: Floats, own: Floats, allowed: Bools) -> Arranged:
    away = rows - np.sum(own * rows, axis=0) / np.sum(own, axis=0)
    pull = own * away
    return Arranged(pull, own, np.einsum("ij,ij->j", pull, away), allowed)


def _allowed(family: Family, batches: Ints, n: int) -> Bools:
    """Whether enough batches of other levels are made after the first of a split "since"."""
    if not family.since:
        return np.ones((0, 1), dtype=bool)
    starts, ends = family.starts[-family.since :], family.ends[-family.since :]
    first = batches[starts]
    if len(batches) == n:
        later = n - 1 - first
    else:
        known = np.zeros((n, batches.shape[1]), dtype=np.intp)
        np.put_along_axis(known, batches, 1, axis=0)
        upto = np.cumsum(known, axis=0)
        later = upto[-1] - np.take_along_axis(upto, first, axis=0)
    return later - (ends - 1 - starts)[:, None] >= LEAST_OTHERS


def step_family(batches: int) -> Family:
    """All steps in time: the batches from one on against those before it."""
    starts = range(LEAST_BEFORE, batches)
    every = np.arange(batches)
    return _family(every, np.zeros_like(every), [(k, batches, ("step", "")) for k in starts])


def factor_families(levels: Sequence[str | None]) -> list[Family]:
    """The splits that a factor offers, its levels given per batch in order of making.

    None: unknown. Empty for a factor that is constant, known for fewer than four batches, or
    different in every batch without being a number. A number that hardly repeats is a line only.
    """
    known = np.array([i for i, level in enumerate(levels) if level is not None], dtype=np.intp)
    texts = [level for level in levels if level is not None]
    sizes = Counter(texts)  # in order of first appearance
    if len(known) < LEAST_KNOWN or len(sizes) < 2:
        return []
    values = numbers(sizes)
    families = []
    if len(sizes) < len(known) / (1 if values is None else 2):
        families.append(_by_level(known, texts, sizes))
    if values is not None:
        x = np.array([values[text] for text in texts])
        reach = f"{x.min():.12g} to {x.max():.12g}"
        line = _family(known, np.zeros_like(known), [(0, len(known), ("number", reach))])
        families.append(line._replace(x=x))
    return families


def numbers(sizes: Counter[str]) -> dict[str, float] | None:
    """Value of each level, or None where they are not numbers or only a few different ones."""
    if len(sizes) < LEAST_NUMBERS:
        return None
    try:
        values = {text: float(text) for text in sizes}
    except ValueError:
        return None
    return values if all(map(math.isfinite, values.values())) else None


def _by_level(known: Ints, texts: list[str], sizes: Counter[str]) -> Family:
    place = {level: i for i, level in enumerate(sizes)}
    places = np.array([place[text] for text in texts])
    by_level = np.argsort(places, kind="stable")
    ends = np.cumsum(list(sizes.values()))
    starts = np.concatenate([[0], ends[:-1]])
    names, n = list(sizes), len(known)
    # no level comes back: sorted by level is sorted in time
    in_turn = sum(a != b for a, b in pairwise(texts)) == len(sizes) - 1
    # the first of two levels, or of levels in turn, is the other side of a split that is there
    first = 1 if in_turn or len(sizes) == 2 else 0
    whole: list[Segment] = [
        (starts[i], ends[i], ("level", names[i])) for i in range(first, len(names))
    ]
    if in_turn:
        whole += [(starts[i], n, ("level-onward", names[i])) for i in range(1, len(names) - 1)]
    since: list[Segment] = [
        (k, end, ("level-since", name))
        for name, start, end in zip(names, starts, ends, strict=True)
        for k in range(start + 1, end - 1)
    ]
    return _family(known[by_level], places[by_level], whole + since, len(since))


Segment = tuple[int, int, tuple[Form, str]]


def _family(order: Ints, rank: Ints, splits: Sequence[Segment], since: int = 0) -> Family:
    starts, ends, labels = zip(*splits, strict=True)
    return Family(order, rank, np.array(starts, np.intp), np.array(ends, np.intp), labels, since)


def explained(family: Family, means: Arranged) -> Floats:
    """Weighted sums of squares that the splits explain, row by row."""
    pull, own = means.pull, means.own
    if family.x is not None:
        x = family.x[:, None]
        along = x - np.sum(own * x, axis=0) / np.sum(own, axis=0)
        spread = np.sum(own * along**2, axis=0)
        line: Floats = np.sum(along * pull, axis=0) ** 2 / np.where(spread > 0, spread, math.inf)
        return line[None, :]
    sums, sizes = _running(pull), _running(own)
    inside = sizes[family.ends] - sizes[family.starts]
    lever = inside * (sizes[-1] - inside) / sizes[-1]
    # a segment that holds all, or nothing, explains nothing
    lever[lever <= 1e-12 * sizes[-1]] = math.inf
    ss = sums[family.ends]
    ss -= sums[family.starts]
    ss *= ss
    ss /= lever
    if family.since:
        ss[-family.since :] *= means.allowed
    return ss


def _running(rows: Floats) -> Floats:
    sums = np.zeros((len(rows) + 1, rows.shape[1]))
    np.cumsum(rows, axis=0, out=sums[1:])
    return sums


def gain(ss: Floats, total: Floats, batches: int, floor: float) -> Floats:
    """Log-likelihood gained; `floor` is the least variance that the scale can show."""
    least = batches * max(floor, np.finfo(float).tiny)
    left = np.maximum(total - ss, np.maximum(least, 1e-14 * total))
    gained: Floats = batches / 2 * np.log(np.maximum(total, left) / left)
    return gained


def score(family: Family, means: Arranged, floor: float) -> Floats:
    """The best score in the family, per arrangement."""
    ss = explained(family, means)
    n = len(family.order)
    scores = [
        gain(ss[kind].max(axis=0), means.total, n, floor) - math.log(kind.stop - kind.start)
        for kind in family.kinds
    ]
    return np.max(scores, axis=0) if len(scores) > 1 else scores[0]


class Best(NamedTuple):
    """One split of a family, with its log-likelihood gain and its score."""

    family: Family
    split: int
    gain: float
    score: float


def best(family: Family, y: Floats, weight: Floats, floor: float, split: int | None = None) -> Best:
    """The best split (or the one given) for one row of batch means."""
    means = exchanged(family, y[:, None], weight)
    gained = gain(explained(family, means)[:, 0], means.total, len(family.order), floor)
    scores = np.concatenate([gained[k] - math.log(k.stop - k.start) for k in family.kinds])
    chosen = int(np.argmax(scores)) if split is None else split
    return Best(family, chosen, float(gained[chosen]), float(scores[chosen]))
