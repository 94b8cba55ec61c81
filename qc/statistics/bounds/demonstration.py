"""What a test with few or no failures shows, and how many parts it takes.

The plain binomial form is the default: if at most `failures` of n parts may fail, a population of
which only the share R survives passes with the chance P(X ≤ failures), X ~ Bin(n, 1 - R), and n is
the smallest with which that chance is at most 1 - confidence. Without failures that is the success
run n = ln(1 - C)/ln R, rounded up. The other form in use starts from a uniform prior for R; its
C = 1 - R^(n + 1) asks for one part less. Parts from one batch speak for that batch only.

References:

1. Success-run theorem; as an attribute tolerance statement: Wilks (1941), Annals of Mathematical
   Statistics 12:91-96.
2. Meeker, Hahn & Escobar (2017), "Statistical Intervals", 2nd ed., sections 5.4 and 9.6 (bounds
   for a reliability and size of a demonstration test; section numbers from memory).
3. Clopper & Pearson (1934), Biometrika 26:404-413.
"""

import math
from functools import lru_cache
from typing import Literal

from qc.statistics import arguments
from qc.statistics.bounds.proportions import clopper_pearson_interval
from qc.statistics.limits import check_count

Form = Literal["binomial", "uniform-prior"]


def success_run_tests(
    *, reliability: float, confidence: float, failures: int = 0, form: Form = "binomial"
) -> int:
    """The number of parts to test to show a reliability with a confidence.

    `failures`: how many of them may fail (0: a success run). `form` "binomial" is the exact
    plain form [1], "uniform-prior" the Bayesian one with a uniform prior, one part fewer.

    >>> success_run_tests(reliability=0.90, confidence=0.90)
    22
    >>> success_run_tests(reliability=0.90, confidence=0.90, form="uniform-prior")
    21
    """
    arguments.share("reliability", reliability)
    arguments.share("confidence", confidence)
    if failures != int(failures) or failures < 0:
        raise ValueError(f"failures must be a whole number from 0: {failures}")
    fewer = _fewer(form)

    def enough(parts: int) -> bool:
        shown = success_run_confidence(
            tests=parts - fewer, reliability=reliability, failures=failures, form=form
        )
        return shown >= confidence - 1e-12  # 0.64 shown is 0.64 wanted

    # the zero-failure answer starts the bracket; then halve it
    upper = failures + math.ceil(math.log1p(-confidence) / math.log(reliability)) + 1
    while not enough(upper):
        upper *= 2
    lower = failures  # never enough: that many may all fail
    while upper - lower > 1:
        middle = (lower + upper) // 2
        lower, upper = (lower, middle) if enough(middle) else (middle, upper)
    return upper - fewer


def success_run_confidence(
    *, tests: int, reliability: float, failures: int = 0, form: Form = "binomial"
) -> float:
    """The confidence with which `tests` parts, `failures` of them failed, show a reliability.

    Plain: 1 - P(X ≤ failures) with X ~ Bin(tests, 1 - reliability), so 1 - R^tests without
    failures; with a uniform prior 1 - R^(tests + 1).
    """
    from scipy.special import betainc

    arguments.share("reliability", reliability)
    check_count("failures", failures, "tests", tests)
    parts = tests + _fewer(form)
    # all failed shows nothing
    return (
        float(betainc(failures + 1, parts - failures, 1 - reliability))
        if (parts > failures)
        else 0.0
    )


# a shop strikes one or two parts of each of thousands of batches
@lru_cache(maxsize=1000)
def reliability_lower_bound(
    *, tests: int, failures: int = 0, confidence: float = 0.95, form: Form = "binomial"
) -> float:
    """The share of parts that survives, at least: exact one-sided Clopper-Pearson bound [3].

    Without failures (1 - confidence)^(1/tests); 0 where nothing was tested or all failed. With
    a uniform prior one pass more is counted: (1 - confidence)^(1/(tests + 1)).

    >>> [round(reliability_lower_bound(tests=n), 2) for n in (1, 3, 5)]
    [0.05, 0.37, 0.55]
    """
    check_count("failures", failures, "tests", tests)
    parts = tests + _fewer(form)
    return clopper_pearson_interval(
        events=parts - failures, trials=parts, confidence=confidence, side="lower"
    ).lower


def demonstration_words(*, tests: int, failures: int = 0, confidence: float = 0.95) -> str:
    """One sentence on what the tested parts of one batch prove, and of what.

    The bound is rounded to a whole percent, and cut where that would read 100.

    >>> demonstration_words(tests=5)
    '5 parts tested, none failed: with 95 % confidence at least 55 % of their batch survive.'
    """
    bound = reliability_lower_bound(tests=tests, failures=failures, confidence=confidence)
    if tests == 0:
        return "No part tested: nothing is shown."
    parts = "1 part" if tests == 1 else f"{tests} parts"
    failed = "none" if failures == 0 else f"{failures}"
    if bound == 0:
        return f"{parts} tested, {failed} failed: no share that survives is shown."
    sure = f"{100 * confidence:.6g}"
    return (
        f"{parts} tested, {failed} failed: with {sure} % confidence "
        f"at least {percent(bound)} % of their batch survive."
    )


def percent(share: float) -> str:
    """Whole percent, or as many nines as it takes to stay below 100."""
    percent, digits = 100 * share, 0
    while round(percent, digits) >= 100:
        digits += 1
        percent = math.floor(100 * share * 10**digits) / 10**digits
    return f"{percent:.{digits}f}"


def _fewer(form: Form) -> int:
    """How many parts fewer than the plain form."""
    if form not in {"binomial", "uniform-prior"}:
        raise ValueError(f"form must be 'binomial' or 'uniform-prior': {form!r}")
    return 1 if form == "uniform-prior" else 0
