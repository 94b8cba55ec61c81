"""What impact tests show, in sentences: nothing more is promised than the numbers carry."""

import math
from collections.abc import Sequence
from typing import Any

from qc.statistics.bounds.demonstration import percent, success_run_tests
from qc.statistics.margins.bearing import Refusal
from qc.statistics.margins.outcomes import Shown

REFUSALS: dict[Refusal, str] = {
    "no-damage": "no test ended in damage",
    "few-failures": "fewer than 2 tests failed between two known multiples above 0",
    "open-spread": "the spread between parts cannot be told from so few different results",
    "not-of-one-kind": "the tests follow no one curve, as where weak parts are among sound ones",
}
FAMILIES = {"weibull": "Weibull", "lognormal": "lognormal"}


def times(multiple: float) -> str:
    """A multiple of the standard impact in few digits."""
    return f"{multiple:.2f}".rstrip("0").rstrip(".") + " ×"


def at_least(multiple: float) -> str:
    """The same, cut and not rounded, for a lower bound."""
    return times(math.floor(multiple * 100 + 1e-9) / 100)


def statement(shown: Shown, name: str) -> str:
    """The exact statement at one multiple; `name`: what the multiple is, "required"."""
    head = f"At the {name} {times(shown.multiple)}"
    left = (
        f" {_tests(shown.unfinished)} that stopped before, undamaged, "
        f"{'does' if shown.unfinished == 1 else 'do'} not count."
        if shown.unfinished
        else ""
    )
    if not shown.tests:
        return f"{head}: no test shows anything.{left}"
    said = f"{head}: {shown.survived} of {shown.tests} survived."
    if not shown.survived:
        return f"{said} No share that survives is shown.{left}"
    sure = f"{100 * shown.confidence:g} % confidence"
    return f"{said} At least {percent(shown.lower)} % survive with {sure}.{left}"


def brief(shown: Shown) -> str:
    """The same for a table whose heading says the multiple and the confidence."""
    if not shown.tests:
        return f"nothing shown, {shown.unfinished} unfinished" if shown.unfinished else "–"
    share = f"at least {percent(shown.lower)} %" if shown.survived else "no share shown"
    left = f" ({shown.unfinished} unfinished)" if shown.unfinished else ""
    return f"{shown.survived} of {shown.tests} survived: {share}{left}"


def scope(batches: int, tests: int) -> str:
    """Of what the statements speak."""
    if not tests:
        return "No part drawn at random has been tested."
    rule = "The parts of one batch prove that batch and no other."
    if batches == 1:
        return f"{_tests(tests)}, all of one batch. {rule}"
    return f"{_tests(tests)} from {batches} batches; the shares are of that mix. {rule}"


def fit(family: str | None, refused: Refusal | None) -> str:
    """Which curve was fitted and why, or why none."""
    if refused:
        return f"No curve is fitted: {REFUSALS[refused]}."
    return (
        f"The fitted curve is the {FAMILIES[str(family)]} one, the likelier of Weibull and "
        "lognormal. Few tests cannot tell the two apart, so every bound is the lower one of both."
    )


def bears(share: float, row: dict[str, Any], why_not: str) -> str:
    """The multiple that a share survives, at least, or why it cannot be said."""
    sure = f"{100 * row['confidence']:g} % confidence"
    if row["multiple"] is not None:
        basis = "by the fitted curve" if row["basis"] == "fitted" else "whatever the distribution"
        bound = at_least(row["multiple"])
        return f"{percent(share)} % survive at least {bound} with {sure}, {basis}."
    needed = success_run_tests(reliability=share, confidence=row["confidence"])
    said = (
        f"What {percent(share)} % survive cannot be said with {sure}: {why_not}. Without a curve "
        f"it takes {needed} tests that all survive a multiple."
    )
    if row["never_easier"] is None:
        return said
    return (
        f"{said} If no impact is less of a risk than the one before (Weibull shape 1 or more: "
        f"damage builds up, no weak parts among sound ones), it is at least "
        f"{at_least(row['never_easier'])}."
    )


def batches(compared: int, apart: Sequence[dict[str, Any]]) -> str:
    """Whether batches differ."""
    if not compared:
        return "There are no two batches to compare."
    many = (
        "The two batches were compared"
        if compared == 2
        else f"{compared} batches were compared, each with all the others"
    )
    if not apart:
        return f"{many}: no difference is shown. Few tests show large differences only."
    names = ", ".join(f"{row['batch']} ({_side(row['weaker'])})" for row in apart)
    return (
        f"{many}: different are {names}. Read the statements batch by batch: the survival curve "
        "is of the mix."
    )


def compared(row: dict[str, Any], name: str, other: str) -> str:
    """One comparison of two groups of tests."""
    p = f"p {probability(row['p_adjusted'])}"
    if not row["differs"]:
        return f"{name}: no difference from {other} is shown ({p})."
    said = f"{name}: parts survive {'less' if row['weaker'] else 'more'} than {other} ({p})"
    if row["ratio"] is None:
        return f"{said}."
    ends = " to ".join(times(end) if end is not None else "open" for end in row["ratio_limits"])
    return f"{said}: {times(row['ratio'])} the multiple, 95 % limits {ends}."


def drawn(kind: str, shown: Shown) -> str:
    """Tests of parts drawn in one way, at the required multiple."""
    names = {"random": "drawn at random", "not-stated": "how drawn not stated: counted as random"}
    said = f"{shown.survived} of {shown.tests} survived the required {times(shown.multiple)}"
    if kind in names:
        return f"{said}, {names[kind]}."
    return f"{said}; {'picked' if kind == 'chosen' else 'rejects'}: no share follows from these."


def early(test: dict[str, Any], required: float) -> str:
    """What makes a test an early failure."""
    unknown = test["failed"] is None
    by = "Damaged at a multiple unknown" if unknown else f"Damaged by {times(test['failed'])}"
    if test["kind"] == "below-standard":
        return f"{by}: does not bear the standard impact."
    short = f"{times(required - test['survived'])} short of the required {times(required)}"
    if test["kind"] == "standard-not-shown":
        return f"{by}: not shown to bear the standard impact even once, {short}."
    return f"{by}, survived {times(test['survived'])}: {short}."


def siblings(failed_early: int, tests: int) -> str:
    """Whether a batch is weak or a part is alone in it."""
    if tests == 1:
        return "The only test of its batch."
    if failed_early == 1:
        return f"The only early failure among {tests} tests of its batch."
    return f"{failed_early} of {tests} tests of its batch failed early."


def probability(p: float) -> str:
    return "under 0.001" if p < 0.001 else f"{p:.3f}"


def _side(weaker: bool) -> str:
    return "weaker" if weaker else "stronger"


def _tests(count: int) -> str:
    return f"{count:,} test{'' if count == 1 else 's'}"
