"""Which plan by variables a lot is sampled by: MIL-STD-414 and ISO 3951-1, s method, one limit.

The two are kept apart: other letters for a lot, other sample sizes, other k. MIL-STD-414 holds the
chance of acceptance at the AQL nearly the same along a row (0.89 for letter B to 0.99 for Q), from
which every k held here follows to within 0.016. ISO 3951-1 pairs each
plan with the one of ISO 2859-1 for the same letter and AQL.

References:

1. MIL-STD-414 (1957), tables A-2 and B-1 (tightened: the column of the next lower AQL). AQLs 0.65
   to 1.5, and 2.5 and 4.0 of letters B to F, as reprinted in its civil successor ANSI/ASQ Z1.9;
   the rest, with table A-2 and the rows of 30 and 40, from memory, borne out by the rule above.
2. ISO 3951-1:2005, table B.1: sample sizes, and k where the plan by attributes accepts with none
   found, from memory. Other k could not be recalled, and no rule gives the printed ones: they are
   computed here to accept lots at the AQL as often as the plan of ISO 2859-1 does, and say so.
"""

import math
from bisect import bisect_left
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from qc.statistics.sampling.risks import SingleSampling
from qc.statistics.sampling.tables import Level, code_letter, master_table_plan
from qc.statistics.sampling.variables import VariablesPlan, matched_variables_plan

Level414 = Literal["I", "II", "III", "IV", "V"]

# fmt: off
AQLS = (0.04, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0, 15.0)
# letter: sample size, then k for the last AQLs of the row; before them the arrow points down
_TABLE_B1: dict[str, tuple[int, tuple[float, ...]]] = {
    "B": (3, (1.12, .958, .765, .566, .341)),
    "C": (4, (1.45, 1.34, 1.17, 1.01, .814, .617, .393)),
    "D": (5, (1.65, 1.53, 1.40, 1.24, 1.07, .874, .675, .455)),
    "E": (7, (2.00, 1.88, 1.75, 1.62, 1.50, 1.33, 1.15, .955, .755, .536)),
    "F": (10, (2.24, 2.11, 1.98, 1.84, 1.72, 1.58, 1.41, 1.23, 1.03, .828, .611)),
    "G": (15, (2.64, 2.53, 2.42, 2.32, 2.20, 2.06, 1.91, 1.79, 1.65, 1.47, 1.30, 1.09, .886, .664)),
    "H": (20, (2.69, 2.58, 2.47, 2.36, 2.24, 2.11, 1.96, 1.82, 1.69, 1.51, 1.33, 1.12, .917, .695)),
    "I": (25, (2.72, 2.61, 2.50, 2.40, 2.26, 2.14, 1.98, 1.85, 1.72, 1.53, 1.35, 1.14, .936, .712)),
    "J": (30, (2.73, 2.61, 2.51, 2.41, 2.28, 2.15, 2.00, 1.86, 1.73, 1.55, 1.36, 1.15, .946, .723)),
    "K": (35, (2.77, 2.65, 2.54, 2.45, 2.31, 2.18, 2.03, 1.89, 1.76, 1.57, 1.39, 1.18, .969, .745)),
    "L": (40, (2.77, 2.66, 2.55, 2.44, 2.31, 2.18, 2.03, 1.89, 1.76, 1.58, 1.39, 1.18, .971, .746)),
    "M": (50, (2.83, 2.71, 2.60, 2.50, 2.35, 2.22, 2.08, 1.93, 1.80, 1.61, 1.42, 1.21, 1.00, .774)),
    "N": (75, (2.90, 2.77, 2.66, 2.55, 2.41, 2.27, 2.12, 1.98, 1.84, 1.65, 1.46, 1.24, 1.03, .804)),
    "O": (100, (2.92, 2.8, 2.69, 2.58, 2.43, 2.29, 2.14, 2.00, 1.86, 1.67, 1.48, 1.26, 1.05, .819)),
    "P": (150, (2.96, 2.84, 2.73, 2.61, 2.47, 2.33, 2.18, 2.03, 1.89, 1.7, 1.51, 1.29, 1.07, .841)),
    "Q": (200, (2.97, 2.85, 2.73, 2.62, 2.47, 2.33, 2.18, 2.04, 1.89, 1.7, 1.51, 1.29, 1.07, .845)),
}
# the civil successor left out two sizes and named the rest on
_Z1_9_AS_414 = dict(zip("BCDEFGHIJKLMNP", "BCDEFGHIKMNOPQ", strict=True))
_LOTS_UP_TO = (
    8, 15, 25, 40, 65, 110, 180, 300, 500, 800, 1300, 3200, 8000, 22_000, 110_000, 550_000,
)
# one letter for each of the seventeen ranges of lot size
_TABLE_A2: dict[str, str] = {
    "I": "BBBBBBBBCDEFGHIII",
    "II": "BBBBBBCDEFGHIJKKK",
    "III": "BBBBCDEFGHIJLMNOP",
    "IV": "BBCDEFGHIJKLMNOPQ",
    "V": "CDEFGHIJKLLMNOPQQ",
}
# ISO 3951-1: sample size by letter, and k where the plan by attributes has Ac 0
_ISO_SIZES = dict(zip(
    "BCDEFGHJKLMNPQR",
    (3, 4, 6, 9, 13, 18, 25, 35, 50, 70, 95, 125, 160, 200, 250),
    strict=True,
))
_ISO_K_NONE_FOUND = dict(zip(
    "BCDEFGHJK", (0.950, 1.242, 1.476, 1.696, 1.889, 2.079, 2.254, 2.425, 2.580), strict=True,
))
# fmt: on


