"""Distribution-free bounds: Wilks's sample sizes, and coverage counted out."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from qc.statistics.bounds.distribution_free import wilks_sample_size
from qc.statistics.bounds.order_bounds import distribution_free_bound, distribution_free_interval

REFERENCE = Path(__file__).parents[2] / "reference"


def test_the_smallest_samples_are_those_of_wilks():
    # Wilks (1941): 59 for 95/95 with one extreme, 93 with both, and the rest of the table
    case = json.loads((REFERENCE / "nonparametric_tolerance_n.json").read_text())
    for text, n in case["published"].items():
        sides, shares = text.split()
        coverage, confidence = (int(part) / 100 for part in shares.split("/"))
        got = wilks_sample_size(
            coverage=coverage, confidence=confidence, sides=1 if sides == "one-sided" else 2
        )
        assert got == n == case["computed_here"][text]["n"]


def test_higher_orders_have_the_sizes_known_from_safety_analysis():
    # 95/95 for the first to sixth largest: 59, 93, 124, 153, 181, 208, from memory
    got = [wilks_sample_size(coverage=0.95, confidence=0.95, order=r) for r in range(1, 7)]
    assert got == [59, 93, 124, 153, 181, 208]


def test_the_basis_value_of_38_coupons_is_the_weakest():
    # Vangel (1996) data; B-basis, 90 % coverage and 95 % confidence, from 29 coupons on
    case = json.loads((REFERENCE / "composite_tensile_b_basis.json").read_text())
    values = case["data"]["strength_ksi"]
    found = distribution_free_bound(values, side="lower", coverage=0.90)
    assert found.lower == case["computed_here"]["B_nonparametric"]
    assert (found.lower_rank, found.upper) == (1, math.inf)
    assert found.achieved == pytest.approx(1 - 0.9**38, abs=1e-12)


def test_a_bound_above_mirrors_one_below():
    values = np.random.default_rng(4).gamma(2.0, 0.1, 100)
    above = distribution_free_bound(values, side="upper", coverage=0.90)
    below = distribution_free_bound(-values, side="lower", coverage=0.90)
    assert above.upper == -below.lower
    assert above.upper_rank == below.lower_rank == 5
    # the table for n = 100: P(X ≥ 5 | 100, 0.1) = 0.976, P(X ≥ 6) = 0.942
    assert above.achieved == pytest.approx(stats.binom.sf(4, 100, 0.1), rel=1e-9)


def test_an_interval_leaves_as_many_outside_as_the_confidence_allows():
    found = distribution_free_interval(range(1, 201), coverage=0.90)
    outside = found.lower_rank + found.upper_rank
    assert stats.binom.sf(outside - 1, 200, 0.1) >= 0.95 > stats.binom.sf(outside, 200, 0.1)
    assert found.lower_rank - found.upper_rank in {0, 1}
    assert found.lower == found.lower_rank
    assert found.upper == 201 - found.upper_rank
    assert found.achieved == pytest.approx(stats.binom.sf(outside - 1, 200, 0.1), rel=1e-9)


def test_too_few_values_bound_nothing_and_say_so():
    few = distribution_free_bound([1.0] * 58, side="lower", coverage=0.95)
    assert (few.lower, few.lower_rank, few.achieved) == (-math.inf, 0, 1.0)
    above = distribution_free_bound([1.0] * 58, side="upper", coverage=0.95)
    assert above.upper == math.inf
    both = distribution_free_interval([1.0] * 92, coverage=0.95)
    assert (both.lower, both.upper) == (-math.inf, math.inf)
    assert (both.lower_rank, both.upper_rank) == (0, 0)


def test_a_bound_of_skewed_values_holds_its_share_as_often_as_it_says():
    # run-out is bounded at nought and skewed; 4000 samples: a standard error of 0.3 %
    rng = np.random.default_rng(59)
    samples = rng.weibull(1.3, (4000, 80))
    kept = np.mean(
        [
            stats.weibull_min.cdf(
                distribution_free_bound(row, side="upper", coverage=0.95).upper, 1.3
            )
            >= 0.95
            for row in samples
        ]
    )
    exact = distribution_free_bound(samples[0], side="upper", coverage=0.95).achieved
    assert exact >= 0.95
    assert kept == pytest.approx(exact, abs=0.012)


def test_bad_bounds_are_refused():
    with pytest.raises(ValueError, match="side must be lower or upper: 'both'"):
        distribution_free_bound([1.0], side="both", coverage=0.9)
    with pytest.raises(ValueError, match="coverage must lie between 0 and 1: 1"):
        distribution_free_interval([1.0], coverage=1)
    with pytest.raises(ValueError, match="order must be a whole number from 1: 0"):
        wilks_sample_size(coverage=0.9, confidence=0.9, order=0)
    with pytest.raises(ValueError, match="sides must be 1 or 2: 3"):
        wilks_sample_size(coverage=0.9, confidence=0.9, sides=3)
    with pytest.raises(ValueError, match="finite numbers: got nan at index 1"):
        distribution_free_bound([1.0, math.nan], side="lower", coverage=0.9)
