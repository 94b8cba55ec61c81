"""How severely the next lot is inspected: the switching rules of MIL-STD-105E and ISO 2859-1.

Pure functions from a state and a lot's result to the next state; a lot counts on its original
inspection only, never when it is submitted again. Both standards go to tightened inspection when
two of five or fewer lots in a row are not accepted, back after five accepted in a row, and stop
when five lots in all are not accepted during one stay on tightened inspection. They differ on the
way to reduced inspection and back:

* MIL-STD-105E asks for ten lots in a row accepted on normal inspection whose samples together hold
  at most a limit number of nonconforming units (`limit_number_mil_std_105e`), and returns to
  normal also after a lot that fell between acceptance and rejection number.
* ISO 2859-1 keeps a switching score, and its reduced plans have no such gap.

References:

1. MIL-STD-105E (1989), 4.7 switching procedures and 4.8 discontinuation.
2. ISO 2859-1:1999, 9.3 and 9.4 (score rules from memory, as summarised in public descriptions).
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Literal

from qc.statistics.arguments import positive

Stage = Literal["normal", "tightened", "reduced", "discontinued"]

TO_REDUCED_SCORE = 30

# where the rows of table VIII begin: units sampled in the last ten lots
# fmt: off
_UNITS_FROM = (
    20, 30, 50, 80, 130, 200, 320, 500, 800, 1250, 2000, 3150, 5000, 8000, 12_500, 20_000, 31_500,
    50_000,
)
# fmt: on


@dataclass(frozen=True, slots=True)
class LotResult:
    """A lot on original inspection: nonconforming units found, and its plan's Ac and Re."""

    nonconforming: int
    ac: int
    re: int

    def __post_init__(self) -> None:
        if self.nonconforming < 0 or not 0 <= self.ac < self.re:
            raise ValueError(
                "nonconforming must be at least 0 and ac from 0 to below re: "
                f"{self.nonconforming}, ac {self.ac}, re {self.re}"
            )

    @property
    def accepted(self) -> bool:
        return self.nonconforming < self.re

    @property
    def between(self) -> bool:
        """Accepted by a reduced plan, though with more than its acceptance number."""
        return self.ac < self.nonconforming < self.re


@dataclass(frozen=True, slots=True)
class Inspection:
    """What inspection is in force for the next lot, and what counts towards the next switch.

    `lots` are the newest results since this stage began (at most ten), `not_accepted` all lots
    not accepted during a stay on tightened inspection, `score` the switching score of ISO 2859-1.
    Inspection starts at normal: `Inspection()`.
    """

    stage: Stage = "normal"
    lots: tuple[LotResult, ...] = ()
    not_accepted: int = 0
    score: int = 0


def limit_number_mil_std_105e(*, units: int, aql: float | Decimal) -> int | None:
    """The limit number of table VIII: how many may be found in the last ten lots [1].

    `units` sampled in the ten lots together, `aql` in per cent. None: too few units yet, more lots
    must be counted. The table is from memory; one rule gives all 94 numbers recalled of it but one
    (8 for 7 at 130 units and AQL 10): m - 1.28·√m cut to a whole number, m being the AQL's share of
    the fewest units of the row.

    >>> limit_number_mil_std_105e(units=800, aql=1.0)
    4
    """
    if units != int(units) or units < 1:
        raise ValueError(f"units must be a whole number from 1: {units}")
    row = bisect_right(_UNITS_FROM, units) - 1
    expected = _UNITS_FROM[row] * float(positive("aql", float(aql))) / 100 if row >= 0 else 0.0
    limit = expected - 1.28 * math.sqrt(expected)
    return math.floor(limit) if expected and limit >= 0 else None


def next_inspection_mil_std_105e(
    state: Inspection, lot: LotResult, *, limit_number: int | None = None, steady: bool = True
) -> Inspection:
    """The inspection of the next lot by MIL-STD-105E [1].

    `limit_number`: of table VIII for the units sampled in the last ten lots; None where reduced
    inspection is not wanted. `steady`: whether production runs steadily; if not, reduced
    inspection is neither begun nor kept.

    >>> state = Inspection()
    >>> for found in (4, 1, 3):
    ...     state = next_inspection_mil_std_105e(state, LotResult(found, ac=2, re=3))
    >>> state.stage
    'tightened'
    """
    seen = _with(state, lot)
    common = _common(state, seen, lot, steady)
    if common is not None:
        return common
    if state.stage == "normal":
        clean = len(seen.lots) == 10 and all(held.accepted for held in seen.lots)
        total = sum(held.nonconforming for held in seen.lots)
        if clean and steady and limit_number is not None and total <= limit_number:
            return Inspection("reduced")
    return seen


def next_inspection_iso_2859_1(
    state: Inspection,
    lot: LotResult,
    *,
    ac_one_step_tighter: int | None = None,
    steady: bool = True,
    reduced_wanted: bool = True,
) -> Inspection:
    """The inspection of the next lot by ISO 2859-1 [2].

    On normal inspection the score grows by 2 for an accepted lot with Ac 0 or 1, by 3 with a
    larger Ac if the lot would have been accepted at the next lower AQL, whose acceptance number is
    `ac_one_step_tighter` (needed then); else it falls to 0. At 30 reduced inspection begins, where
    it is wanted and production steady.
    """
    if state.stage == "normal" and lot.ac >= 2 and ac_one_step_tighter is None:
        raise ValueError(f"ac_one_step_tighter must be given where ac is 2 or more: ac {lot.ac}")
    seen = _with(state, lot)
    common = _common(state, seen, lot, steady)
    if common is not None:
        return common
    if state.stage == "normal":
        bar = lot.ac if lot.ac <= 1 or ac_one_step_tighter is None else ac_one_step_tighter
        gain = 2 if lot.ac <= 1 else 3
        seen = replace(seen, score=state.score + gain if lot.nonconforming <= bar else 0)
        if seen.score >= TO_REDUCED_SCORE and steady and reduced_wanted:
            return Inspection("reduced")
    return seen


def resumed(state: Inspection) -> Inspection:
    """Tightened inspection, begun anew once the supplier has mended what stopped it [1, 2]."""
    if state.stage != "discontinued":
        raise ValueError(f"only discontinued inspection is resumed: {state.stage}")
    return Inspection("tightened")


def _with(state: Inspection, lot: LotResult) -> Inspection:
    if state.stage == "discontinued":
        raise ValueError("discontinued inspection judges no lot before it is resumed")
    return replace(
        state,
        lots=(*state.lots, lot)[-10:],
        not_accepted=state.not_accepted + (not lot.accepted),
    )


def _common(state: Inspection, seen: Inspection, lot: LotResult, steady: bool) -> Inspection | None:
    """The switch that both standards make, if any."""
    last_five = seen.lots[-5:]
    if state.stage == "normal" and sum(not held.accepted for held in last_five) >= 2:
        return Inspection("tightened")
    if state.stage == "tightened":
        if seen.not_accepted >= 5:
            return Inspection("discontinued")
        if len(last_five) == 5 and all(held.accepted for held in last_five):
            return Inspection("normal")
    if state.stage == "reduced" and (not lot.accepted or lot.between or not steady):
        return Inspection("normal")
    return None
