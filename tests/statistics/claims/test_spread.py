"""Where batches lie, and how their spread divides: against textbook values and simulation."""

import math

import numpy as np
import pytest
from scipy import stats

from qc.statistics.claims.spread import batch_level, batch_spread, real_sd


def test_the_level_without_common_terms_is_students_interval():
    means = [411.0, 413.5, 412.2, 410.1, 412.9, 411.7]
    found = batch_level(means)
    student = stats.t.interval(0.95, 5, np.mean(means), stats.sem(means))
    assert found.interval == pytest.approx(student)
    assert found.u_batches == pytest.approx(stats.sem(means))


def test_what_all_batches_share_does_not_shrink_with_their_number():
    rng = np.random.default_rng(2)
    few, many = (batch_level(list(rng.normal(412, 1, k)), 0.5) for k in (10, 10_000))
    assert many.u_batches < few.u_batches / 20
    # what is left is 1.96 times the common uncertainty
    assert many.interval.upper - many.mean == pytest.approx(1.96 * 0.5, rel=1e-3)


def test_effective_degrees_of_freedom_are_those_of_welch_and_satterthwaite():
    # GUM G.4.1: u⁴/Σ(uᵢ⁴/νᵢ), here two equal parts of which one is known: 4 (k - 1)
    means = [1.0, 2.0, 3.0, 4.0]
    u = stats.sem(means)
    found = batch_level(means, u)
    assert found.interval.upper - 2.5 == pytest.approx(stats.t.ppf(0.975, 12) * u * math.sqrt(2))


def test_equal_means_leave_the_common_uncertainty_alone():
    assert batch_level([412.0] * 4).interval == (412, 412)
    assert batch_level([412.0] * 4, 0.5).interval.upper == pytest.approx(412.98, abs=1e-3)


def test_components_of_equal_batches_are_those_of_the_nested_analysis():
    # the same data by the exact nested analysis and its limits
    from qc.statistics.components.nested import nested_components

    rng = np.random.default_rng(8)
    values = (rng.normal(0, 2, (7, 1)) + rng.normal(412, 1, (7, 5))).round(2)
    labels = [i for i in range(7) for _ in range(5)]
    table = nested_components(values.ravel().tolist(), {"batch": labels})
    found = batch_spread([5] * 7, values.mean(axis=1), values.var(axis=1, ddof=1))
    assert found.between_var == pytest.approx(table.components["batch"])
    assert found.within_var == pytest.approx(table.components["residual"])
    assert found.between_limits == pytest.approx(table.interval("batch"))
    assert found.within_limits == pytest.approx(table.interval("residual"))


def test_a_negative_component_is_set_out_plainly_and_counts_as_nothing():
    found = batch_spread([5] * 6, [412.0, 412.1, 412, 412.1, 412, 412.1], [4.0] * 6)
    assert found.between_var == pytest.approx(0.003 - 4 / 5)
    assert (found.between_sd, found.between_limits.lower) == (0, 0)
    assert found.total_sd == pytest.approx(2)


def test_batches_of_one_part_tell_no_components_apart():
    found = batch_spread([1] * 4, [410.0, 412, 414, 416], [None] * 4)
    assert math.isnan(found.between_var)
    assert math.isnan(found.within_limits.upper)
    assert found.total_sd == pytest.approx(np.std([410, 412, 414, 416], ddof=1))


def test_a_batch_of_one_part_among_others_counts_for_the_spread_between():
    found = batch_spread([1, 5, 5], [420.0, 412, 412.5], [None, 1.0, 1.0])
    assert found.within_var == pytest.approx(1)
    assert found.between_sd > 2


@pytest.mark.parametrize("ratio", [0.5, 2.0])
def test_limits_between_unequal_batches_hold_the_truth_about_as_often_as_they_say(ratio):
    # sizes from 1 to 40 are as bad as it gets: 92.8 % of 2,000 shops at ratio 0.5
    rng, ns, shops = np.random.default_rng(1), np.array([1, 3, 25, 8, 40, 2, 10, 6]), 2000
    held = 0
    for _ in range(shops):
        means = ratio * rng.standard_normal(8) + rng.standard_normal(8) / np.sqrt(ns)
        variances = [rng.chisquare(n - 1) / (n - 1) if n > 1 else None for n in ns]
        low, high = batch_spread(ns.tolist(), means.tolist(), variances).between_limits
        held += low <= ratio**2 <= high
    assert 0.915 < held / shops < 0.975


def test_measuring_is_taken_off_the_parts_own_spread():
    assert real_sd(4.0, 1.75) == 1.5
    assert real_sd(1.0, 1.2) == 0


@pytest.mark.parametrize("means", [[], [412.0]])
def test_one_batch_has_no_interval(means):
    with pytest.raises(ValueError, match="means must be a row of at least 2"):
        batch_level(means)
