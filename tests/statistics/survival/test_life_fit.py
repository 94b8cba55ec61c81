"""Weibull and lognormal fits to censored values against published and independent answers."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from qc.statistics.bounds.tolerance import tolerance_factor_one_sided
from qc.statistics.survival.censoring import interval_censored, right_censored
from qc.statistics.survival.life_fit import fit_lognormal, fit_weibull

REFERENCE = Path(__file__).parents[2] / "reference"
TIME_NAMES = {
    "nist_weibull_censored": "time",
    "shock_absorber": "km",
    "composite_fatigue_lognormal": "kcycles",
    "insulating_fluid_34kv": "minutes",
}
# revolutions (millions) of 23 ball bearings, Lieblein & Zelen (1956), from memory
BEARINGS = [
    *(17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.48, 51.84, 51.96, 54.12, 55.56, 67.80),
    *(68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40),
]


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def lives(name):
    data = case(name)["data"]
    times = data[TIME_NAMES[name]]
    return right_censored(times=times, failed=data.get("failed", [1] * len(times)))


def cracked():
    data = case("cracked_parts_interval")["data"]
    return interval_censored(lower=data["lower"], upper=data["upper"], counts=data["count"])


@pytest.mark.parametrize("name", TIME_NAMES)
def test_weibull_fits_their_errors_and_ratio_bounds_are_those_of_the_references(name):
    # NIST e-Handbook 8.4.1.3; O'Connor (1985); Bury (1999), example 11.3; Nelson (1982)
    exact = case(name)["computed_here"]["weibull"]
    fit = fit_weibull(lives(name))
    assert fit.basis == "likelihood-ratio"
    assert fit.shape == pytest.approx(exact["shape"], rel=2e-8)
    assert fit.scale == pytest.approx(exact["scale"], rel=5e-8)
    assert fit.log_likelihood == pytest.approx(exact["log_likelihood"], abs=1e-7)
    covariance = fit.covariance()
    assert math.sqrt(covariance[0, 0]) == pytest.approx(exact["se_log_scale"], rel=1e-6)
    assert math.sqrt(covariance[1, 1]) == pytest.approx(exact["se_log_sigma"], rel=1e-6)
    assert covariance[0, 1] == pytest.approx(exact["cov_logscale_logsigma"], rel=2e-6)
    for failing, key in ((0.1, "B10"), (0.5, "B50"), (0.01, "B1")):
        assert fit.percentile(failing) == pytest.approx(exact[key], rel=1e-7)
        assert fit.percentile_log_error(failing) == pytest.approx(exact[f"{key}_se_log"], rel=1e-6)
        bound = fit.percentile_interval(failing, side="lower").lower
        assert bound == pytest.approx(exact[f"{key}_lower95_one_sided_LR"], rel=1e-8)
        normal = fit.percentile(failing) * math.exp(
            -stats.norm.ppf(0.95) * fit.percentile_log_error(failing)
        )
        assert normal == pytest.approx(exact[f"{key}_lower95_one_sided_normal"], rel=1e-6)


def test_printed_digits_are_met():
    nist = case("nist_weibull_censored")["published"]
    fit, other = (f(lives("nist_weibull_censored")) for f in (fit_weibull, fit_lognormal))
    assert fit.shape == pytest.approx(nist["shape"], abs=5e-5)
    # the handbook prints 606.5280 from a coarser search
    assert fit.scale == pytest.approx(nist["scale"], abs=1e-3)
    assert fit.log_likelihood == pytest.approx(nist["loglik"], abs=5e-4)
    assert fit.aic == pytest.approx(nist["aic"]["weibull"], abs=5e-3)
    assert other.aic == pytest.approx(nist["aic"]["lognormal"], abs=5e-3)
    assert fit.mean == pytest.approx(nist["mean"], abs=1e-3)
    assert fit.sd == pytest.approx(nist["sd"], abs=2e-3)
    shocks = fit_weibull(lives("shock_absorber"))
    assert (round(shocks.shape, 2), round(shocks.scale)) == (3.16, 27719)
    fluid = fit_weibull(lives("insulating_fluid_34kv"))
    assert (round(fluid.shape, 3), round(fluid.scale, 2)) == (0.771, 12.22)


def test_lognormal_fits_are_those_of_the_references():
    for name in ("nist_weibull_censored", "composite_fatigue_lognormal"):
        exact = case(name)["computed_here"]["lognormal"]
        fit = fit_lognormal(lives(name))
        assert fit.location == pytest.approx(exact["mu"], abs=5e-8)
        assert fit.sigma == pytest.approx(exact["sigma"], abs=5e-8)
        assert fit.log_likelihood == pytest.approx(exact["loglik"], abs=1e-8)
        assert fit.median == pytest.approx(math.exp(exact["mu"]), rel=1e-7)


def test_cracks_found_at_inspections_are_fitted_as_intervals():
    # Nelson (1982), p. 415
    exact, fit = case("cracked_parts_interval")["computed_here"], fit_weibull(cracked())
    assert fit.location == pytest.approx(exact["location"], abs=1e-8)
    assert fit.sigma == pytest.approx(exact["sigma"], abs=1e-8)
    assert (round(fit.location, 4), round(fit.sigma, 4)) == (4.2724, 0.6732)
    assert fit.log_likelihood == pytest.approx(exact["loglik"], abs=1e-7)
    errors = np.sqrt(np.diag(fit.covariance()))
    np.testing.assert_allclose(errors, [exact["se_location"], exact["se_log_sigma"]], rtol=1e-6)
    assert fit.percentile_log_error(0.1) == pytest.approx(exact["B10_se_log"], rel=1e-6)


def test_ball_bearings_have_the_textbook_parameters():
    # Lawless (2003), example 5.1.1 and others: shape 2.10, scale 81.9; both from memory
    fit = fit_weibull(right_censored(times=BEARINGS, failed=[1] * 23))
    assert fit.shape == pytest.approx(2.10, abs=5e-3)
    assert fit.scale == pytest.approx(81.9, abs=5e-2)
    lognormal = fit_lognormal(right_censored(times=BEARINGS, failed=[1] * 23))
    logs = np.log(BEARINGS)
    assert lognormal.location == pytest.approx(logs.mean(), rel=1e-12)
    assert lognormal.sigma == pytest.approx(logs.std(), rel=1e-9)


def test_scipy_finds_the_same_fit_for_a_mix_of_all_kinds():
    # 5 exact, 3 left-, 3 right- and 4 interval-censored
    exact, left, right = [2.1, 3.0, 3.3, 4.2, 5.0], [1.5, 2.0, 2.5], [4.0, 4.0, 6.0]
    between = [(1, 2), (2, 3), (3, 4), (3, 5)]
    data = interval_censored(
        lower=[*exact, 0, 0, 0, *right, *(a for a, _ in between)],
        upper=[*exact, *left, None, None, None, *(b for _, b in between)],
    )
    theirs = stats.CensoredData(uncensored=exact, left=left, right=right, interval=between)
    shape, _, scale = stats.weibull_min.fit(theirs, 2.0, floc=0, scale=4.0)
    fit = fit_weibull(data)
    assert (fit.shape, fit.scale) == pytest.approx((shape, scale), rel=1e-3)
    sigma, _, median = stats.lognorm.fit(theirs, 0.5, floc=0, scale=3.0)
    other = fit_lognormal(data)
    assert (other.sigma, other.median) == pytest.approx((sigma, median), rel=1e-3)


def log_likelihood(family, theta, data):
    """A plain log-likelihood, for limits found another way."""
    location, log_sigma = theta
    z_low = (np.log(np.maximum(data.lower, 1e-300)) - location) / math.exp(log_sigma)
    z_high = (np.log(data.upper) - location) / math.exp(log_sigma)
    return float(data.counts @ np.log(family.sf(z_low) - family.sf(z_high)))


@pytest.mark.parametrize(
    ("fitted", "family"), [(fit_weibull, stats.gumbel_l), (fit_lognormal, stats.norm)]
)
def test_ratio_limits_are_where_the_constrained_maximum_has_fallen_by_the_quantile(fitted, family):
    data = cracked()
    fit = fitted(data)
    quantile = family.ppf(0.1)

    def fallen(fixed):
        # location from the thing held fixed, log sigma free
        best = optimize.minimize_scalar(
            lambda log_sigma: -log_likelihood(family, (fixed(log_sigma), log_sigma), data),
            bounds=(-3, 3),
            method="bounded",
            options={"xatol": 1e-10},
        )
        return 2 * (fit.log_likelihood + best.fun)

    want = stats.chi2.ppf(0.95, 1)
    for limit in fit.percentile_interval(0.1):
        log_limit = math.log(limit)
        got = fallen(lambda s, y=log_limit: y - quantile * math.exp(s))
        assert got == pytest.approx(want, abs=1e-6)
    for limit in fit.survival_interval(20):
        beyond = family.isf(limit)
        got = fallen(lambda s, z=beyond: math.log(20) - z * math.exp(s))
        assert got == pytest.approx(want, abs=1e-6)
    for limit in fit.location_interval():
        assert fallen(lambda s, at=limit: at) == pytest.approx(want, abs=1e-6)
    for limit in fit.sigma_interval():
        log_sigma = math.log(limit)
        best = optimize.minimize_scalar(
            lambda m, at=log_sigma: -log_likelihood(family, (m, at), data),
            bounds=(0, 9),
            method="bounded",
            options={"xatol": 1e-9},
        )
        assert 2 * (fit.log_likelihood + best.fun) == pytest.approx(want, abs=1e-6)


def test_shape_and_scale_limits_are_those_of_sigma_and_location():
    fit = fit_weibull(cracked())
    low, high = fit.sigma_interval(confidence=0.9)
    assert fit.shape_interval(confidence=0.9) == pytest.approx((1 / high, 1 / low))
    assert fit.shape_interval(side="lower") == pytest.approx((1 / high, math.inf))
    low, high = fit.location_interval()
    assert fit.scale_interval() == pytest.approx((math.exp(low), math.exp(high)))


@pytest.mark.parametrize("n", [2, 4, 9, 30])
def test_bounds_for_a_complete_lognormal_sample_are_the_exact_noncentral_t_ones(n):
    logs = np.random.default_rng(n).normal(1.0, 0.3, n)
    fit = fit_lognormal(right_censored(times=np.exp(logs), failed=np.ones(n)))
    mean, s = logs.mean(), logs.std(ddof=1)
    for coverage, confidence in ((0.9, 0.95), (0.9, 0.9), (0.99, 0.95)):
        k = tolerance_factor_one_sided(n, coverage, confidence)
        got = fit.percentile_lower_bound(1 - coverage, confidence=confidence)
        assert (mean - math.log(got)) / s == pytest.approx(k, rel=1e-5)
    # the share above mean - k s is at least 0.9, by the same factor turned round
    k = tolerance_factor_one_sided(n, 0.9, 0.95)
    at = math.exp(mean - k * s)
    assert fit.survival_lower_bound(at, confidence=0.95) == pytest.approx(0.9, abs=1e-5)


def test_95_of_100_weibull_samples_of_five_keep_their_bound_and_the_ratio_bound_fails_more():
    # tests/bench/survival_coverage.py has the whole table
    rng = np.random.default_rng(8)
    b10 = 4 * (-math.log(0.9)) ** (1 / 3)
    kept = ratio = 0
    for times in 4 * rng.weibull(3, (60, 5)):
        fit = fit_weibull(right_censored(times=times, failed=np.ones(5)))
        kept += fit.percentile_lower_bound(0.1) <= b10
        ratio += fit.percentile_interval(0.1, side="lower").lower <= b10
    # below 49 of 60 once in 10,000 runs if 95 of 100 is true
    assert kept >= 49
    assert ratio < kept


def test_rims_without_a_failure_give_the_exact_binomial_statement():
    fit = fit_weibull(interval_censored(lower=[3] * 5, upper=[None] * 5))
    assert not fit.estimable
    assert fit.basis == "binomial"
    assert math.isnan(fit.shape)
    assert fit.survival_lower_bound(3) == pytest.approx(0.05**0.2)
    assert fit.survival_lower_bound(3.1) == 0.0
    # five tests cannot show that 90 % survive anything; 22 show it of 3 with 90 %
    assert fit.percentile_lower_bound(0.1, confidence=0.9) == 0.0
    many = fit_weibull(interval_censored(lower=[3], upper=[None], counts=[22]))
    assert many.percentile_lower_bound(0.1, confidence=0.9) == 3.0
    assert many.percentile_interval(0.1) == (0.0, math.inf)


def test_one_failure_is_too_few_for_a_curve_and_counts_exactly():
    fit = fit_weibull(interval_censored(lower=[1, *[3] * 9], upper=[2, *[None] * 9]))
    assert fit.estimable
    assert fit.basis == "binomial"
    exact = stats.beta.ppf(0.05, 9, 2)
    assert fit.survival_lower_bound(2) == pytest.approx(exact)
    assert fit.survival_interval(3, side="lower").lower == pytest.approx(exact)
    # inside the interval of the failure it counts as failed below and as whole above
    low, high = fit.survival_interval(1.5)
    assert (low, high) == pytest.approx((stats.beta.ppf(0.025, 9, 2), 1.0))
    assert fit.shape_interval() == (0.0, math.inf)


@pytest.mark.parametrize(
    ("lower", "upper"),
    [
        ([2, 2, 3], [3, 3, None]),  # failures above every survivor or at it
        ([0, 0], [1, 1]),  # all failed, none bracketed
        ([5, 5], [5, 5]),  # one value
        ([5], [5]),
        ([2, 0], [None, 1]),  # only what survived more failed less
    ],
)
def test_values_that_leave_the_spread_open_have_no_parameters_but_safe_bounds(lower, upper):
    data = interval_censored(lower=lower, upper=upper)
    for fitted in (fit_weibull, fit_lognormal):
        fit = fitted(data)
        assert not fit.estimable
        assert math.isnan(fit.percentile(0.1))
        assert fit.sigma_interval() == (0.0, math.inf)
        known = data.status(2)
        exact = stats.beta.ppf(0.05, known.survived, data.total - known.survived + 1)
        assert fit.survival_lower_bound(2) == pytest.approx(np.nan_to_num(exact), abs=1e-12)


def test_fits_do_not_depend_on_unit_or_on_how_rows_are_packed():
    data = cracked()
    fit = fit_weibull(data)
    grown = fit_weibull(
        interval_censored(lower=data.lower * 1e6, upper=data.upper * 1e6, counts=data.counts)
    )
    assert grown.shape == pytest.approx(fit.shape, rel=1e-9)
    assert grown.percentile_lower_bound(0.1) == pytest.approx(
        1e6 * fit.percentile_lower_bound(0.1), rel=1e-7
    )
    counts = data.counts.astype(int)
    spread = fit_weibull(
        interval_censored(lower=np.repeat(data.lower, counts), upper=np.repeat(data.upper, counts))
    )
    assert spread.location == pytest.approx(fit.location, rel=1e-12)


def test_closely_packed_values_are_fitted_too():
    times = 1e6 + np.arange(6)
    fit = fit_weibull(right_censored(times=times, failed=[1] * 6))
    # on so short a stretch log t is straight: the smallest extreme value fit of t itself
    location, scale = stats.gumbel_l.fit(np.arange(6.0))
    assert fit.scale - 1e6 == pytest.approx(location, abs=1e-3)
    assert 1e6 / fit.shape == pytest.approx(scale, rel=1e-3)


def test_bad_questions_are_refused():
    with pytest.raises(ValueError, match="a failure needs a value above 0: got 0"):
        fit_weibull(right_censored(times=[0, 1], failed=[1, 1]))
    fit = fit_weibull(cracked())
    with pytest.raises(ValueError, match="failing must lie between 0 and 1: 10"):
        fit.percentile_lower_bound(10)
    with pytest.raises(ValueError, match=r"confidence must be above 0\.5 for one side: 0\.4"):
        fit.percentile_interval(0.1, confidence=0.4, side="lower")
    assert fit.survival_interval(0) == (1.0, 1.0)
    assert fit.survival(0) == 1.0