@dataclass(frozen=True, slots=True)
class PairedPlan:
    """A plan of ISO 3951-1 and the plan by attributes of ISO 2859-1 that it is paired with.

    `k_is` says where k comes from: "recalled" (the standard's, from memory) or "computed" here.
    """

    letter: str
    variables: VariablesPlan
    attributes: SingleSampling
    k_is: Literal["recalled", "computed"]


def mil_std_414_letter(lot_size: int, level: Level414 = "IV") -> str:
    """The code letter of a lot of 3 units or more (table A-2); level IV unless said [1].

    >>> mil_std_414_letter(100_000), mil_std_414_letter(40)
    ('O', 'D')
    """
    if lot_size != int(lot_size) or lot_size < 3:
        raise ValueError(f"lot_size must be a whole number from 3: {lot_size}")
    if level not in _TABLE_A2:
        raise ValueError(f"level must be one of {', '.join(_TABLE_A2)}: {level!r}")
    return _TABLE_A2[level][bisect_left(_LOTS_UP_TO, lot_size)]


def mil_std_414_plan(
    *,
    letter: str,
    aql: float | Decimal,
    severity: Literal["normal", "tightened"] = "normal",
) -> VariablesPlan:
    """Plan of a code letter (B to Q) and AQL in per cent (0.04 to 15), s method, form 1 [1].

    Where the table has an arrow the next letter's plan counts, with its sample size. Tightened
    inspection takes the k of the next lower AQL; reduced plans (table B-2) are not carried.

    >>> mil_std_414_plan(letter="D", aql=1.0)
    VariablesPlan(n=5, k=1.53)
    >>> mil_std_414_plan(letter="O", aql=1.0, severity="tightened")
    VariablesPlan(n=100, k=2.14)
    """
    if letter not in _TABLE_B1:
        raise ValueError(f"letter must be one of {', '.join(_TABLE_B1)}: {letter!r}")
    if severity not in {"normal", "tightened"}:
        raise ValueError(f"severity must be normal or tightened: {severity!r}")
    aqls = AQLS if severity == "normal" else AQLS[1:]
    column = next((i for i, held in enumerate(aqls) if math.isclose(held, aql)), None)
    if column is None:
        raise ValueError(f"aql must be one of {', '.join(f'{a:g}' for a in aqls)}: {aql}")
    letters = list(_TABLE_B1)
    # letter G and all after it have a plan for every AQL
    return next(
        VariablesPlan(n, factors[at])
        for n, factors in (_TABLE_B1[held] for held in letters[letters.index(letter) :])
        if (at := column - (len(AQLS) - len(factors))) >= 0
    )


def ansi_z1_9_plan(*, letter: str, aql: float | Decimal) -> VariablesPlan:
    """Plan of the civil successor of MIL-STD-414 by its own letters (B to P), normal inspection.

    The same k; sizes 30 and 40 are gone and the letters behind them moved up [1].

    >>> ansi_z1_9_plan(letter="J", aql=1.0)
    VariablesPlan(n=35, k=1.89)
    """
    if letter not in _Z1_9_AS_414:
        raise ValueError(f"letter must be one of {', '.join(_Z1_9_AS_414)}: {letter!r}")
    return mil_std_414_plan(letter=_Z1_9_AS_414[letter], aql=aql)


def iso_3951_1_plan(
    *,
    lot_size: int,
    aql: float | Decimal,
    level: Level = "II",
    severity: Literal["normal", "tightened"] = "normal",
) -> PairedPlan:
    """Plan for a lot by ISO 3951-1, s method, form k, one limit [2].

    Letter and plan by attributes are those of ISO 2859-1, arrows followed; the sample is that of
    the letter (B for A), at most the lot. k is the standard's, from memory, where that plan has
    Ac 0 and letter B to K, and computed otherwise; `k_is` tells which. `aql` up to 10 per cent.

    >>> plan = iso_3951_1_plan(lot_size=60, aql=1.0)
    >>> plan.letter, plan.variables, plan.k_is
    ('E', VariablesPlan(n=9, k=1.696), 'recalled')
    """
    if severity not in {"normal", "tightened"}:
        raise ValueError(f"severity must be normal or tightened: {severity!r}")
    if not 0 < float(aql) <= 10:
        raise ValueError(f"aql must be above 0 and at most 10 per cent: {aql}")
    letter, size, ac, _ = master_table_plan(
        code=code_letter(lot_size, level), aql=aql, severity=severity, standard="iso-2859-1"
    )
    attributes = SingleSampling(size, ac)
    own = max(letter, "B")
    n = min(_ISO_SIZES[own], lot_size)
    if ac == 0 and letter in _ISO_K_NONE_FOUND and n == _ISO_SIZES[own]:
        return PairedPlan(own, VariablesPlan(n, _ISO_K_NONE_FOUND[own]), attributes, "recalled")
    plan = matched_variables_plan(attributes=attributes, n=n, fraction=float(aql) / 100)
    return PairedPlan(own, plan, attributes, "computed")
