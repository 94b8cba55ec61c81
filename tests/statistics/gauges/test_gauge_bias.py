"""Bias and linearity of a gauge against the handbook's examples and a second regression."""

import math

import numpy as np
import pytest
from scipy import stats

from qc.statistics.gauges.bias import gauge_bias, gauge_linearity

# AIAG, Measurement Systems Analysis, 4th ed., bias example, from memory: reference 6.00
BIAS = [5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1, 6.2, 5.6, 6.0]
# its linearity example, from memory: twelve readings of each of five references
LINE = {
    2: "2.7 2.5 2.4 2.5 2.7 2.3 2.5 2.5 2.4 2.4 2.6 2.4",
    4: "5.1 3.9 4.2 5.0 3.8 3.9 3.9 3.9 3.9 4.0 4.1 3.8",
    6: "5.8 5.7 5.9 5.9 6.0 6.1 6.0 6.1 6.4 6.3 6.0 6.1",
    8: "7.6 7.7 7.8 7.7 7.8 7.8 7.8 7.7 7.8 7.5 7.6 7.7",
    10: "9.1 9.3 9.5 9.3 9.4 9.5 9.5 9.5 9.6 9.2 9.3 9.4",
}


@pytest.fixture
def line():
    references = [x for x, text in LINE.items() for _ in text.split()]
    readings = [float(value) for text in LINE.values() for value in text.split()]
    return gauge_linearity(references, readings)


def test_the_handbook_gauge_shows_no_bias():
    # printed, from memory: mean 6.0067, bias 0.0067, interval -0.1107 to 0.1241
    found = gauge_bias(BIAS, reference=6.0)
    assert found.bias == pytest.approx(0.0067, abs=5e-5)
    lower, upper = found.interval()
    assert lower == pytest.approx(-0.1107, abs=5e-5)
    assert upper == pytest.approx(0.1241, abs=5e-5)
    # second road
    second = stats.ttest_1samp(BIAS, 6.0)
    assert found.t == pytest.approx(second.statistic, rel=1e-9)
    assert found.p == pytest.approx(second.pvalue, rel=1e-9)


def test_a_spread_from_a_gauge_study_serves_a_single_reading():
    found = gauge_bias([100.3], reference=100.0, repeatability_sd=0.1, dof=300)
    half = float(stats.t.ppf(0.975, 300)) * 0.1
    assert found.interval() == pytest.approx((0.3 - half, 0.3 + half), rel=1e-9)
    known = gauge_bias([100.3], reference=100.0, repeatability_sd=0.1)
    assert known.interval().upper == pytest.approx(0.3 + 1.959964 * 0.1, abs=1e-6)
    assert known.p == pytest.approx(2 * stats.norm.sf(3.0), rel=1e-9)


def test_the_handbook_gauge_is_not_linear(line):
    # printed, from memory: slope -0.131667, intercept 0.736667, R² 0.714, t -12.043 and 10.158
    assert line.slope == pytest.approx(-0.131667, abs=5e-7)
    assert line.intercept == pytest.approx(0.736667, abs=5e-7)
    assert line.r_squared == pytest.approx(0.714, abs=5e-4)
    assert line.slope_t == pytest.approx(-12.043, abs=5e-4)
    assert line.intercept_t == pytest.approx(10.158, abs=5e-4)
    assert not line.holds_zero()
    assert line.percent_linearity() == pytest.approx(13.17, abs=0.005)
    means = [line.biases[line.references == x].mean() for x in LINE]
    assert means == pytest.approx([0.491667, 0.125, 0.025, -0.291667, -0.616667], abs=5e-7)


def test_the_line_and_its_errors_agree_with_another_regression(line):
    second = stats.linregress(line.references, line.biases)
    assert line.slope == pytest.approx(second.slope, rel=1e-9)
    assert line.slope_error == pytest.approx(second.stderr, rel=1e-9)
    assert line.intercept_error == pytest.approx(second.intercept_stderr, rel=1e-9)
    assert line.slope_p == pytest.approx(second.pvalue, rel=1e-6)
    quantile = float(stats.t.ppf(0.975, line.dof))
    slope, intercept = line.slope_interval(), line.intercept_interval()
    assert slope.upper - line.slope == pytest.approx(quantile * second.stderr, rel=1e-9)
    half = quantile * second.intercept_stderr
    assert line.intercept - intercept.lower == pytest.approx(half, rel=1e-9)


def test_the_band_is_narrowest_at_the_mean_reference_and_wider_as_a_whole(line):
    lower, upper = line.band([2, 6, 10])
    width = upper - lower
    assert width[1] < width[0] == pytest.approx(width[2], rel=1e-12)
    # at the mean: t · s/√60
    assert width[1] / 2 == pytest.approx(stats.t.ppf(0.975, 58) * line.sd / 60**0.5, rel=1e-12)
    low, high = line.band([2, 6, 10], simultaneous=True)
    assert ((low < lower) & (high > upper)).all()
    assert (high - low)[1] / width[1] == pytest.approx(
        math.sqrt(2 * stats.f.ppf(0.95, 2, 58)) / stats.t.ppf(0.975, 58), rel=1e-12
    )


def test_a_gauge_with_noise_alone_is_called_linear():
    rng = np.random.default_rng(11)
    references = np.repeat([200.0, 400.0, 600.0], 5)
    assert gauge_linearity(references, references + rng.normal(0, 0.2, 15)).holds_zero()


def test_readings_that_all_agree_get_a_decided_answer():
    exact = gauge_bias([6.0, 6.0], reference=6.0)
    assert math.isnan(exact.t)
    assert exact.interval() == (0, 0)
    off = gauge_bias([6.5, 6.5], reference=6.0)
    assert (off.t, off.p) == (math.inf, 0)
    straight = gauge_linearity([1, 2, 3], [1.1, 2.2, 3.3])
    assert straight.sd == 0
    assert straight.slope_t == math.inf
    assert straight.slope_p == 0
    perfect = gauge_linearity([1, 2, 3], [1, 2, 3])
    assert perfect.holds_zero()
    assert math.isnan(perfect.r_squared)


def test_bad_readings_are_refused():
    with pytest.raises(ValueError, match=r"readings must be a row of at least 2: got shape \(1,\)"):
        gauge_bias([6.0], reference=6.0)
    with pytest.raises(ValueError, match=r"at least 0 and dof above 0: -1\.0, inf"):
        gauge_bias([6.0], reference=6.0, repeatability_sd=-1.0)
    with pytest.raises(ValueError, match=r"at least 2 different values: all are 2\.0"):
        gauge_linearity([2, 2, 2], [2, 2.1, 2.2])
    with pytest.raises(ValueError, match="one entry each"):
        gauge_linearity([2, 3, 4], [2, 3, 4, 5])
