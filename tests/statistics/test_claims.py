"""The claim that batches support: a tolerance limit with the batch as the unit."""

import math

import numpy as np
import pytest
from scipy import stats

from qc.statistics.bounds.tolerance import tolerance_factor_one_sided
from qc.statistics.claims import supported_claim_g, upper_limit

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
