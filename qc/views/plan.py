"""How many parts of a lot to test, which ones, and what that proves: one wording for all.

A plan is a dictionary that goes to JSON as it is: `sentence` (the statement, always worded alike),
`n`, `ac`, `re`, `lot_size`, `left_to_sell`, and `curve`, the risks on both sides: for each number
(or share) of bad parts in the lot the chance that it is accepted.
"""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any, NamedTuple, get_args

from qc.errors import RimqcError
from qc.statistics.bounds.demonstration import success_run_tests
from qc.statistics.sampling.lots import allowed_nonconforming, plan_for_lot
from qc.statistics.sampling.risks import SingleSampling
from qc.statistics.sampling.tables import LotPlan, Severity, iso_2859_1_plan, mil_std_105e_plan
from qc.statistics.sampling.variables import VariablesPlan
from qc.statistics.sampling.variables_tables import (
    Level414,
    iso_3951_1_plan,
    mil_std_414_letter,
    mil_std_414_plan,
)

BY_COUNT = {"iso-2859-1": "ISO 2859-1", "mil-std-105e": "MIL-STD-105E"}
BY_VALUE = {"iso-3951-1": "ISO 3951-1", "mil-std-414": "MIL-STD-414"}
SEVERITIES: tuple[str, ...] = get_args(Severity)
# a curve ends where hardly any lot is accepted
_HARDLY = 0.005
_POINTS = 25


class Test(NamedTuple):
    """What is done to a part, and how its good and its bad outcome are told."""

    verb: str
    fails: str
    fail: str
    good: str
    destroys: bool


TESTS = {
    "strike": Test("Strike", "fails", "fail", "survive", True),
    "weigh": Test("Weigh", "is outside its limits", "are outside", "are inside", False),
    "inspect": Test("Inspect", "does not conform", "do not conform", "conform", False),
}


def reliability_plan(
    *, reliability: float, confidence: float, failures: int, lot_size: int | None, test: str
) -> dict[str, Any]:
    """The fewest parts to test so that passing shows the reliability with the confidence.

    With a lot the chances are hypergeometric, without one binomial. RimqcError where the lot is
    too small for the failures allowed.
    """
    how = TESTS[test]
    if lot_size is None:
        n = success_run_tests(reliability=reliability, confidence=confidence, failures=failures)
        plan = SingleSampling(n, failures)
        allowed = None
    else:
        allowed = allowed_nonconforming(lot_size=lot_size, reliability=reliability)
        if failures > allowed:
            raise RimqcError(
                f"{_percent(reliability)} of a lot of {lot_size} leaves room for {allowed} bad "
                f"parts, too few to allow {failures} to fail; lower --failures or the "
                "reliability"
            )
        plan = plan_for_lot(
            lot_size=lot_size, reliability=reliability, confidence=confidence, ac=failures
        )
    sentence = (
        f"{_take(how, plan)} If {_at_most(failures, how)}, at least {_percent(reliability)} of "
        f"{'the lot' if lot_size else 'the parts made like them'} {how.good}, with "
        f"{_percent(confidence)} confidence"
    )
    if allowed is not None:
        none = f"none of its {lot_size} parts {how.fails}"
        some = f"at most {allowed} of its {lot_size} parts {how.fail}"
        sentence += f": {some if allowed else none}"
    sentence += "."
    return _row(plan, how, sentence, test, allowed) | {
        "reliability": reliability,
        "confidence": confidence,
        "required_share": 1 - reliability,
        "allowed_bad": allowed,
        "curve": curve(plan),
    }


def aql_plan(
    *, lot_size: int, aql: Decimal, level: str, severity: str, standard: str, test: str
) -> dict[str, Any]:
    """The standard's plan for a lot; ValueError for a level or AQL that it does not have."""
    if aql > 10:
        raise RimqcError(f"--aql {aql}: above 10 it would count faults per 100 parts, not parts", 2)
    if standard in BY_VALUE:
        return _value_plan(lot_size, aql, level, severity, standard, test)
    make = iso_2859_1_plan if standard == "iso-2859-1" else mil_std_105e_plan
    found: LotPlan = make(lot_size=lot_size, aql=aql, level=level, severity=severity)  # type: ignore[arg-type]
    how, plan = TESTS[test], found.sampling
    gap = ""
    if found.re > found.ac + 1:
        gap = f" From {found.ac + 1} on, go back to normal inspection."
    sentence = (
        f"{_take(how, plan)} If {_at_most(found.re - 1, how)}, accept the lot, else refuse "
        f"it ({BY_COUNT[standard]}, level {level}, {severity}, AQL {aql:f} %, letter "
        f"{found.letter}).{gap} {_risks(plan, float(aql) / 100)}"
    )
    return _row(plan, how, sentence, test) | {
        "ac": found.ac,
        "re": found.re,
        "standard": standard,
        "level": level,
        "severity": severity,
        "aql_percent": float(aql),
        "letter": found.letter,
        "required_share": float(aql) / 100,
        "curve": curve(plan),
    }


