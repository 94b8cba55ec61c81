"""How far off the mean of a batch may lie, foretold from the batches before it."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.drift.looks import CHANCE_INSIDE, CHANCE_ONE, Sums, Watched, t_quantiles
from qc.statistics.drift.partings import Floats, Group


class Bands(NamedTuple):
    """For every batch the level before it and how far off its mean may lie (NaN: not judged)."""

    centre: Floats
    half: Floats


class Foretold(NamedTuple):
    """What was known before each batch of a stream, noted as the search goes on.

    `before`: the batches that it is compared with (NaN: not judged). `squares` with `dof` are known
    from the level before, `floor` is the least variance, `ratio` the variance of the batch's own
    mean in usual ones; `inside`: it helps to set its level.
    """

    before: Group
    squares: Floats
    dof: Floats
    floor: Floats
    ratio: Floats
    inside: NDArray[np.bool_]

    def note(
        self,
        level: Watched,
        at: slice,
        sums: Sums,
        before: Group,
        floor: Floats | float,
        ratio: Floats,
    ) -> None:
        """The batches `at` of the level come after `before`."""
        batches = level.kept[at]
        self.before.sums[batches] = before.sums
        self.squares[batches], self.dof[batches] = sums.squares, sums.dof
        self.floor[batches], self.ratio[batches] = floor, ratio
        self.inside[batches] = np.arange(at.start, at.start + len(batches)) < level.set_by

    def bands(self, baseline: int) -> Bands:
        """t prediction intervals, worked out for all batches at once."""
        dof = np.maximum(self.before.number - 1 + self.dof, 1)
        variance = np.maximum((self.before.squares + self.squares) / dof, self.floor)
        whole = dof.astype(int)
        inside = t_quantiles(whole, CHANCE_INSIDE / baseline)
        t = np.where(self.inside, inside, t_quantiles(whole, CHANCE_ONE))
        half = t * np.sqrt(variance * (self.ratio + 1 / self.before.weight))
        return Bands(self.before.mean, half)


def foretold(count: int) -> Foretold:
    """Nothing known yet of so many batches."""
    sums = np.full((count, 4), np.nan)
    sums[:, 3] = 1
    squares, dof, floor, ratio = np.zeros((4, count))
    return Foretold(Group(sums), squares, dof, floor, ratio, np.zeros(count, dtype=bool))
