"""Nonparametric survival of interval-censored values."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.survival.censoring import interval_censored, right_censored
from qc.statistics.survival.kaplan_meier import kaplan_meier
from qc.statistics.survival.npmle import held, most_likely, support
from qc.statistics.survival.turnbull import turnbull

REFERENCE = Path(__file__).parents[2] / "reference"


def cosmesis(arm):
    case = json.loads((REFERENCE / "breast_cosmesis_turnbull.json").read_text())
    return interval_censored(**case["data"][arm]), case


def test_both_arms_of_the_cosmesis_trial_survive_as_published():
    # Finkelstein & Wolfe (1985); Klein & Moeschberger (1997); R survival stops within 0.001
    first, case = cosmesis("arm1")
    curve = turnbull(first)
    after = [f"({a:g},{b:g}]" for a, b in zip(curve.left, curve.right, strict=True)][:7]
    assert after == case["computed_here"]["arm1"]["after"]
    np.testing.assert_allclose(curve.survival[:7], case["published"]["arm1_S"], atol=6.5e-4)
    np.testing.assert_allclose(curve.survival[:7], case["computed_here"]["arm1"]["S"], atol=2e-4)
    second, _ = cosmesis("arm2")
    survival = turnbull(second).survival[:9]
    np.testing.assert_allclose(survival, case["computed_here"]["arm2_S"], atol=1.3e-3)


def test_the_masses_are_self_consistent_and_nothing_is_gained_by_moving_them():
    # Gentleman & Geyer (1994): no mass has a slope above the number of parts
    for arm in ("arm1", "arm2"):
        data, _ = cosmesis(arm)
        curve = turnbull(data)
        holds = held(data, curve.left, curve.right)
        chance = holds @ curve.masses
        again = curve.masses * (holds.T @ (data.counts / chance)) / data.total
        np.testing.assert_allclose(again, curve.masses, atol=1e-9)
        everywhere = support(data)
        slopes = everywhere.holds.T @ (
            everywhere.counts / (everywhere.holds @ most_likely(everywhere).masses)
        )
        assert slopes.max() <= data.total * (1 + 1e-9)
        assert curve.gap <= 1e-9


def test_known_and_right_censored_values_give_the_product_limit():
    rng = np.random.default_rng(4)
    times = rng.integers(1, 9, 40)
    failed = rng.random(40) < 0.6
    plain = kaplan_meier(times=times, failed=failed)
    curve = turnbull(right_censored(times=times, failed=failed))
    for t in np.arange(0.5, times[failed].max(), 0.5):
        assert curve.survival_at(t) == pytest.approx(plain.survival_at(t), abs=1e-9)


def test_limits_are_those_of_the_empirical_likelihood_ratio():
    # complete data: S(t) has the binomial likelihood, whose ratio limits are found on their own
    from scipy.optimize import brentq

    curve = turnbull(right_censored(times=np.arange(1, 11), failed=np.ones(10)))

    def lost(s):
        return 2 * (7 * math.log(0.7 / s) + 3 * math.log(0.3 / (1 - s))) - 3.841458820694124

    wanted = brentq(lost, 0.01, 0.7), brentq(lost, 0.7, 0.999)
    assert curve.survival_interval(3) == pytest.approx(wanted, abs=1e-6)
    low, high = curve.band()
    assert (low[2], high[2]) == pytest.approx(wanted, abs=1e-6)


def test_within_an_interval_the_cautious_answer_counts_its_mass_as_failed():
    curve = turnbull(interval_censored(lower=[0, 2, 2, 4], upper=[2, 4, 4, None]))
    assert curve.survival_at(2) == pytest.approx(0.75)
    assert curve.survival_at(3) == pytest.approx(0.25)
    assert curve.survival_at(3, cautious=False) == pytest.approx(0.75)
    assert curve.survival_at(4) == pytest.approx(0.25)
    low, high = curve.survival_interval(3)
    assert low == curve.survival_interval(4).lower
    assert high == curve.survival_interval(2).upper


def test_five_rims_that_all_bore_three_hits_have_the_exact_limit():
    curve = turnbull(interval_censored(lower=[3] * 5, upper=[None] * 5))
    assert curve.survival_at(3) == 1.0
    assert curve.survival_interval(3) == pytest.approx((0.025**0.2, 1.0))
    # beyond the tests nothing is known
    assert curve.survival_interval(4) == (0.0, 1.0)


def test_rims_that_all_failed_at_once_leave_doubt_above_only():
    curve = turnbull(interval_censored(lower=[0] * 4, upper=[1] * 4))
    assert curve.survival_at(1) == 0.0
    assert curve.survival_interval(1) == pytest.approx((0.0, 1 - 0.025**0.25))


def test_a_failure_at_a_value_has_not_survived_it_and_a_survivor_has():
    data = interval_censored(lower=[3, 3], upper=[3, None])
    assert data.status(3) == (1.0, 1.0, 0.0)
    curve = turnbull(data)
    assert curve.survival_at(2.9) == 1.0
    assert curve.survival_at(3) == pytest.approx(0.5)


def test_left_censored_values_count_as_failed_by_then():
    # current status only: pooled adjacent violators give 1/3 failed by 1, 2/3 by 2
    data = interval_censored(
        lower=[0, 1, 1, 0, 0, 2], upper=[1, None, None, 2, 2, None], counts=[1, 1, 1, 1, 1, 1]
    )
    curve = turnbull(data)
    assert curve.survival_at(1) == pytest.approx(2 / 3, abs=1e-9)
    assert curve.survival_at(2) == pytest.approx(1 / 3, abs=1e-9)


def test_values_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match=r"upper must not be below lower: got 1\.0 in row 1"):
        interval_censored(lower=[1, 2], upper=[2, 1])
    with pytest.raises(ValueError, match="lower must be finite and not negative: got inf"):
        interval_censored(lower=[math.inf], upper=[None])
    with pytest.raises(ValueError, match="counts must be finite and not negative"):
        interval_censored(lower=[1], upper=[2], counts=[-1])
    with pytest.raises(ValueError, match="at least 1 part is needed"):
        interval_censored(lower=[], upper=[])
    with pytest.raises(ValueError, match="rows of one length"):
        interval_censored(lower=[1], upper=[2, 3])