def _value_plan(
    lot_size: int, aql: Decimal, level: str, severity: str, standard: str, test: str
) -> dict[str, Any]:
    if severity == "reduced":
        raise RimqcError(f"{BY_VALUE[standard]} is carried for normal and tightened only", 2)
    how, source = TESTS[test], "of its table"
    if how.destroys:
        raise RimqcError(f"{BY_VALUE[standard]} judges measured values; use --test weigh", 2)
    if standard == "mil-std-414":
        letter = mil_std_414_letter(lot_size, _level_414(level))
        plan = mil_std_414_plan(letter=letter, aql=aql, severity=severity)  # type: ignore[arg-type]
    else:
        paired = iso_3951_1_plan(lot_size=lot_size, aql=aql, level=level, severity=severity)  # type: ignore[arg-type]
        letter, plan = paired.letter, paired.variables
        source = "from memory" if paired.k_is == "recalled" else "computed here"
    plan = VariablesPlan(min(plan.n, lot_size), plan.k)
    bad = 100 * plan.fraction_at(0.10)
    sentence = (
        f"{how.verb} {plan.n} of {lot_size} parts, drawn at random. If the mean lies at least "
        f"{plan.k:g} standard deviations of the sample inside the limit, accept the lot, else "
        f"refuse it ({BY_VALUE[standard]}, s method, level {level}, {severity}, AQL {aql:f} %, "
        f"letter {letter}, k {source}). Holds for values that are near normal. A process that "
        f"makes {aql:f} % bad parts is accepted in {_hundred(plan.acceptance(float(aql) / 100))} "
        f"lots of 100, one that makes {bad:.2g} % in 10."
    )
    shares = [bad / 100 * 1.6 * i / (_POINTS - 1) for i in range(_POINTS)]
    accepted = plan.acceptance(shares).tolist()
    return {
        "sentence": sentence,
        "test": test,
        "n": plan.n,
        "k": plan.k,
        "k_is": source,
        "lot_size": lot_size,
        "left_to_sell": lot_size,
        "standard": standard,
        "level": level,
        "severity": severity,
        "aql_percent": float(aql),
        "letter": letter,
        "required_share": float(aql) / 100,
        "curve": [
            {"bad": None, "bad_share": share, "accepted": chance}
            for share, chance in zip(shares, accepted, strict=True)
        ],
    }


def _level_414(level: str) -> Level414:
    """Its general levels go from I to V, and IV stands where the others have II."""
    if level not in get_args(Level414):
        raise RimqcError(f"MIL-STD-414 has levels I to V; got {level}", 2)
    return level  # type: ignore[return-value]


def curve(plan: SingleSampling) -> list[dict[str, Any]]:
    """The chance of acceptance by how bad the lot is, down to where hardly any is accepted.

    With a lot, for every number of bad parts (hypergeometric); without one, for the share that
    the process makes (binomial), 25 points.
    """
    if plan.lot_size is not None:
        numbers: Sequence[int] = range(plan.lot_size + 1)
        chances = plan.acceptance_of_lot(numbers).tolist()
        last = next((i for i, p in enumerate(chances) if p < _HARDLY), plan.lot_size)
        return [
            {"bad": i, "bad_share": i / plan.lot_size, "accepted": min(chances[i], 1.0)}
            for i in numbers[: last + 1]
        ]
    top = float(plan.fraction_at(_HARDLY))
    shares = [top * i / (_POINTS - 1) for i in range(_POINTS)]
    return [
        {"bad": None, "bad_share": share, "accepted": chance}
        for share, chance in zip(shares, plan.acceptance(shares).tolist(), strict=True)
    ]


def _row(
    plan: SingleSampling, how: Test, sentence: str, test: str, bad: int | None = None
) -> dict[str, Any]:
    """What all plans tell; `bad` parts in the lot are not ruled out by its acceptance."""
    left = None
    if plan.lot_size is not None:
        left = plan.lot_size - plan.n if how.destroys else plan.lot_size
        if how.destroys:
            sentence += _left(left, bad)
    if how.destroys:
        sentence += " A struck part never ships."
    return {
        "sentence": sentence,
        "test": test,
        "n": plan.n,
        "ac": plan.ac,
        "re": plan.ac + 1,
        "lot_size": plan.lot_size,
        "left_to_sell": left,
    }


def _left(left: int, bad: int | None) -> str:
    if left == 0:
        return " Nothing is left to sell."
    parts = "1 part is" if left == 1 else f"{left} parts are"
    if not bad:
        return f" {parts} left to sell."
    return f" {parts} left to sell; that up to {min(bad, left)} of them fail is not ruled out."


def _take(how: Test, plan: SingleSampling) -> str:
    if plan.lot_size is None:
        return f"{how.verb} {plan.n} part{'' if plan.n == 1 else 's'}, drawn at random."
    if plan.n == plan.lot_size:
        return f"{how.verb} all {plan.n} parts of the lot."
    return f"{how.verb} {plan.n} of {plan.lot_size} parts, drawn at random."


def _at_most(count: int, how: Test) -> str:
    if count == 0:
        return f"none {how.fails}"
    return f"no more than {count} {how.fails if count == 1 else how.fail}"


def _risks(plan: SingleSampling, good: float) -> str:
    """The maker's risk at the AQL and the customer's in this lot."""
    assert plan.lot_size is not None
    often = _hundred(plan.acceptance(good))
    chances = plan.acceptance_of_lot(range(plan.lot_size + 1)).tolist()
    said = f"A process that makes {_percent(good)} bad parts is accepted in {often} lots of 100"
    bad = next((i for i, chance in enumerate(chances) if chance <= 0.10), None)
    if bad is None:
        return said + "."
    share = _percent(bad / plan.lot_size, 2)
    parts = "1 bad part" if bad == 1 else f"{bad} bad parts"
    return f"{said}; this lot with {parts} ({share}) with a chance of at most 10 %."


def _hundred(chance: Any) -> str:
    return "over 99" if chance > 0.995 else f"{100 * float(chance):.0f}"


def _percent(share: float, digits: int = 6) -> str:
    return f"{100 * share:.{digits}g} %"
