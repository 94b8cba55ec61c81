"""Cells: parts of one batch measured alike, and the factors that vary within a batch."""

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from qc.statistics.drift.reml import Cells
from qc.statistics.drift.splits import Ints


class Cell(NamedTuple):
    """`n` parts of a batch measured alike: their mean and sd (None: one part, or unknown).

    `levels`: factor to level, such as {"station": "W1", "inspector": "AM", "gauge": "SC-2"}.
    """

    batch: str
    n: int
    mean: float
    sd: float | None
    levels: Mapping[str, str]


class Factor(NamedTuple):
    """Names of levels, and which one each cell has (-1: unknown)."""

    names: tuple[str, ...]
    of: Ints


class Table(NamedTuple):
    """Cells sorted by batch, with `codes` of the batches."""

    cells: Cells
    codes: tuple[str, ...]
    factors: dict[str, Factor]

    @property
    def batches(self) -> int:
        return len(self.codes)

    @property
    def parts(self) -> int:
        return int(self.cells.n.sum())


def table_of(cells: Sequence[Cell]) -> Table:
    if not cells:
        raise ValueError("factors within batches need at least one cell: none given")
    for cell in cells:
        if not math.isfinite(cell.mean) or cell.n < 1:
            raise ValueError(
                f"a cell of batch {cell.batch} needs parts and a finite mean: "
                f"n {cell.n}, mean {cell.mean}"
            )
    ordered = sorted(cells, key=lambda cell: cell.batch)
    codes = sorted({cell.batch for cell in cells})
    place = {code: i for i, code in enumerate(codes)}
    known = [cell for cell in ordered if cell.n > 1 and cell.sd is not None]
    packed = Cells(
        mean=np.array([cell.mean for cell in ordered], dtype=float),
        n=np.array([cell.n for cell in ordered], dtype=float),
        batch=np.array([place[cell.batch] for cell in ordered], dtype=np.intp),
        squares=math.fsum((cell.n - 1) * (cell.sd or 0.0) ** 2 for cell in known),
        dof=sum(cell.n - 1 for cell in known),
    )
    factors = {}
    for name in sorted({name for cell in cells for name in cell.levels}):
        texts = [str(cell.levels.get(name, "")) for cell in ordered]
        names = tuple(sorted(set(texts) - {""}))
        if len(names) > 1:
            of = np.array([names.index(t) if t else -1 for t in texts], dtype=np.intp)
            factors[name] = Factor(names, of)
    return Table(packed, tuple(codes), factors)
