"""One Gaussian model of readings, gauge checks and repeats, and the moves that could explain them.

    mean of a cell   = model's level + batch + gauge's error + move + scatter of its parts
    error of a check = gauge's error + move of that gauge + scatter u
    repeat, b - a    = gauge b's error and move less gauge a's + scatter u

Batches scatter with a common variance, a gauge's constant error with its standard uncertainty
(JCGM 100, 4.3), parts with the variance pooled from the cells. A move of the rims adds a constant
to the cells of the batches from one on, whatever measured them: batches run in order of making. A
move of a gauge adds one to all that it measures from a moment on, whatever was made when, until it
is adjusted: gauges run in order of time. So every move is one more column, and how much it gains in
log-likelihood has a closed form once the variances are given.
"""

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from qc.statistics.arguments import Floats
from qc.statistics.drift.observed import Check, Measured, Observed, batch_means, batches_of

# batch variances tried, in those seen between neighbouring batches
RATIOS = np.geomspace(0.05, 8.0, 13)


class Move(NamedTuple):
    """What moved, since when: a gauge from a moment on, or (`gauge` None) rims from a batch on.

    `others`: the rims of all models moved, made on or after that day.
    """

    gauge: str | None
    first_batch: str | None
    since: dt.datetime | None
    others: bool


@dataclass(frozen=True, slots=True)
class Rows:
    """All evidence as rows: cells, then checks, then repeats of `seen`.

    `kind` of each row: "own" cells of the model in question, "other" models' cells, "check",
    "repeat". `y`: its value; `levels`, `batch`, `gauges`: to which model's level, batch and gauge's
    error it belongs, the latter times its uncertainty; `scatter`: its own variance. `usual`: the
    variance between neighbouring ones of the `batches` in question.
    """

    seen: Observed
    kind: tuple[str, ...]
    y: Floats
    levels: Floats
    batch: Floats
    gauges: Floats
    scatter: Floats
    usual: float
    batches: int


def rows_of(model: str, seen: Observed, gauge_u: Mapping[str, float]) -> Rows:
    """The linear model; means are less the first one of their model, to keep digits."""
    cells, checks, repeats = seen
    start: dict[str, float] = {}
    for cell in cells:
        start.setdefault(cell.model, cell.mean)
    means = np.array(batch_means(model, cells))
    # the median moving range is not widened by one move
    usual = (float(np.median(np.abs(np.diff(means)))) / 0.9539) ** 2
    within = _within(cells)
    if within is None:  # nothing is known of the parts: they may make all of the scatter
        within = usual * len(cells) / sum(1 / cell.n for cell in cells)
    least = 1e-9 * max(usual, within) or 1e-18
    values = [cell.mean - start[cell.model] for cell in cells]
    values += [check.error for check in checks]
    values += [pair.value_b - pair.value_a for pair in repeats]
    scatter = [within / cell.n + least for cell in cells]
    scatter += [u**2 for u in (*(c.u for c in checks), *(r.u for r in repeats))]
    kind = ["own" if cell.model == model else "other" for cell in cells]
    kind += ["check"] * len(checks) + ["repeat"] * len(repeats)
    rows = len(kind)
    names = sorted(gauge_u)
    first = [cell.gauge for cell in cells] + [check.gauge for check in checks]
    gauges = _member([*first, *(pair.gauge_b for pair in repeats)], names, rows)
    gauges[len(first) :] -= _member([pair.gauge_a for pair in repeats], names, len(repeats))
    return Rows(
        seen,
        tuple(kind),
        np.array(values),
        _member([cell.model for cell in cells], sorted(start), rows),
        _member(
            [(cell.model, cell.batch) for cell in cells],
            sorted({(cell.model, cell.batch) for cell in cells}),
            rows,
        ),
        gauges * np.array([gauge_u[name] for name in names]),
        np.array(scatter),
        max(usual, least),
        len(means),
    )


def _member(labels: Sequence[object], names: Sequence[object], rows: int) -> Floats:
    """A column per name, 1 in the rows that bear it; rows beyond the labels bear none."""
    place = {name: i for i, name in enumerate(names)}
    columns = np.zeros((rows, len(names)))
    columns[np.arange(len(labels)), [place[label] for label in labels]] = 1
    return columns


