"""Sampling by variables: the table, its worked example, and the curve against simulation."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from qc.statistics.bounds.tolerance import tolerance_factor_one_sided
from qc.statistics.sampling.risks import SingleSampling
from qc.statistics.sampling.variables import (
    VariablesPlan,
    matched_variables_plan,
    share_outside,
    variables_sampling_for_risks,
)


def test_the_worked_example_of_the_standard_is_accepted():
    # MIL-STD-414 example B-1: mean 195, s 8.80, (209 - 195)/s = 1.59 ≥ 1.53; data from memory
    plan = VariablesPlan(n=5, k=1.53)
    found = plan.decide([197, 188, 184, 205, 201], upper=209)
    assert found.mean == 195
    assert found.sd == pytest.approx(8.80, abs=0.005)
    assert found.index == pytest.approx(1.590, abs=0.0005)
    assert found.k == 1.53
    assert found.accepted
    # the mirror image against a lower limit
    mirrored = plan.decide([-197, -188, -184, -205, -201], lower=-209)
    assert mirrored.index == found.index


def test_the_curve_is_that_of_simulated_samples():
    rng = np.random.default_rng(414)
    plan, fraction = VariablesPlan(n=10, k=1.58), 0.06
    limit = stats.norm.isf(fraction)
    values = rng.standard_normal((100_000, 10))
    share = np.mean((limit - values.mean(axis=1)) / values.std(axis=1, ddof=1) >= plan.k)
    # a standard error of 0.0016
    assert float(plan.acceptance(fraction)) == pytest.approx(share, abs=0.006)


def test_the_curve_is_that_of_integrating_over_the_spread():
    # second road: given s, the mean is normal
    plan, fraction = VariablesPlan(n=7, k=1.5), 0.03
    z = stats.norm.isf(fraction)

    def given_spread(q):
        spread = math.sqrt(stats.chi2.ppf(q, 6) / 6)
        return stats.norm.cdf((z - plan.k * spread) * math.sqrt(7))

    want = integrate.quad(given_spread, 0, 1, epsabs=1e-10)[0]
    assert float(plan.acceptance(fraction)) == pytest.approx(want, abs=1e-7)


def test_a_tolerance_factor_as_k_accepts_one_lot_in_twenty_of_the_stated_quality():
    # k that bounds 90 % with 95 % confidence accepts 10 % outside with a chance of 5 %
    k = tolerance_factor_one_sided(10, coverage=0.90, confidence=0.95)
    assert float(VariablesPlan(10, k).acceptance(0.10)) == pytest.approx(0.05, abs=1e-9)


@given(st.integers(2, 100), st.floats(0.2, 2.5), st.floats(0.01, 0.99))
def test_reading_the_curve_backwards_brings_back_the_chance(n, k, chance):
    plan = VariablesPlan(n, k)
    assert float(plan.acceptance(plan.fraction_at(chance))) == pytest.approx(chance, abs=1e-7)


def test_a_process_without_bad_parts_always_passes_and_one_without_good_never():
    assert VariablesPlan(5, 1.4).acceptance([0, 1]).tolist() == [1, 0]


def test_values_that_all_agree_are_judged_by_the_limit_alone():
    plan = VariablesPlan(3, 1.12)
    assert plan.decide([0.1, 0.1, 0.1], upper=0.1).accepted
    assert plan.decide([0.1, 0.1, 0.1], upper=0.2).index == math.inf
    assert not plan.decide([0.3, 0.3, 0.3], upper=0.2).accepted


def test_bad_plans_and_samples_are_refused():
    plan = VariablesPlan(3, 1.12)
    with pytest.raises(ValueError, match="give one limit, upper or lower: upper 5, lower 1"):
        plan.decide([1, 2, 3], upper=5, lower=1)
    with pytest.raises(ValueError, match="upper None, lower None"):
        plan.decide([1, 2, 3])
    with pytest.raises(ValueError, match="values must be the plan's n: 2, n 3"):
        plan.decide([1, 2], upper=5)
    with pytest.raises(ValueError, match="n must be a whole number from 2: 1"):
        VariablesPlan(1, 1.0)
    with pytest.raises(ValueError, match=r"fraction must lie from 0 to 1: -0\.1"):
        plan.acceptance(-0.1)
    with pytest.raises(ValueError, match="acceptance must lie between 0 and 1: 0"):
        plan.fraction_at(0)
    with pytest.raises(ValueError, match="lower must be below upper: 5, 5"):
        plan.decide_both([1, 2, 3], lower=5, upper=5)
    with pytest.raises(ValueError, match="n must be a whole number from 2: 1"):
        share_outside(1.5, 1)
    with pytest.raises(ValueError, match="by attributes accepts always or never at"):
        matched_variables_plan(attributes=SingleSampling(2, 2), n=3, fraction=0.1)
    with pytest.raises(ValueError, match=r"above 0 and below bad_fraction, that below 1: 0\.1, 0"):
        variables_sampling_for_risks(
            good_fraction=0.1, producer_risk=0.05, bad_fraction=0.01, consumer_risk=0.1
        )


def test_the_estimated_share_is_right_on_average():
    # unbiased (Lieberman & Resnikoff 1955): 200 000 samples, a standard error of 0.0001
    rng = np.random.default_rng(3951)
    values = rng.standard_normal((200_000, 5))
    index = (1.6 - values.mean(axis=1)) / values.std(axis=1, ddof=1)
    at = np.clip((1 - index * math.sqrt(5) / 4) / 2, 0, 1)
    shares = stats.beta.cdf(at, 1.5, 1.5)
    assert share_outside(float(index[0]), 5) == pytest.approx(shares[0], abs=1e-12)
    assert shares.mean() == pytest.approx(stats.norm.sf(1.6), abs=0.0008)


def test_five_values_have_the_shares_of_the_printed_table():
    # MIL-STD-414 table B-5 for n = 5, from memory: per cent by index
    for index, percent in ((0.0, 50.0), (1.5, 3.80), (1.7, 0.66)):
        assert 100 * share_outside(index, 5) == pytest.approx(percent, abs=0.011)
    assert share_outside(1.8, 5) == 0
    assert share_outside(-1.8, 5) == 1
    assert [share_outside(index, 2) for index in (-1, 0.1, 1)] == [1, 0.5, 0]


def test_two_limits_at_once_are_judged_by_the_share_outside_both():
    plan = VariablesPlan(n=5, k=1.53)
    values = [197, 188, 184, 205, 201]
    far = plan.decide_both(values, lower=0, upper=209)
    # with one limit far away both forms agree
    assert far.below == 0
    assert far.accepted == plan.decide(values, upper=209).accepted
    near = plan.decide_both(values, lower=181, upper=209)
    assert near.outside == near.below + near.above > near.allowed
    assert not near.accepted


def test_a_matched_plan_crosses_the_other_curve_where_it_was_asked_to():
    attributes = SingleSampling(20, 1)
    plan = matched_variables_plan(attributes=attributes, n=13, fraction=0.025)
    want = float(attributes.acceptance(0.025))
    assert float(plan.acceptance(0.025)) == pytest.approx(want, abs=5e-4)


def test_a_plan_by_variables_for_two_risks_is_near_the_nomograph_and_is_the_smallest():
    # Montgomery: 1 % accepted with 0.95, 6 % with 0.10; the nomograph reads n = 40, k = 1.9
    asked = {"good_fraction": 0.01, "producer_risk": 0.05}
    asked |= {"bad_fraction": 0.06, "consumer_risk": 0.10}
    plan = variables_sampling_for_risks(**asked)
    assert abs(plan.n - 40) <= 2
    assert plan.k == pytest.approx(1.9, abs=0.02)
    assert float(plan.acceptance(0.01)) == pytest.approx(0.95, abs=1e-9)
    assert float(plan.acceptance(0.06)) <= 0.10
    # one value fewer cannot keep both
    k = stats.nct.isf(0.95, plan.n - 2, stats.norm.isf(0.01) * math.sqrt(plan.n - 1))
    smaller = VariablesPlan(plan.n - 1, float(k) / math.sqrt(plan.n - 1))
    assert float(smaller.acceptance(0.06)) > 0.10
