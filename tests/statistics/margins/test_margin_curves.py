"""The survival curve of impact tests, fitted curves, and the multiple that 90 % survive."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.bounds.demonstration import success_run_tests
from qc.statistics.margins.bearing import (
    Fitted,
    any_distribution_bears,
    fitted,
    never_easier_bears,
)
from qc.statistics.margins.curve import MOST_POINTS, survival_curve
from qc.statistics.margins.outcomes import outcomes
from qc.statistics.survival.censoring import Censored, interval_censored

REFERENCE = Path(__file__).parents[2] / "reference"


def whole_hits(strengths: np.ndarray, most: int = 12) -> Censored:
    """A part of strength 3.4 survives 3 hits and has failed by 4; at `most` the test stops."""
    borne = np.minimum(np.ceil(strengths) - 1, most)
    broken = strengths <= most
    failed = np.where(broken, borne + 1, np.nan)
    return outcomes(survived=borne, failed=failed, damaged=broken).censored()


def weibull_hits(parts: int, scale: float, shape: float, seed: int) -> Censored:
    return whole_hits(scale * np.random.default_rng(seed).weibull(shape, parts))


def test_without_censoring_inside_the_curve_is_the_share_that_survived() -> None:
    data = interval_censored(lower=[2, 3, 5, 6], upper=[3, 4, 6, None])
    curve = {point.multiple: point for point in survival_curve(data, marks=(1.0,))}
    assert [curve[m].survive for m in (1, 2, 3, 4, 5)] == pytest.approx([1, 1, 0.75, 0.5, 0.5])
    assert curve[6].survive == pytest.approx(0.25)
    assert all(point.lower <= (point.survive or 0) <= point.upper for point in curve.values())


def test_beyond_what_any_part_was_tested_to_nothing_but_an_upper_limit_is_known() -> None:
    data = interval_censored(lower=[10] * 5, upper=[None] * 5)
    known, beyond = survival_curve(data, marks=(10.0, 12.0))
    assert (known.multiple, known.survive) == (10, 1)
    assert (beyond.survive, beyond.lower, beyond.upper) == (None, 0, 1)


def test_where_all_survived_the_lower_limit_is_the_exact_binomial_one() -> None:
    """Two-sided 95 % of 5 of 5: 0.025^(1/5) (Clopper & Pearson 1934)."""
    (point,) = survival_curve(interval_censored(lower=[10] * 5, upper=[None] * 5), marks=(10.0,))
    assert point.lower == pytest.approx(0.025 ** (1 / 5))


def test_a_curve_of_many_steps_is_thinned_and_keeps_its_marks() -> None:
    steps = np.arange(40.0)
    curve = survival_curve(interval_censored(lower=steps, upper=steps + 1), marks=(1.0, 7.5))
    assert len(curve) <= MOST_POINTS + 2
    assert {1.0, 7.5} <= {point.multiple for point in curve}
    shares = [point.survive for point in curve]
    assert shares == sorted(shares, key=lambda share: -(share or 0))


def test_failures_that_scatter_are_fitted_and_the_bound_is_the_lower_of_both_families() -> None:
    data = weibull_hits(40, 6, 3, seed=2)
    fit = fitted(data)
    assert isinstance(fit, Fitted)
    each = [f.percentile_lower_bound(0.1, confidence=0.95) for f in (fit.weibull, fit.lognormal)]
    assert fit.bears(0.9, confidence=0.95) == min(each)
    assert fit.bears(0.9, confidence=0.95) < fit.bears(0.9, confidence=0.9)
    assert fit.survival_lower_bound(3, confidence=0.95) < fit.likelier.survival(3)


def test_a_published_sample_gives_the_published_curve() -> None:
    """Cracked parts (Nelson 1982, p. 415): the Weibull estimates in the reference file."""
    case = json.loads((REFERENCE / "cracked_parts_interval.json").read_text(encoding="utf-8"))
    data, published = case["data"], case["published"]
    fit = fitted(interval_censored(lower=data["lower"], upper=data["upper"], counts=data["count"]))
    assert isinstance(fit, Fitted)
    assert fit.weibull.shape == pytest.approx(published["shape"], abs=5e-5)
    assert fit.weibull.scale == pytest.approx(published["scale"], abs=1e-3)


@pytest.mark.parametrize(
    ("lower", "upper", "why"),
    [
        ([10] * 5, [None] * 5, "no-damage"),
        ([3, 10, 10], [4, None, None], "few-failures"),
        ([0, 0, 0, 5], [1, 1, 1, None], "few-failures"),
        ([3, 3, 3], [4, 4, 4], "open-spread"),
        ([3, 3] + [12] * 80 + [11] * 80, [4, 4] + [13] * 80 + [12] * 80, "not-of-one-kind"),
    ],
)
def test_what_the_data_cannot_carry_is_not_fitted(
    lower: list[float], upper: list[float | None], why: str
) -> None:
    assert fitted(interval_censored(lower=lower, upper=upper)) == why


@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_whatever_the_distribution_90_percent_take_a_success_run(confidence: float) -> None:
    """22 parts without failure for 90 %, 29 for 95 %: the success-run theorem."""
    needed = success_run_tests(reliability=0.9, confidence=confidence)
    assert needed == {0.9: 22, 0.95: 29}[confidence]

    def bound(parts: int) -> float | None:
        data = interval_censored(lower=[10] * parts, upper=[None] * parts)
        return any_distribution_bears(data, 0.9, confidence=confidence)

    assert (bound(needed), bound(needed - 1)) == (10, None)


def test_five_parts_that_bore_ten_without_failure_under_a_hazard_that_never_falls() -> None:
    """n · m · ln(0.9)/ln(0.05): the exponential bound, by (1 - C)^(1/n) = S(m) ≤ S(t)^(m/t)."""
    data = interval_censored(lower=[10] * 5, upper=[None] * 5)
    expected = 5 * 10 * math.log(0.9) / math.log(0.05)
    assert never_easier_bears(data, 0.9, confidence=0.95) == pytest.approx(expected)


def test_the_hazard_bound_never_goes_beyond_what_was_tested() -> None:
    data = interval_censored(lower=[10] * 100, upper=[None] * 100)
    assert never_easier_bears(data, 0.9, confidence=0.95) == 10
    nothing = interval_censored(lower=[0, 0], upper=[1, None])
    assert never_easier_bears(nothing, 0.9, confidence=0.95) is None
