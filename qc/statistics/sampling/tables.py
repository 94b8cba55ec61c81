"""Which plan a lot is sampled by: MIL-STD-105E, single sampling by attributes.

A lot's size and the inspection level give a code letter, the letter and the AQL a cell of the
master table: a sample size with its acceptance and rejection numbers, or an arrow to the next plan
above or below, whose own sample size then counts. A sample as large as the lot means every unit is
inspected. Along a diagonal of the tables one acceptance number stands, so that a row of numbers a
severity tells all cells. AQLs up to 10 are per cent nonconforming; 15 and above make sense as
nonconformities per 100 units only.

ISO 2859-1 has the same code letters and the same plans for normal and tightened inspection; its
reduced plans differ: they have no gap between acceptance and rejection. Neither standard's double
and multiple plans are carried.

References:

1. MIL-STD-105E (1989, public domain, cancelled 1995), tables I, II-A and II-B; the columns 0.65 to
   15 and the arrows of both as laid out in a federal guide (NIBS, AC-TABLE.ASC). Tables I but for
   level II, the other columns and table II-C are from memory.
2. ISO 2859-1:1999; the numbers of its table 2-C (reduced) are from memory.
"""

import math
from bisect import bisect_left
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from qc.statistics.sampling.risks import SingleSampling

Severity = Literal["normal", "tightened", "reduced"]
Level = Literal["S-1", "S-2", "S-3", "S-4", "I", "II", "III"]
Standard = Literal["mil-std-105e", "iso-2859-1"]

LETTERS = "ABCDEFGHJKLMNPQRS"
# fmt: off
AQLS = (
    0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0,
    15.0, 25.0, 40.0, 65.0, 100.0, 150.0, 250.0, 400.0, 650.0, 1000.0,
)
# fmt: on
_LOTS_UP_TO = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)
# one letter for each of the fifteen ranges of lot size
_TABLE_I: dict[str, str] = {
    "S-1": "AAAABBBBCCCCDDD",
    "S-2": "AAABBBCCCDDDEEE",
    "S-3": "AABBCCDDEEFFGGH",
    "S-4": "AABCCDEEFGGHJJK",
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
}
_SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150)
_REDUCED_SIZES = (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800)
_UP, _DOWN = -1, 1
# acceptance numbers along a diagonal; before its start the arrow points down, behind its end up,
# and the last two of normal and tightened stand in rows A to E only
_NORMAL = (0, _UP, _DOWN, 1, 2, 3, 5, 7, 10, 14, 21, 30, 44)
_TIGHTENED = (0, _DOWN, _DOWN, 1, 2, 3, 5, 8, 12, 18, 27, 41)
_REDUCED: dict[str, tuple[tuple[int, int] | int, ...]] = {
    "mil-std-105e": (
        *((0, 1), _UP, _DOWN, (0, 2), (1, 3), (1, 4), (2, 5), (3, 6), (5, 8), (7, 10), (10, 13)),
    ),
    "iso-2859-1": (
        *((0, 1), _UP, _DOWN, _DOWN, (1, 2), (2, 3), (3, 4), (5, 6), (6, 7), (8, 9), (10, 11)),
    ),
}


@dataclass(frozen=True, slots=True)
class LotPlan:
    """How to sample a lot: inspect `n` units, accept up to `ac` nonconforming, reject from `re`.

    `letter` is that of the plan used, after arrows, `code_letter` that of the lot. Between `ac`
    and `re` (reduced inspection of MIL-STD-105E only) the lot is accepted and normal inspection
    comes back. With `whole_lot` the sample would be as large as the lot: every unit is inspected.
    """

    lot_size: int
    level: str
    aql: float
    severity: str
    code_letter: str
    letter: str
    n: int
    ac: int
    re: int
    whole_lot: bool

    @property
    def sampling(self) -> SingleSampling:
        """The plan with its curves and risks; a lot between `ac` and `re` counts as accepted."""
        return SingleSampling(self.n, self.re - 1, self.lot_size)

    def accepts(self, nonconforming: int) -> bool:
        """Whether the lot is accepted with so many nonconforming units in the sample."""
        if nonconforming != int(nonconforming) or not 0 <= nonconforming <= self.n:
            raise ValueError(
                f"nonconforming must be a whole number from 0 to n: {nonconforming}, n {self.n}"
            )
        return nonconforming < self.re


def code_letter(lot_size: int, level: Level = "II") -> str:
    """The sample size code letter of a lot of 2 units or more (table I) [1].

    >>> code_letter(40), code_letter(1000), code_letter(1000, "I")
    ('D', 'J', 'G')
    """
    if lot_size != int(lot_size) or lot_size < 2:
        raise ValueError(f"lot_size must be a whole number from 2: {lot_size}")
    if level not in _TABLE_I:
        raise ValueError(f"level must be one of {', '.join(_TABLE_I)}: {level!r}")
    return _TABLE_I[level][bisect_left(_LOTS_UP_TO, lot_size)]


