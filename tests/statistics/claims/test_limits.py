"""The claim that batches support: a tolerance limit with the batch as the unit."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from qc.statistics.bounds.tolerance import tolerance_factor_one_sided
from qc.statistics.claims.limits import (
    chance_above,
    chance_below,
    lower_limit,
    supported_claim_g,
    upper_limit,
)
from qc.statistics.claims.pivots import dof_of_means

TEN_RIMS = [10] * 6
MEANS = [411.0, 413.5, 412.2, 410.1, 412.9, 411.7]


def test_one_rim_a_batch_gives_the_usual_one_sided_limit():
    # k = 3.708 for n = 6 at 95/95 (Odeh & Owen 1980, from memory) by the noncentral t
    k = tolerance_factor_one_sided(6, 0.95, 0.95)
    assert k == pytest.approx(3.708, abs=5e-4)
    limit = upper_limit([1] * 6, MEANS, [None] * 6, 0.95, 0.95)
    assert limit == pytest.approx(np.mean(MEANS) + k * np.std(MEANS, ddof=1), abs=1e-4)


def test_identical_batch_means_leave_the_spread_of_the_parts():
    # then only the spread within is unknown: chi-square bound, with 0.9 of it beyond the means'
    within = math.sqrt(0.9 * 54 * 4.0 / stats.chi2.ppf(0.05, 54))
    wanted = 412 + stats.norm.ppf(0.95) * within
    assert upper_limit(TEN_RIMS, [412.0] * 6, [4.0] * 6, 0.95, 0.95) == pytest.approx(
        wanted, abs=0.01
    )


def test_the_tolerance_of_a_claim_comes_off_the_limit():
    limit = upper_limit(TEN_RIMS, MEANS, [4.0] * 6, 0.95, 0.95)
    assert supported_claim_g(TEN_RIMS, MEANS, [4.0] * 6, 15.0) == pytest.approx(limit - 15)


def test_fewer_than_six_batches_support_no_claim_however_many_rims():
    assert supported_claim_g([500] * 5, MEANS[:5], [4.0] * 5, 15.0) is None
    assert supported_claim_g([500] * 6, MEANS, [4.0] * 6, 15.0) is not None
    assert supported_claim_g([500] * 5, MEANS[:5], [4.0] * 5, 15.0, least_batches=5) is not None


def test_rims_without_any_spread_support_their_own_mass():
    assert supported_claim_g(TEN_RIMS, [412.0] * 6, [0.0] * 6, 0.0) == 412.0


def test_more_rims_a_batch_cannot_make_up_for_batches():
    few = upper_limit([10] * 6, MEANS, [1.0] * 6, 0.95, 0.95)
    many = upper_limit([1000] * 6, MEANS, [1.0] * 6, 0.95, 0.95)
    assert few == pytest.approx(many, abs=0.5)


@pytest.mark.parametrize("sizes", [[10], [3, 25, 8, 40]], ids=["equal", "unequal"])
@pytest.mark.parametrize("between", [0.0, 0.5, 1.0, 4.0])
def test_95_of_100_shops_promise_what_their_rims_keep(between, sizes):
    # 600 shops of 8 batches: true confidence 0.95 would fall below 0.925 once in 400 runs
    rng = np.random.default_rng(6)
    k, within, shops = 8, 1.0, 600
    ns = np.resize(sizes, k)
    true_limit = stats.norm.ppf(0.95) * math.hypot(between, within)
    means = between * rng.standard_normal((shops, k)) + within * rng.standard_normal(
        (shops, k)
    ) / np.sqrt(ns)
    variances = within**2 * rng.chisquare(ns - 1, (shops, k)) / (ns - 1)
    claims = [supported_claim_g(ns, m, v, 0.0) for m, v in zip(means, variances, strict=True)]
    assert np.mean(np.array(claims) >= true_limit) >= 0.925


def test_bad_shares_are_refused():
    with pytest.raises(ValueError, match="coverage must lie between 0 and 1: 95"):
        supported_claim_g(TEN_RIMS, MEANS, [4.0] * 6, 0.0, coverage=95)


def test_the_light_side_mirrors_the_heavy_one():
    mirrored = [824.0 - mean for mean in MEANS]
    assert lower_limit(TEN_RIMS, MEANS, [4.0] * 6) == pytest.approx(
        824 - upper_limit(TEN_RIMS, mirrored, [4.0] * 6)
    )
    low, high = (
        chance_below(TEN_RIMS, MEANS, [4.0] * 6, 408),
        chance_above(TEN_RIMS, mirrored, [4.0] * 6, 416),
    )
    assert low == pytest.approx(high)


@pytest.mark.parametrize("k", [2, 6, 26])
@pytest.mark.parametrize("away", [1.0, 4.0, 20.0])
def test_one_rim_a_batch_gives_the_t_prediction_far_tails_included(k, away):
    # one more normal value: t = (x - mean)/(s √(1 + 1/k)), k - 1 degrees (Hahn 1969, from memory)
    means = [412.0 + 2 * (i % 2) + 0.1 * i for i in range(k)]
    s = np.std(means, ddof=1)
    limit = np.mean(means) + away * s
    found = chance_above([1] * k, means, [None] * k, limit).chance
    assert found == pytest.approx(stats.t.sf(away / math.sqrt(1 + 1 / k), k - 1), rel=1e-8)


@pytest.mark.parametrize("k", [2, 3, 6, 12, 100])
@pytest.mark.parametrize("coverage", [0.9, 0.95, 0.99])
def test_one_rim_a_batch_gives_the_factor_by_the_noncentral_t(k, coverage):
    means = [410.0 + i for i in range(k)]
    factor = (upper_limit([1] * k, means, [None] * k, coverage) - np.mean(means)) / np.std(
        means, ddof=1
    )
    assert factor == pytest.approx(tolerance_factor_one_sided(k, coverage, 0.95), rel=2e-4)


@given(
    ns=st.lists(st.integers(1, 40), min_size=3, max_size=15),
    share=st.floats(0.01, 0.99),
    seed=st.integers(0, 10_000),
)
@settings(max_examples=40, deadline=None)
def test_the_bound_on_a_share_is_the_inverse_of_the_limit(ns, share, seed):
    rng = np.random.default_rng(seed)
    means = list(rng.normal(412, 2, len(ns)))
    variances = [None if n == 1 else 4 * rng.chisquare(n - 1) / (n - 1) for n in ns]
    limit = upper_limit(ns, means, variances, 1 - share, 0.95)
    found = chance_above(ns, means, variances, limit)
    assert found.upper == pytest.approx(max(share, found.chance), rel=1e-5)


def test_rims_without_any_spread_are_certain():
    assert chance_above(TEN_RIMS, [412.0] * 6, [0.0] * 6, 411) == (1, 1)
    assert chance_above(TEN_RIMS, [412.0] * 6, [0.0] * 6, 413) == (0, 0)


@pytest.mark.parametrize("away", [-3.0, 0.0, 2.0])
def test_the_pivots_agree_with_drawing_them(away):
    # the same quantity drawn: M + Z √(B/(kU)) + z √(B/U + (1 - 1/h) W/V), Krishnamoorthy & Mathew
    ns, variances, k, draws = [8] * 6, [4.0] * 6, 6, 400_000
    rng = np.random.default_rng(4)
    z, u, v = (
        rng.standard_normal(draws), rng.chisquare(k - 1, draws), rng.chisquare(42, draws)
    )  # fmt: skip
    b, w, h = k * np.var(MEANS), 42 * 4.0, k / sum(1 / n for n in ns)
    coverage = stats.norm.cdf(away)
    drawn = np.mean(MEANS) + z * np.sqrt(b / (k * u)) + away * np.sqrt(b / u + (1 - 1 / h) * w / v)
    assert upper_limit(ns, MEANS, variances, coverage, 0.95) == pytest.approx(
        np.quantile(drawn, 0.95), abs=0.03
    )


@pytest.mark.parametrize(
    ("ns", "between", "within_var", "wanted"),
    [
        ([10] * 6, 30.0, 4.0, 5),
        ([1] * 6, 30.0, math.nan, 5),
        # means of variance 1 and 1/20 in turn: 25 · 0.525²/(1 + 1/400)·2
        ([1, 20] * 13, 0.0, 1.0, 25 * 0.525**2 * 2 / (1 + 1 / 400)),
        # all of it between batches: sizes no longer matter
        ([1, 20] * 13, 1e9, 1.0, 25),
    ],
)
def test_the_spread_of_means_has_satterthwaites_degrees_of_freedom(ns, between, within_var, wanted):
    # (Σ v)²/Σ v² of the means' variances v, times (k - 1)/k (Satterthwaite 1946)
    assert dof_of_means(ns, between, within_var) == pytest.approx(wanted, rel=1e-6)
