"""The self-starting scores and CUSUM of Hawkins (1987), by a slow second road and simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from qc.statistics.charts.run_length import arl_cusum
from qc.statistics.charts.self_starting import self_starting_cusum, self_starting_scores


def test_scores_are_the_normal_scores_of_students_t():
    # Hawkins (1987), Quesenberry (1991): each value against the sample of those before it
    x = 412 + 3 * np.random.default_rng(2).standard_normal(40)
    scores = self_starting_scores(x)
    assert np.isnan(scores[:2]).all()
    for n in range(3, 41):
        before = x[: n - 1]
        t = np.sqrt((n - 1) / n) * (x[n - 1] - before.mean()) / before.std(ddof=1)
        wanted = stats.norm.ppf(stats.t.cdf(t, n - 2))
        assert scores[n - 1] == pytest.approx(wanted, abs=1e-9)


def test_scores_are_independent_and_standard_normal_from_the_third_value_on():
    rng = np.random.default_rng(8)
    scores = np.array([self_starting_scores(rng.standard_normal(8)) for _ in range(8000)])[:, 2:]
    # standard errors 0.011, 0.008 and 0.011
    np.testing.assert_allclose(scores.mean(axis=0), 0, atol=0.045)
    np.testing.assert_allclose(scores.std(axis=0), 1, atol=0.032)
    np.testing.assert_allclose(np.corrcoef(scores.T) - np.eye(6), 0, atol=0.045)
    assert stats.kstest(scores.ravel(), "norm").pvalue > 1e-3


@settings(deadline=None)
@given(st.lists(st.integers(-50, 50), min_size=3, max_size=40), st.integers(-40, 40))
def test_scores_do_not_depend_on_level_or_unit(x, level):
    plain = self_starting_scores(x)
    moved = self_starting_scores(level + 4.0 * np.array(x))
    np.testing.assert_allclose(moved, plain, atol=1e-9)


def test_the_run_length_in_control_is_that_of_a_known_process():
    # 3,000 seeded streams, k 0.5, h 3: standard error 1.1
    rng = np.random.default_rng(5)
    lengths = []
    for _ in range(3000):
        chart = self_starting_cusum(rng.standard_normal(700), k=0.5, h=3.0)
        signal = chart.first_signal()
        lengths.append(698 if signal is None else signal - 1)
    assert np.mean(lengths) == pytest.approx(arl_cusum(k=0.5, h=3.0), abs=4.5)


def test_a_shift_after_twelve_rims_is_found_without_a_baseline():
    rims = 412 + np.random.default_rng(9).standard_normal(24)
    rims[12:] += 3
    chart = self_starting_cusum(rims, k=0.5, h=4.0)
    assert 12 <= chart.first_signal() <= 17
    assert 11 <= chart.chart.change().start <= 14


def test_equal_first_readings_wait_for_a_spread():
    scores = self_starting_scores([412.0, 412.0, 412.0, 413.0, 412.0, 414.0])
    assert np.isnan(scores[:4]).all()
    assert np.isfinite(scores[4:]).all()
    chart = self_starting_cusum([412.0, 412.0, 412.0], k=0.5, h=4.0)
    assert chart.first_signal() is None
    assert chart.chart.upper.tolist() == [0, 0, 0]


def test_a_head_start_begins_with_the_scores():
    x = [412.0, 412.5, 412.2, 412.4]
    chart = self_starting_cusum(x, k=0.5, h=4.0, head_start=2.0).chart
    assert chart.upper[:2].tolist() == [0, 0]
    assert chart.upper[2] == pytest.approx(2.0 + self_starting_scores(x)[2] - 0.5)


def test_a_value_beyond_all_chance_stays_a_number():
    scores = self_starting_scores([*([412.0, 412.001] * 100), 1e6])
    assert 37 < scores[-1] < 39


def test_no_values_are_refused():
    with pytest.raises(ValueError, match="values must be a row of at least 1"):
        self_starting_scores([])
