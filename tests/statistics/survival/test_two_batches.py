"""Two batches compared: log-rank scores with permutations, and the ratio of their scales."""

import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from qc.statistics.survival.censoring import interval_censored, right_censored
from qc.statistics.survival.two_batches import log_rank_test, scale_ratio_test

REFERENCE = Path(__file__).parents[2] / "reference"

# remission in weeks, Freireich et al. (1963), from memory
TREATED = right_censored(
    times=[6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35],
    failed=[1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0],
)
CONTROL = right_censored(
    times=[1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23],
    failed=[1] * 21,
)


def test_known_and_right_censored_values_give_the_log_ranks_observed_less_expected():
    # 9 observed against 19.25 expected remissions that ended; from memory
    test = log_rank_test(TREATED, CONTROL, permutations=2000)
    assert test.statistic == pytest.approx(9 - 19.25, abs=5e-3)
    assert log_rank_test(CONTROL, TREATED, permutations=100).statistic == pytest.approx(
        -test.statistic, abs=1e-9
    )
    assert not test.exact
    assert test.p < 0.01
    assert test.z == pytest.approx(test.statistic / math.sqrt(test.variance))


def test_the_cosmesis_trial_has_the_published_generalised_log_rank():
    # Fay & Shaw (2010), J. Stat. Software 36(2): -9.141846, Z -2.6684, p 0.007622, from memory.
    # Their copy of the data has (19, 26] for (18, 26], (48, inf) for 48 and no value at 34.
    arms = json.loads((REFERENCE / "breast_cosmesis_turnbull.json").read_text())["data"]
    first = [
        (19.0 if (low, high) == (18, 26) else low, high)
        for low, high in zip(arms["arm1"]["lower"], arms["arm1"]["upper"], strict=True)
    ]
    second = [
        (low, None if low == high == 48 else high)
        for low, high in zip(arms["arm2"]["lower"], arms["arm2"]["upper"], strict=True)
        if not low == high == 34
    ]
    one, two = (
        interval_censored(lower=[a for a, _ in arm], upper=[b for _, b in arm])
        for arm in (first, second)
    )
    test = log_rank_test(one, two, permutations=1000)
    assert test.statistic == pytest.approx(-9.141846, abs=5e-7)
    assert test.z == pytest.approx(-2.6684, abs=5e-5)
    assert test.p_normal == pytest.approx(0.007622, abs=5e-7)
    assert 0.002 < test.p < 0.02


def test_few_rims_are_tested_by_every_way_to_part_them():
    weak = interval_censored(lower=[0, 1, 1], upper=[1, 2, 2])
    strong = interval_censored(lower=[2, 3, 3], upper=[3, None, None])
    test = log_rank_test(weak, strong)
    assert test.exact
    assert test.permutations == math.comb(6, 3)
    # the two most extreme partings of twenty
    assert test.p == pytest.approx(2 / 20)
    assert test.statistic > 0


def test_the_permutation_variance_is_that_of_all_partings():
    first = right_censored(times=[1, 3, 4], failed=[1, 1, 0])
    second = right_censored(times=[2, 5, 5, 6], failed=[1, 0, 1, 1])
    test = log_rank_test(first, second)
    times, failed = [1, 3, 4, 2, 5, 5, 6], [1, 1, 0, 1, 0, 1, 1]
    each = []
    for chosen in itertools.combinations(range(7), 3):
        other = [i for i in range(7) if i not in chosen]
        parts = (
            right_censored(times=[times[i] for i in rows], failed=[failed[i] for i in rows])
            for rows in (chosen, other)
        )
        each.append(log_rank_test(*parts).statistic)
    assert np.mean(each) == pytest.approx(0, abs=1e-9)
    assert test.variance == pytest.approx(np.var(each), rel=1e-8)
    assert test.p == pytest.approx(np.mean(np.abs(each) >= abs(test.statistic) - 1e-9))


def test_batches_that_nothing_tells_apart_have_p_1():
    same = interval_censored(lower=[3] * 4, upper=[None] * 4)
    assert log_rank_test(same, same).p == 1.0
    assert scale_ratio_test(same, same).p == 1.0
    assert scale_ratio_test(same, same).interval() == (0.0, math.inf)


def test_known_values_without_spread_within_a_batch_tell_nothing_of_scales():
    at_five = right_censored(times=[5, 5], failed=[1, 1])
    for other in (at_five, right_censored(times=[6], failed=[1])):
        test = scale_ratio_test(at_five, other)
        assert math.isnan(test.ratio)
        assert test.p == 1.0
        assert test.interval() == (0.0, math.inf)


def test_the_ratio_of_scales_is_that_of_the_weibull_regression():
    # treated against control: 1.267, standard error 0.311, chi-square 19.65 (from memory:
    # Venables & Ripley, "Modern Applied Statistics with S", section 13.2)
    test = scale_ratio_test(TREATED, CONTROL)
    assert math.log(test.ratio) == pytest.approx(1.267, abs=5e-4)
    assert test.error == pytest.approx(0.311, abs=5e-4)
    assert test.statistic == pytest.approx(19.65, abs=5e-3)
    assert test.p == pytest.approx(stats.chi2.sf(test.statistic, 1))
    low, high = test.interval()
    assert low < test.ratio < high
    # the limit is where moving the control by it leaves a just significant difference
    moved = right_censored(times=CONTROL.lower * low, failed=np.ones(21))
    assert scale_ratio_test(TREATED, moved).statistic == pytest.approx(
        stats.chi2.ppf(0.95, 1), abs=1e-6
    )


def test_two_complete_lognormal_batches_have_the_ratio_test_of_normal_theory():
    # n log(total over within sum of squares), one sigma
    rng = np.random.default_rng(3)
    first, second = rng.normal(0, 1, 8), rng.normal(0.8, 1, 11)
    test = scale_ratio_test(
        right_censored(times=np.exp(first), failed=np.ones(8)),
        right_censored(times=np.exp(second), failed=np.ones(11)),
        distribution="lognormal",
    )
    both = np.append(first, second)
    within = first.var() * 8 + second.var() * 11
    assert test.statistic == pytest.approx(19 * math.log(both.var() * 19 / within), rel=1e-8)
    assert math.log(test.ratio) == pytest.approx(first.mean() - second.mean(), rel=1e-8)


def test_a_batch_without_failures_bounds_the_ratio_from_one_side():
    weak = interval_censored(lower=[1, 2, 1, 2], upper=[2, 3, 2, 3])
    whole = interval_censored(lower=[3] * 4, upper=[None] * 4)
    test = scale_ratio_test(weak, whole)
    assert test.ratio == 0.0
    assert test.p < 0.01
    low, high = test.interval()
    assert low == 0.0
    assert 0 < high < 1
    turned = scale_ratio_test(whole, weak)
    assert turned.ratio == math.inf
    assert turned.interval() == pytest.approx((1 / high, math.inf), rel=1e-6)


def test_bad_comparisons_are_refused():
    part = right_censored(times=[1], failed=[1])
    with pytest.raises(ValueError, match="distribution must be 'weibull' or 'lognormal': 'gamma'"):
        scale_ratio_test(part, part, distribution="gamma")
    with pytest.raises(ValueError, match="a failure needs a value above 0"):
        scale_ratio_test(part, right_censored(times=[0], failed=[1]))
    half = interval_censored(lower=[1], upper=[2], counts=[0.5])
    with pytest.raises(ValueError, match="counts must be whole numbers"):
        log_rank_test(part, half)