def _within(cells: Sequence[Measured]) -> float | None:
    known = [(cell.n - 1, cell.sd) for cell in cells if cell.n > 1 and cell.sd is not None]
    dof = sum(n for n, _ in known)
    return math.fsum(n * sd**2 for n, sd in known) / dof if dof else None


def rims_moves(model: str, rows: Rows) -> tuple[list[Move], Floats]:
    """Every batch from which on the rims may have moved, and the column of each (one a row).

    Two batches are left before it. Where other models are measured too, all may have moved.
    """
    order = batches_of(model, rows.seen.cells)
    moves, columns = [], []
    for place, first in enumerate(order[2:], start=2):
        later = set(order[place:])
        reach = [c.model == model and (c.made_on, c.batch) in later for c in rows.seen.cells]
        moves.append(Move(None, first[1], None, False))
        columns.append(reach)
        if "other" in rows.kind:
            moves.append(Move(None, first[1], None, True))
            columns.append(
                [
                    r or (c.model != model and c.made_on >= first[0])
                    for r, c in zip(reach, rows.seen.cells, strict=True)
                ]
            )
    wide = np.zeros((len(moves), len(rows.y)))
    if moves:
        wide[:, : len(rows.seen.cells)] = np.array(columns)
    return moves, wide


def gauge_moves(rows: Rows) -> tuple[list[Move], Floats]:
    """Every moment from which on a gauge may have moved, and the column of each (one a row).

    Only such as part the cells of the model in question.
    """
    own = np.array([kind == "own" for kind in rows.kind])
    moves, columns = [], []
    for gauge in sorted({c.gauge for c, o in zip(rows.seen.cells, own, strict=False) if o}):
        adjusted = _adjusted(gauge, rows.seen.checks)
        for since in sorted({at for name, at in rows.seen.uses() if name == gauge}):
            until = next((at for at in adjusted if at > since), None)
            column = np.array(list(_affected(gauge, since, until, rows)))
            if 0 < np.count_nonzero(column[own]) < np.count_nonzero(own):
                moves.append(Move(gauge, None, since, False))
                columns.append(column)
    return moves, np.array(columns) if columns else np.zeros((0, len(rows.y)))


def _adjusted(gauge: str, checks: Sequence[Check]) -> list[dt.datetime]:
    """When the gauge was left plainly nearer to nominal than it had been found."""
    own = sorted((c for c in checks if c.gauge == gauge), key=lambda c: (c.at, c.found))
    return [
        left.at
        for before, left in pairwise(own)
        if left.found == "as-left"
        and abs(before.error) - abs(left.error) > 2 * math.hypot(before.u, left.u)
    ]


def _affected(
    gauge: str, since: dt.datetime, until: dt.datetime | None, rows: Rows
) -> Iterator[float]:
    def moved(on: str, at: dt.datetime) -> bool:
        return on == gauge and at >= since and (until is None or at < until)

    yield from (float(moved(cell.gauge, cell.at)) for cell in rows.seen.cells)
    for check in rows.seen.checks:
        found_off = check.at == until and check.found == "as-found" and check.gauge == gauge
        yield float(moved(check.gauge, check.at) or found_off)
    for pair in rows.seen.repeats:
        yield float(moved(pair.gauge_b, pair.at_b)) - float(moved(pair.gauge_a, pair.at_a))


class Weighed(NamedTuple):
    """Precision of the rows at one batch variance, the models' levels taken out."""

    precision: Floats
    log_likelihood: float


def weighed(rows: Rows) -> list[Weighed]:
    """The model without any move, for each batch variance tried (restricted likelihood)."""
    common = np.diag(rows.scatter) + rows.gauges @ rows.gauges.T
    between = rows.batch @ rows.batch.T
    tried = []
    for ratio in RATIOS:
        v = common + ratio * rows.usual * between
        inverse = np.linalg.inv(v)
        carried = inverse @ rows.levels
        inner = rows.levels.T @ carried
        precision = inverse - carried @ np.linalg.solve(inner, carried.T)
        logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(inner)[1]
        tried.append(Weighed(precision, -float(logs + rows.y @ precision @ rows.y) / 2))
    return tried
