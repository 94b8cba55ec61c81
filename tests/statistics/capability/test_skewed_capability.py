"""Capability by percentiles (ISO 22514) for run-out and its like."""

import math

import numpy as np
import pytest
from scipy import stats

from qc.statistics.capability.capability import capability_indices
from qc.statistics.capability.skewed import percentile_indices, skewed_capability

THREE_SIGMA = stats.norm.cdf([-3, 0, 3])
RUNOUT_MM = [0.11, 0.19, 0.08, 0.25, 0.14, 0.17, 0.31, 0.12, 0.22, 0.16, 0.13, 0.2]


def test_percentiles_of_a_normal_characteristic_give_the_usual_indices():
    points = stats.norm(16, 2).ppf(THREE_SIGMA)
    usual = capability_indices(16, 2, lower=8, upper=20)
    found = percentile_indices(*points, lower=8, upper=20)
    assert found == pytest.approx((usual.cp, usual.cpl, usual.cpu, usual.cpk), rel=1e-9)


def test_the_formulas_of_the_standard_stand_as_they_are_written():
    # ISO 22514-2: Pp (U - L)/(X99.865 - X0.135), Ppu (U - X50)/(X99.865 - X50)
    found = percentile_indices(0.02, 0.15, 0.45, lower=0.0, upper=0.5)
    assert found.pp == pytest.approx(0.5 / 0.43)
    assert found.ppu == pytest.approx(0.35 / 0.30)
    assert found.ppl == pytest.approx(0.15 / 0.13)
    assert found.ppk == found.ppl


def test_a_lognormal_fit_has_the_percentiles_of_its_logarithms():
    found = skewed_capability(RUNOUT_MM, family="lognormal", lower=0.02, upper=0.6)
    logs = np.log(RUNOUT_MM)
    law = stats.lognorm(np.std(logs, ddof=1), scale=np.exp(np.mean(logs)))
    low, median, high = law.ppf(THREE_SIGMA)
    assert found.indices().ppu == pytest.approx((0.6 - median) / (high - median), rel=1e-9)
    assert found.indices().ppl == pytest.approx((median - 0.02) / (median - low), rel=1e-9)
    assert found.indices().pp == pytest.approx(0.58 / (high - low), rel=1e-9)
    assert found.fallout().above_ppm == pytest.approx(1e6 * law.sf(0.6), rel=1e-9)
    assert found.fallout().below_ppm == pytest.approx(1e6 * law.cdf(0.02), rel=1e-9)


def test_a_weibull_fit_is_the_one_of_greatest_likelihood():
    # insulating fluid at 34 kV, Nelson (1982): shape 0.771, scale 12.22, from memory
    minutes = [0.19, 0.78, 0.96, 1.31, 2.78, 3.16, 4.15, 4.67, 4.85, 6.5, 7.35, 8.01, 8.27, 12.06]
    minutes += [31.75, 32.52, 33.91, 36.71, 72.89]
    found = skewed_capability(minutes, family="weibull", upper=500)
    assert 1 / found.scale == pytest.approx(0.771, abs=5e-4)
    assert math.exp(found.location) == pytest.approx(12.22, abs=5e-3)
    law = stats.weibull_min(1 / found.scale, scale=math.exp(found.location))
    median, high = law.ppf(THREE_SIGMA[1:])
    assert found.indices().ppk == pytest.approx((500 - median) / (high - median), rel=1e-9)
    assert found.percentile(0.1) == pytest.approx(law.ppf(0.1), rel=1e-10)
    assert found.fallout().above_ppm == pytest.approx(1e6 * law.sf(500), rel=1e-8)


def test_run_out_by_eccentricity_alone_is_rayleigh():
    found = skewed_capability([*RUNOUT_MM, 0.0], family="rayleigh", upper=0.5)
    law = stats.rayleigh(scale=math.sqrt(np.mean(np.square([*RUNOUT_MM, 0.0])) / 2))
    median, high = law.ppf(THREE_SIGMA[1:])
    assert found.indices().ppk == pytest.approx((0.5 - median) / (high - median), rel=1e-9)
    # the exact limit: the sum of squares over sigma² is χ² with 2n degrees of freedom
    sigma = math.sqrt(np.sum(np.square(RUNOUT_MM)) / stats.chi2.ppf(0.05, 26))
    law = stats.rayleigh(scale=sigma)
    median, high = law.ppf(THREE_SIGMA[1:])
    wanted = (0.5 - median) / (high - median)
    got = found.ppk_lower_bound(0.95, draws=100_000)
    assert got == pytest.approx(wanted, abs=0.01)


@pytest.mark.parametrize("family", ["lognormal", "weibull", "rayleigh"])
def test_generalized_limits_hold_the_true_index_as_often_as_they_say(family):
    # 600 seeded samples of 8: standard error 0.9 %
    rng, held = np.random.default_rng(31), 0
    scale = 0.5
    logs = stats.norm.ppf(THREE_SIGMA) if family == "lognormal" else np.log(-np.log1p(-THREE_SIGMA))
    points = np.exp(scale * logs)
    upper = 1.3 * points[2]
    true = percentile_indices(*points, upper=upper).ppk
    for i in range(600):
        normal = family == "lognormal"
        draws = np.exp(rng.standard_normal(8)) if normal else rng.standard_exponential(8)
        found = skewed_capability(draws**scale, family=family, upper=upper)
        bounds = found.ppk_interval(draws=400, seed=i)
        held += bounds.lower <= true <= bounds.upper
    assert held / 600 == pytest.approx(0.95, abs=0.04)


def test_the_same_readings_have_the_same_limits():
    found = skewed_capability(RUNOUT_MM, family="weibull", upper=0.5)
    assert found.ppk_interval() == found.ppk_interval()
    assert found.ppk_interval().lower < found.indices().ppk < found.ppk_interval().upper
    assert found.ppk_lower_bound(0.975) == pytest.approx(found.ppk_interval(0.95).lower)


def test_two_limits_are_bounded_by_the_worse_side():
    both = skewed_capability(RUNOUT_MM, family="lognormal", lower=0.01, upper=5.0)
    alone = skewed_capability(RUNOUT_MM, family="lognormal", lower=0.01)
    assert both.ppk_interval() == alone.ppk_interval()


@pytest.mark.parametrize(
    ("work", "message"),
    [
        (lambda: percentile_indices(1, 1, 2, upper=3), "low, median and high must rise: 1, 1, 2"),
        (lambda: percentile_indices(0, 1, 2), "lower or upper must be given"),
        (
            lambda: skewed_capability([0.1, 0.0, 0.2], family="weibull", upper=1),
            "values must be above 0 and differ: got 0.0",
        ),
        (
            lambda: skewed_capability([0.1] * 3, family="lognormal", upper=1),
            "values must be above 0 and differ: got 0.1",
        ),
        (
            lambda: skewed_capability([0.0] * 3, family="rayleigh", upper=1),
            "values must be at least 0 and not all 0",
        ),
        (lambda: skewed_capability(RUNOUT_MM, family="rayleigh", upper=0), "upper must be above 0"),
        (lambda: skewed_capability(RUNOUT_MM, family="gamma", upper=1), "family must be .*: gamma"),
        (
            lambda: skewed_capability(RUNOUT_MM, family="weibull", lower=2, upper=1),
            "lower must be below upper: 2 and 1",
        ),
    ],
)
def test_bad_skewed_capability_is_refused(work, message):
    with pytest.raises(ValueError, match=message):
        work()
