"""The tabular CUSUM against the NIST/SEMATECH e-Handbook and Montgomery's worked examples."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.statistics.charts.cusum import cusum

REFERENCE = Path(__file__).parents[2] / "reference"
# Montgomery, section 9.1, from memory: 20 readings of mean 10, ten of mean 11
TEN_THEN_ELEVEN = [
    *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34),
    *(9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84),
    *(10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52),
]


def test_the_handbooks_sums_and_signals_are_found():
    # NIST/SEMATECH e-Handbook 6.3.2.3.1; k and h in data units
    case = json.loads((REFERENCE / "nist_cusum.json").read_text())
    given_, exact = case["inputs"], case["computed_here"]
    chart = cusum(case["data"]["mean"], target=given_["target"], k=given_["k"], h=given_["h"])
    np.testing.assert_allclose(chart.upper, exact["upper"], atol=1e-10)
    np.testing.assert_allclose(chart.lower, exact["lower"], atol=1e-10)
    np.testing.assert_allclose(chart.upper, case["published"]["upper"], atol=0.00501)
    assert (chart.signals() + 1).tolist() == exact["signals"]
    assert chart.first_signal() + 1 == case["published"]["first_signal"]
    assert chart.since_upper.tolist() == exact["n_plus"]


def test_a_shift_is_dated_and_measured_as_in_the_textbook():
    # Montgomery, example 9.1 and eq. 9.6, from memory: signal at 29 with C+ 5.28 and N+ 7, so the
    # shift came after 22; new mean 10 + 0.5 + 5.28/7 = 11.25
    chart = cusum(TEN_THEN_ELEVEN, target=10, k=0.5, h=5)
    assert chart.first_signal() == 28
    assert chart.upper[28] == pytest.approx(5.28, abs=5e-3)
    assert chart.since_upper[28] == 7
    change = chart.change()
    assert (change.start, change.signalled) == (22, 28)
    assert change.mean == pytest.approx(11.25, abs=5e-3)
    assert change.mean == pytest.approx(10 + 0.5 + chart.upper[28] / 7, rel=1e-12)


def test_k_and_h_count_in_sigmas():
    plain = cusum(TEN_THEN_ELEVEN, target=10, k=0.5, h=5)
    doubled = cusum(np.multiply(TEN_THEN_ELEVEN, 2), target=20, k=0.5, h=5, sigma=2)
    np.testing.assert_allclose(doubled.upper, 2 * plain.upper, atol=1e-12)
    assert doubled.signals().tolist() == plain.signals().tolist()


def test_a_fall_is_found_by_the_lower_sum_alone():
    falling = np.subtract(20, TEN_THEN_ELEVEN)
    chart = cusum(falling, target=10, k=0.5, h=5)
    assert chart.change().shift == pytest.approx(-1.25, abs=5e-3)
    assert cusum(falling, target=10, k=0.5, h=5, sided="upper").first_signal() is None
    assert cusum(falling, target=10, k=0.5, h=5, sided="lower").first_signal() == 28


def test_a_head_start_finds_an_early_shift_sooner_and_dies_out_in_control():
    shifted = TEN_THEN_ELEVEN[20:]
    late = cusum(shifted, target=10, k=0.5, h=4).first_signal()
    soon = cusum(shifted, target=10, k=0.5, h=4, head_start=2).first_signal()
    assert soon < late
    quiet = cusum(TEN_THEN_ELEVEN[:20], target=10, k=0.5, h=5, head_start=2.5)
    usual = cusum(TEN_THEN_ELEVEN[:20], target=10, k=0.5, h=5)
    np.testing.assert_allclose(quiet.upper[8:], usual.upper[8:], atol=1e-12)


@settings(deadline=None)
@given(st.lists(st.floats(-5, 5), min_size=1, max_size=80), st.floats(0, 2), st.floats(0, 3))
def test_the_sums_are_those_of_the_definition(x, k, start):
    chart = cusum(x, target=0.0, k=k, h=3.0, head_start=start)
    up = down = start
    for i, value in enumerate(x):
        up, down = max(0.0, up + value - k), max(0.0, down - value - k)
        assert chart.upper[i] == pytest.approx(up, abs=1e-11)
        assert chart.lower[i] == pytest.approx(down, abs=1e-11)


def test_a_long_row_is_summed_without_losing_digits():
    # far longer than the blocks in which it is summed, on a level of 412 g
    x = 412 + np.random.default_rng(1).standard_normal(30_000)
    chart = cusum(x, target=412, k=0.5, h=5)
    level = 0.0
    for value in x:
        level = max(0.0, level + (value - 412) - 0.5)
    assert chart.upper[-1] == pytest.approx(level, abs=1e-9)


def test_a_quiet_chart_has_no_change():
    chart = cusum([10.0, 10.0], target=10, k=0.5, h=5)
    assert chart.first_signal() is None
    assert chart.change() is None


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"k": -1}, "k must be a finite number of at least 0: -1"),
        ({"h": 0}, "h must be a finite number above 0: 0"),
        ({"sigma": 0}, "sigma must be a finite number above 0: 0"),
        ({"head_start": 6}, "head_start must lie from 0 to h: 6 with h 5"),
        ({"target": np.nan}, "target must be a finite number: nan"),
        ({"sided": "left"}, "sided must be both, upper or lower: left"),
    ],
)
def test_bad_settings_are_refused(wrong, message):
    with pytest.raises(ValueError, match=message):
        cusum([1.0], **{"target": 0, "k": 0.5, "h": 5, **wrong})


def test_the_change_behind_no_signal_is_refused():
    with pytest.raises(ValueError, match="at must be the index of a signal: got 3"):
        cusum(TEN_THEN_ELEVEN, target=10, k=0.5, h=5).change(at=3)
