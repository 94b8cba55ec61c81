"""The product-limit curve against a handbook example and a famous trial."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from qc.statistics.survival.kaplan_meier import kaplan_meier

REFERENCE = Path(__file__).parents[2] / "reference"

# remission in weeks under 6-mercaptopurine, Freireich et al. (1963), from memory
WEEKS = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
ENDED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]


def test_the_handbooks_twenty_units_survive_as_printed():
    # NIST/SEMATECH e-Handbook 8.2.1.5
    reference = json.loads((REFERENCE / "nist_kaplan_meier.json").read_text())
    curve = kaplan_meier(times=reference["data"]["time"], failed=reference["data"]["failed"])
    rows = reference["computed_here"]["table"]
    assert curve.times.tolist() == [row["t"] for row in rows]
    assert curve.at_risk.tolist() == [row["n"] for row in rows]
    np.testing.assert_allclose(curve.survival, [row["S"] for row in rows], atol=1e-10)
    np.testing.assert_allclose(
        curve.standard_error, [row["greenwood_se"] for row in rows], atol=1e-11
    )


def test_remissions_and_their_errors_are_those_of_the_textbook():
    # Klein & Moeschberger, "Survival Analysis", table 4.1A, from memory
    curve = kaplan_meier(times=WEEKS, failed=ENDED)
    assert curve.times.tolist() == [6, 7, 10, 13, 16, 22, 23]
    survival = [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    error = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    np.testing.assert_allclose(curve.survival, survival, atol=5.1e-4)
    np.testing.assert_allclose(curve.standard_error, error, atol=5.1e-5)
    # median 23 weeks, known from both sides only below
    assert curve.percentile(0.5) == 23
    low, high = curve.percentile_interval(0.5)
    assert low == 13
    assert high == math.inf


def test_limits_on_each_scale_are_normal_there():
    curve = kaplan_meier(times=WEEKS, failed=ENDED)
    z, s, error = stats.norm.ppf(0.975), curve.survival, curve.standard_error
    scales = {
        "plain": (lambda x: x, 1),
        "log": (np.log, 1 / s),
        "log-log": (lambda x: np.log(-np.log(x)), 1 / (s * -np.log(s))),
    }
    for transform, (scale, slope) in scales.items():
        low, high = curve.band(transform=transform)
        inside = high < 1
        for limit in (low, high):
            moved = np.abs(scale(limit) - scale(s))
            np.testing.assert_allclose(moved[inside], (z * slope * error)[inside], rtol=1e-9)


def test_counts_stand_for_rows():
    each = kaplan_meier(times=WEEKS, failed=ENDED)
    pairs, counts = np.unique(np.column_stack([WEEKS, ENDED]), axis=0, return_counts=True)
    packed = kaplan_meier(times=pairs[:, 0], failed=pairs[:, 1], counts=counts)
    np.testing.assert_allclose(packed.survival, each.survival)
    np.testing.assert_allclose(packed.standard_error, each.standard_error)


def test_scipy_finds_the_same_curve():
    times = np.array(WEEKS, dtype=float)
    ended = np.array(ENDED, dtype=bool)
    theirs = stats.ecdf(stats.CensoredData(uncensored=times[ended], right=times[~ended])).sf
    curve = kaplan_meier(times=WEEKS, failed=ENDED)
    for t in (0.5, 6, 9.5, 13, 22.5, 30):
        assert curve.survival_at(t) == pytest.approx(float(theirs.evaluate(t)), abs=1e-12)


def test_before_the_first_failure_the_limit_is_the_exact_binomial_one():
    curve = kaplan_meier(times=[2, 3, 3, 4], failed=[0, 1, 0, 0])
    assert curve.survival_at(2.5) == 1.0
    # three of them are known to have survived 2.5
    assert curve.survival_interval(2.5) == pytest.approx((0.025 ** (1 / 3), 1.0))


def test_without_failures_the_curve_stays_up_and_ends_where_the_tests_end():
    curve = kaplan_meier(times=[3, 3, 3], failed=[0, 0, 0])
    assert curve.times.size == 0
    assert curve.survival_at(3) == 1.0
    assert math.isnan(curve.survival_at(3.5))
    assert curve.survival_interval(3.5) == (0.0, 1.0)
    assert curve.percentile(0.1) == math.inf


def test_where_all_have_failed_doubt_is_left():
    curve = kaplan_meier(times=[1, 2, 3], failed=[1, 1, 1])
    assert curve.survival_at(4) == 0.0
    low, high = curve.survival_interval(4)
    assert low == 0.0
    assert high == curve.survival_interval(2).upper
    at_once = kaplan_meier(times=[2, 2, 2], failed=[1, 1, 1])
    assert at_once.survival_interval(2) == pytest.approx((0.0, 1 - 0.025 ** (1 / 3)))


def test_bad_curves_are_refused():
    with pytest.raises(ValueError, match="one length: got shapes"):
        kaplan_meier(times=[1, 2], failed=[1])
    with pytest.raises(ValueError, match="failed must be true or false: got 2"):
        kaplan_meier(times=[1, 2], failed=[1, 2])
    with pytest.raises(
        ValueError, match=r"lower must be finite and not negative: got -1\.0 in row 1"
    ):
        kaplan_meier(times=[1, -1], failed=[1, 1])
    with pytest.raises(ValueError, match="times must be numbers: got NaN in row 0"):
        kaplan_meier(times=[math.nan], failed=[0])
    curve = kaplan_meier(times=[1, 2], failed=[1, 0])
    with pytest.raises(ValueError, match="'log-log', 'log' or 'plain': 'logit'"):
        curve.band(transform="logit")
    with pytest.raises(ValueError, match="failing must lie between 0 and 1"):
        curve.percentile(1.5)
