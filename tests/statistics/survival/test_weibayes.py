"""Bounds with a known Weibull shape."""

import json
import math
from pathlib import Path

import pytest
from scipy import stats

from qc.statistics.bounds.demonstration import reliability_lower_bound
from qc.statistics.survival.censoring import interval_censored, right_censored
from qc.statistics.survival.weibayes import weibayes

REFERENCE = Path(__file__).parents[2] / "reference"


def case():
    return json.loads((REFERENCE / "weibayes.json").read_text())


def test_the_fitted_shape_gives_back_the_fitted_scale():
    # NIST/SEMATECH e-Handbook 8.4.1.3: scale 606.53 for shape 1.7208
    given, exact = case()["data"]["nist"], case()["computed_here"]["nist"]
    failed = [1] * given["failures"] + [0] * (len(given["time"]) - given["failures"])
    found = weibayes(right_censored(times=given["time"], failed=failed), shape=given["shape"])
    assert found.scale == pytest.approx(exact["eta"], rel=1e-9)
    assert found.scale_lower_bound(confidence=0.9) == pytest.approx(exact["eta_lower90"], rel=1e-9)
    assert found.scale_lower_bound() == pytest.approx(exact["eta_lower95"], rel=1e-9)
    assert found.percentile_lower_bound(0.1) == pytest.approx(exact["B10_lower95"], rel=1e-9)


def test_parts_that_never_failed_still_have_a_bound():
    given, exact = case()["data"]["zero_failure"], case()["computed_here"]["zero_failure"]
    data = right_censored(times=given["time"], failed=[0] * len(given["time"]))
    found = weibayes(data, shape=given["shape"])
    assert found.scale == math.inf
    custom = found.scale_lower_bound(confidence=1 - math.exp(-1))
    assert custom == pytest.approx(exact["eta_lower63_2_one_failure_convention"], rel=1e-9)
    for name, confidence in (("eta_lower90", 0.9), ("eta_lower95", 0.95)):
        got = found.scale_lower_bound(confidence=confidence)
        assert got == pytest.approx(exact[name], rel=1e-9)
    b10 = found.percentile_lower_bound(0.1, confidence=0.9)
    assert b10 == pytest.approx(exact["B10_lower90"], rel=1e-9)
    at_500 = found.survival_lower_bound(500, confidence=0.9)
    assert at_500 == pytest.approx(exact["R_at_500_lower90"], rel=1e-9)


@pytest.mark.parametrize("shape", [0.7, 1.0, 3.0])
def test_a_run_without_failure_shows_the_same_whatever_the_shape(shape):
    data = right_censored(times=[100], failed=[0], counts=[22])
    got = weibayes(data, shape=shape).survival_lower_bound(100, confidence=0.9)
    assert got == pytest.approx(case()["computed_here"]["success_run"]["reliability"], rel=1e-9)
    assert got == pytest.approx(reliability_lower_bound(tests=22, confidence=0.9), rel=1e-12)


def test_a_test_ended_at_its_last_failure_has_the_exact_bound():
    # exponential, type II: 2 T/θ is chi-square with 2 r degrees of freedom
    data = right_censored(times=[1, 2, 3, 3], failed=[1, 1, 1, 0])
    found = weibayes(data, shape=1.0, ended_at_failure=True)
    assert found.scale_lower_bound() == pytest.approx(18 / stats.chi2.ppf(0.95, 6))
    assert found.scale_lower_bound() > weibayes(data, shape=1.0).scale_lower_bound()


def test_a_failure_between_two_hits_counts_with_what_was_survived():
    known = weibayes(interval_censored(lower=[2, 3], upper=[3, None]), shape=2.0)
    assert known.exposure == 13.0
    nothing = weibayes(interval_censored(lower=[0, 0], upper=[1, 1]), shape=2.0)
    assert nothing.scale_lower_bound() == 0.0
    assert nothing.survival_lower_bound(1) == 0.0


def test_a_shape_must_be_above_nought():
    data = right_censored(times=[1], failed=[0])
    with pytest.raises(ValueError, match="shape must be a finite number above 0: 0"):
        weibayes(data, shape=0)
