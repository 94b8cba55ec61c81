"""What is known of readings and gauges about the time of a change, and the part of it to weigh."""

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Literal, NamedTuple

import numpy as np

from qc.statistics.drift.splits import LEAST_BEFORE, best, step_family

# batches on either side of the change, and rows of every other kind of evidence next to it: more
# would cost much and say little
NEAR_BATCHES, NEAR_ROWS = 60, 150


class Measured(NamedTuple):
    """A cell: `n` parts of a batch, on one gauge, about one time `at`."""

    model: str
    batch: str
    made_on: dt.date
    gauge: str
    at: dt.datetime
    n: int
    mean: float
    sd: float | None


class Check(NamedTuple):
    """A gauge check: `error` = reading - nominal, `u` the standard uncertainty of that error.

    Where only a limit is known, limit/√3 is a cautious u (JCGM 100, 4.3.7).
    """

    gauge: str
    at: dt.datetime
    error: float
    u: float
    found: Literal["as-found", "as-left"]


class Repeat(NamedTuple):
    """One part measured twice; `u`: standard uncertainty of b - a by repeatability alone."""

    gauge_a: str
    at_a: dt.datetime
    value_a: float
    gauge_b: str
    at_b: dt.datetime
    value_b: float
    u: float


def batches_of(model: str, cells: Sequence[Measured]) -> list[tuple[dt.date, str]]:
    """Day and code of a model's batches, in order of making."""
    return sorted({(cell.made_on, cell.batch) for cell in cells if cell.model == model})


class Observed(NamedTuple):
    """Cells of all models, gauge checks and repeats."""

    cells: Sequence[Measured]
    checks: Sequence[Check]
    repeats: Sequence[Repeat]

    def uses(self) -> Iterator[tuple[str, dt.datetime]]:
        """Every gauge used, and when."""
        yield from ((cell.gauge, cell.at) for cell in self.cells)
        yield from ((check.gauge, check.at) for check in self.checks)
        for pair in self.repeats:
            yield pair.gauge_a, pair.at_a
            yield pair.gauge_b, pair.at_b


def checked(seen: Observed, gauge_u: Mapping[str, float]) -> None:
    """ValueError for what cannot be weighed."""
    for cell in seen.cells:
        if cell.n < 1 or not math.isfinite(cell.mean):
            raise ValueError(
                f"a cell of batch {cell.batch} needs parts and a finite mean: "
                f"n {cell.n}, mean {cell.mean}"
            )
    for gauge in sorted({gauge for gauge, _ in seen.uses()}):
        if not 0 <= gauge_u.get(gauge, math.nan) < math.inf:
            raise ValueError(
                f"gauge {gauge} needs a standard uncertainty of at least 0: {gauge_u.get(gauge)}"
            )
    for u in [check.u for check in seen.checks] + [pair.u for pair in seen.repeats]:
        if not 0 < u < math.inf:
            raise ValueError(f"u of a check or a repeat must be a finite number above 0: {u}")
    if len({at.tzinfo is None for _, at in seen.uses()}) > 1:
        raise ValueError("times must all have an offset, or none of them: got both")


def batch_means(model: str, cells: Sequence[Measured]) -> list[float]:
    """Means of a model's batches, in order of making."""
    sums: dict[tuple[dt.date, str], list[float]] = defaultdict(lambda: [0.0, 0.0])
    for cell in cells:
        if cell.model == model:
            of_batch = sums[cell.made_on, cell.batch]
            of_batch[0] += cell.n * cell.mean
            of_batch[1] += cell.n
    return [total / n for _, (total, n) in sorted(sums.items())]


def next_to_the_change(model: str, seen: Observed) -> Observed:
    """What lies next to the most likely step of the batch means, where there is very much."""
    order = batches_of(model, seen.cells)
    means = np.array(batch_means(model, seen.cells))
    step = best(step_family(len(order)), means - means[0], np.ones(len(order)), 0.0)
    at = LEAST_BEFORE + step.split
    kept = {code for _, code in order[max(0, at - NEAR_BATCHES) : at + NEAR_BATCHES]}
    own = [cell for cell in seen.cells if cell.model == model]
    moment = min(cell.at for cell in own if cell.batch == order[at][1])
    others = [cell for cell in seen.cells if cell.model != model]
    return Observed(
        [cell for cell in own if cell.batch in kept]
        + sorted(others, key=lambda cell: abs(cell.at - moment))[:NEAR_ROWS],
        sorted(seen.checks, key=lambda check: abs(check.at - moment))[:NEAR_ROWS],
        sorted(seen.repeats, key=lambda pair: abs(pair.at_b - moment))[:NEAR_ROWS],
    )
