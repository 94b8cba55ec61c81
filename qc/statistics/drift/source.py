"""Did the rims move, or the gauge that measured them?

All that is known is weighed in one Gaussian model (`moves`): the cells, by batch in order of making
and by gauge in order of time, of this model and of others on the same gauges; the gauges' checks;
parts measured twice. The best move of the rims, from some batch on, is held against the best move
of a gauge, from some moment on, each with its own size and each at its most likely batch variance.

- One must be 20 times as likely as the other, and as no move at all, to be the answer; else the
  data cannot tell (Kass & Raftery 1995, J. Am. Stat. Assoc. 90:773-795, call 3 to 20 positive
  evidence, more than 20 strong). Where only one gauge was used after the change, nothing checked
  it and order of making is order of measuring, both explain the same and the ratio is 1.
- "both" where the two together are that much likelier than either, times the number of moves there
  were to choose from.

It says which explanation the readings favour; it does not prove a gauge good.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from qc.statistics.arguments import Floats
from qc.statistics.drift.moves import Move, Rows, Weighed, gauge_moves, rims_moves, rows_of, weighed
from qc.statistics.drift.observed import (
    Check,
    Measured,
    Observed,
    Repeat,
    batches_of,
    checked,
    next_to_the_change,
)

Answer = Literal["rims", "gauge", "both", "cannot-tell"]
Kind = Literal["other-gauge", "made-before", "other-models", "check", "repeat"]

Says = Literal["rims", "gauge", "cannot-tell"]

LEAST_BATCHES = 4
# two columns are too much alike to be told apart where less than this of one is its own
ALIKE = 1e-3
STRONG, POSITIVE = math.log(20), math.log(3)


@dataclass(frozen=True, slots=True)
class Explanation:
    """A move with its size and 95 % interval (stream's unit).

    Rims from `first_batch` on, `all_models` or only this; or `gauge` from `since` on (ISO time).
    `odds`: how many times as likely it makes the data as no move does, as a natural logarithm.
    """

    what: Literal["rims", "gauge"]
    gauge: str | None
    since: str | None
    first_batch: str | None
    all_models: bool
    shift: float
    lower: float
    upper: float
    odds: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one kind of evidence says by itself, from `rows` cells, checks or repeats.

    The suspect is `gauge` from `since` on: the answer, or what would have moved most nearly the
    cells that the rims' move does. `size`: the move that the evidence shows, with a 95 % interval.
    `other-gauge`: later batches, not on the suspect; `made-before`: earlier batches, on it since;
    `other-models`, `check`, `repeat`: on it since. `says`: what it speaks for, by a likelihood
    ratio of at least 3.
    """

    kind: Kind
    rows: int
    gauge: str
    since: str
    size: float
    lower: float
    upper: float
    says: Says


@dataclass(frozen=True, slots=True)
class Source:
    """The answer, the two explanations compared (None: there is none), and the evidence.

    `odds`: natural logarithm of the likelihood of rims over gauge.
    """

    answer: Answer
    odds: float
    rims: Explanation | None
    gauge: Explanation | None
    evidence: tuple[Evidence, ...]


def rims_or_gauge(
    model: str,
    cells: Sequence[Measured],
    gauge_u: Mapping[str, float],
    checks: Sequence[Check] = (),
    repeats: Sequence[Repeat] = (),
) -> Source:
    """Which moved, the rims of `model` or a gauge that measured them.

    `cells`: of the event's batches of this model, and of other models on the same gauges in the
    same time. `gauge_u`: standard uncertainty of each gauge's constant error. All in one unit.
    A repeat's values may also stand in cells. ValueError for a gauge without u, an u of 0 where a
    positive one is needed, a mean that is no number, times with and without offset together.
    """
    seen = Observed(cells, checks, repeats)
    checked(seen, gauge_u)
    if len(batches_of(model, cells)) < LEAST_BATCHES:
        return Source("cannot-tell", 0.0, None, None, ())
    rows = rows_of(model, next_to_the_change(model, seen), gauge_u)
    moves = (of_rims, rims_moved), (of_gauge, gauge_moved) = (
        rims_moves(model, rows),
        gauge_moves(rows),
    )
    none, rims, gauge, both = _peaks(weighed(rows), rows.y, rims_moved, gauge_moved)
    odds = rims.log_likelihood - gauge.log_likelihood
    answer = _answer(none, rims, gauge, both, max(len(of_rims), len(of_gauge)))
    if answer == "both":
        rims = gauge = both
    told: list[Explanation | None] = [None, None]
    for i, peak in enumerate((rims, gauge)):
        # the move asked for first, then the one beside it
        columns = [moves[j][1][at] for j in (i, 1 - i) if (at := peak.chosen[j]) is not None]
        if (at := peak.chosen[i]) is not None:
            size = _sizes(rows, peak.weighed, columns)[0]
            told[i] = _explained(moves[i][0][at], size, peak.log_likelihood - none.log_likelihood)
    evidence: tuple[Evidence, ...] = ()
    if told[0] is not None and told[1] is not None:
        lead = 0 if odds >= 0 else 1
        peak, shift = (rims, gauge)[lead], (told[0].shift, told[1].shift)[lead]
        columns, at = [rims_moved[rims.chosen[0]], gauge_moved[gauge.chosen[1]]], gauge.chosen[1]
        if answer != "both":
            other = _counterpart(rows, peak.weighed, columns[lead], moves[1 - lead][1])
            columns[1 - lead], at = moves[1 - lead][1][other], other if lead == 0 else at
        suspect = of_gauge[at or 0]
        evidence = tuple(_evidence(rows, columns, suspect, peak.weighed, shift))
    return Source(answer, odds, told[0], told[1], evidence)


def _counterpart(rows: Rows, weighed: Weighed, leading: Floats, columns: Floats) -> int:
    """The move that would have moved most nearly the same cells; of several the likeliest."""
    own = np.array(rows.kind) == "own"
    one, each = leading[own] != 0, columns[:, own] != 0
    shared = np.sum(each & one, axis=1) / np.sum(each | one, axis=1)
    carried = columns @ weighed.precision
    precision = np.maximum(np.sum(carried * columns, axis=1), 1e-300)
    return int(np.lexsort(((carried @ rows.y) ** 2 / precision, np.round(shared, 9)))[-1])


class _Peak(NamedTuple):
    """The highest likelihood of one kind of explanation: the moves chosen, rims and gauge."""

    log_likelihood: float
    chosen: tuple[int | None, int | None]
    weighed: Weighed


def _peaks(tried: Sequence[Weighed], y: Floats, rims: Floats, gauge: Floats) -> list[_Peak]:
    """No move, rims, gauge, both: each at the batch variance that suits it best."""
    columns = np.concatenate([rims, gauge])
    n = len(rims)
    each: list[list[_Peak]] = []
    for one in tried:
        carried = columns @ one.precision
        cross, pull = carried @ columns.T, carried @ y
        own = np.diag(cross)
        plain = np.where(own > 1e-9 * np.max(own, initial=0.0), own, math.inf)
        gains = pull**2 / plain / 2
        start = one.log_likelihood
        peaks = [_Peak(start, (None, None), one)]
        for i, part in enumerate((gains[:n], gains[n:])):
            at = int(np.argmax(part)) if part.size else None
            peak = start + float(part[at]) if at is not None else start
            peaks.append(_Peak(peak, (at, None) if i == 0 else (None, at), one))
        if n and n < len(columns):
            r, g, c = plain[:n, None], plain[None, n:], cross[:n, n:]
            left = 1 - c**2 / (r * g)
            a, b = pull[:n, None], pull[None, n:]
            two = (a**2 / r - 2 * a * b * c / (r * g) + b**2 / g) / np.maximum(left, 1e-9) / 2
            # a move that one of the other kind explains as well is no part of two
            own_r, own_g = (np.all(left > ALIKE, axis=axis) for axis in (1, 0))
            two = np.where(own_r[:, None] & own_g, two, -math.inf)
            at_r, at_g = np.unravel_index(int(np.argmax(two)), two.shape)
            peak = start + float(two[at_r, at_g])
            peaks.append(_Peak(peak, (int(at_r), int(at_g)), one))
        else:
            peaks.append(peaks[0])
        each.append(peaks)
    return [max((peaks[i] for peaks in each), key=lambda p: p.log_likelihood) for i in range(4)]


def _answer(none: _Peak, rims: _Peak, gauge: _Peak, both: _Peak, choices: int) -> Answer:
    single = max(rims.log_likelihood, gauge.log_likelihood)
    odds = rims.log_likelihood - gauge.log_likelihood
    if both.log_likelihood - single > STRONG + math.log(max(choices, 1)):
        return "both"
    if single - none.log_likelihood < STRONG or abs(odds) < STRONG:
        return "cannot-tell"
    return "rims" if odds > 0 else "gauge"


class _Size(NamedTuple):
    value: float
    se: float
    half: float

    @property
    def interval(self) -> tuple[float, float]:
        return self.value - self.half, self.value + self.half


def _sizes(rows: Rows, weighed: Weighed, columns: Sequence[Floats]) -> list[_Size]:
    """Generalised least squares for moves together; t with batches less 2 degrees of freedom.

    A column that the others explain has an infinite standard error.
    """
    from scipy.special import stdtrit

    x = np.array(columns, dtype=float)
    inner = x @ weighed.precision @ x.T
    scale = np.sqrt(np.maximum(np.diag(inner), 1e-300))
    # a unit diagonal, so that what is nearly nothing shows
    values, vectors = np.linalg.eigh(inner / np.outer(scale, scale))
    kept = np.where(values > 1e-9, values, math.inf)
    covariance = (vectors / kept) @ vectors.T / np.outer(scale, scale)
    estimates = covariance @ (x @ weighed.precision @ rows.y)
    lost = (vectors**2) @ (values <= 1e-9) > 1e-6
    t = float(stdtrit(max(rows.batches - 2, 1), 0.975))
    return [
        _Size(float(e), math.inf if gone else v**0.5, math.inf if gone else t * v**0.5)
        for e, v, gone in zip(estimates, np.diag(covariance).tolist(), lost, strict=True)
    ]


def _explained(move: Move, size: _Size, odds: float) -> Explanation:
    return Explanation(
        "rims" if move.gauge is None else "gauge",
        move.gauge,
        _iso(move) or None,
        move.first_batch,
        move.others,
        size.value,
        *size.interval,
        odds,
    )


def _iso(move: Move) -> str:
    return move.since.isoformat() if move.since else ""


def _evidence(
    rows: Rows, columns: Sequence[Floats], suspect: Move, weighed: Weighed, shift: float
) -> Iterator[Evidence]:
    """The suspected gauge's column in its kinds, and the rims' where that gauge was not used."""
    kind, gauge = np.array(rows.kind), columns[1]
    rims, on = columns[0] > 0, gauge != 0
    parts: dict[Kind, Floats] = {
        "other-gauge": ((kind == "own") & rims & ~on).astype(float),
        "made-before": ((kind == "own") & on & ~rims).astype(float),
        "other-models": ((kind == "other") & on).astype(float),
        "check": np.where(kind == "check", gauge, 0.0),
        "repeat": np.where(kind == "repeat", gauge, 0.0),
    }
    present = {name: column for name, column in parts.items() if column.any()}
    told_by_neither = ((kind == "own") & on & rims).astype(float)
    sizes = _sizes(rows, weighed, [*present.values(), told_by_neither])
    for (name, column), size in zip(present.items(), sizes, strict=False):
        if not math.isfinite(size.se):
            continue
        if_rims, if_gauge = (shift, 0.0) if name == "other-gauge" else (0.0, shift)
        away = (size.value - if_gauge) ** 2 - (size.value - if_rims) ** 2
        ratio = away / size.se**2 / 2
        says: Says = "rims" if ratio > POSITIVE else "gauge" if ratio < -POSITIVE else "cannot-tell"
        count = int(np.count_nonzero(column))
        yield Evidence(
            name, count, suspect.gauge or "", _iso(suspect), size.value, *size.interval, says
        )