def mil_std_105e_plan(
    *,
    lot_size: int,
    aql: float | Decimal,
    level: Level = "II",
    severity: Severity = "normal",
) -> LotPlan:
    """The single sampling plan for a lot by MIL-STD-105E [1].

    `aql`: one of the 26 of the standard, in per cent (or per 100 units). Reduced plans are
    carried up to an AQL of 15. ValueError for any other.

    >>> plan = mil_std_105e_plan(lot_size=1000, aql=1.0)
    >>> plan.letter, plan.n, plan.ac, plan.re
    ('J', 80, 2, 3)
    >>> plan = mil_std_105e_plan(lot_size=40, aql=2.5)  # an arrow up, from D to C
    >>> plan.letter, plan.n, plan.ac
    ('C', 5, 0)
    """
    return _lot_plan(lot_size, aql, level, severity, "mil-std-105e")


def iso_2859_1_plan(
    *,
    lot_size: int,
    aql: float | Decimal,
    level: Level = "II",
    severity: Severity = "normal",
) -> LotPlan:
    """The single sampling plan for a lot by ISO 2859-1 [2].

    Normal and tightened the same as by MIL-STD-105E; reduced without a gap between acceptance and
    rejection (table 2-C). Arguments and errors as for `mil_std_105e_plan`.

    >>> plan = iso_2859_1_plan(lot_size=1000, aql=1.0, severity="reduced")
    >>> plan.n, plan.ac, plan.re
    (32, 1, 2)
    """
    return _lot_plan(lot_size, aql, level, severity, "iso-2859-1")


def _lot_plan(
    lot_size: int, aql: float | Decimal, level: Level, severity: Severity, standard: Standard
) -> LotPlan:
    own = code_letter(lot_size, level)
    letter, n, ac, re = master_table_plan(code=own, aql=aql, severity=severity, standard=standard)
    return LotPlan(
        lot_size=int(lot_size),
        level=level,
        aql=float(aql),
        severity=severity,
        code_letter=own,
        letter=letter,
        n=min(n, int(lot_size)),
        ac=ac,
        re=re,
        whole_lot=n >= lot_size,
    )


def master_table_plan(
    *,
    code: str,
    aql: float | Decimal,
    severity: Severity = "normal",
    standard: Standard = "mil-std-105e",
) -> tuple[str, int, int, int]:
    """Letter, sample size, acceptance and rejection number of a code letter, arrows followed.

    Tables II-A, II-B and II-C of MIL-STD-105E [1], or 2-A, 2-B and 2-C of ISO 2859-1 [2]. Where an
    arrow leads off the table (letter A at 10, the letters Q and R at the lowest AQLs) the plan on
    its other side is taken.
    """
    if severity not in {"normal", "tightened", "reduced"}:
        raise ValueError(f"severity must be normal, tightened or reduced: {severity!r}")
    if standard not in _REDUCED:
        raise ValueError(f"standard must be one of {', '.join(_REDUCED)}: {standard!r}")
    if len(code) != 1 or code not in LETTERS[:-1]:
        raise ValueError(f"code must be a letter of {LETTERS[:-1]}: {code!r}")
    column = next((i for i, held in enumerate(AQLS) if math.isclose(held, aql)), None)
    if column is None:
        raise ValueError(f"aql must be one of {', '.join(f'{a:g}' for a in AQLS)}: {aql}")
    if severity == "reduced" and AQLS[column] > 15:
        raise ValueError(f"aql must be at most 15 for reduced inspection: {aql}")
    start = LETTERS.index(code)
    cell = _cell(start, column, severity, standard)
    if isinstance(cell, int):
        toward, away = cell, -cell
        found = _first(start, column, severity, standard, toward) or _first(
            start, column, severity, standard, away
        )
        if found is None:
            raise ValueError(f"no plan for code {code} at aql {aql}, {severity}")
        start, cell = found
    sizes = _REDUCED_SIZES if severity == "reduced" else _SIZES
    return LETTERS[start], sizes[start], *cell


def _first(
    start: int, column: int, severity: Severity, standard: Standard, step: int
) -> tuple[int, tuple[int, int]] | None:
    """The first plan of the column above (-1) or below (+1) a row."""
    row = start + step
    while 0 <= row < len(LETTERS):
        cell = _cell(row, column, severity, standard)
        if not isinstance(cell, int):
            return row, cell
        row += step
    return None


def _cell(row: int, column: int, severity: Severity, standard: Standard) -> tuple[int, int] | int:
    """Acceptance and rejection number of a cell, or which way its arrow points."""
    if severity == "tightened":
        diagonal = row + column - 15
        # table II-B starts with B: a sample of 2 has an arrow where the diagonal says 0
        if diagonal < 0 or (row == 0 and diagonal == 0):
            return _DOWN
        last = 11 if row <= 4 else 9
        if diagonal > last or (row == 16 and diagonal != 3):
            return _UP
        ac = _TIGHTENED[diagonal]
        return ac if diagonal in {1, 2} else (ac, ac + 1)
    diagonal = row + column - 14
    if diagonal < 0:
        return _DOWN
    if severity == "reduced":
        if diagonal > 10 or row == 16:
            return _UP
        return _REDUCED[standard][diagonal]
    if diagonal > (12 if row <= 4 else 10) or row == 16:
        return _UP
    ac = _NORMAL[diagonal]
    return ac if diagonal in {1, 2} else (ac, ac + 1)
