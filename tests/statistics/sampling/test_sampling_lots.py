"""What a sample proves about one lot, by going through every lot and every outcome."""

from decimal import Decimal
from math import comb

import pytest

from qc.statistics.bounds.demonstration import success_run_tests
from qc.statistics.sampling.lots import (
    allowed_nonconforming,
    lot_sampling_for_risks,
    nonconforming_at_most,
    plan_for_lot,
)


def chance(found, bad, n, lot):
    """P(X ≤ found), written out."""
    ways = sum(
        comb(bad, k) * comb(lot - bad, n - k) for k in range(found + 1) if k <= bad and k <= n
    )
    return ways / comb(lot, n)


@pytest.mark.parametrize("lot", [1, 2, 5, 12, 20, 37, 60])
@pytest.mark.parametrize("reliability", [0.8, 0.9, 0.95])
@pytest.mark.parametrize("ac", [0, 1])
def test_the_plan_is_the_smallest_that_proves_the_reliability(lot, reliability, ac):
    allowed = lot - -(-lot * int(reliability * 100) // 100)
    assert allowed_nonconforming(lot_size=lot, reliability=reliability) == allowed
    if ac > allowed:
        with pytest.raises(ValueError, match="that the lot may hold"):
            plan_for_lot(lot_size=lot, reliability=reliability, confidence=0.9, ac=ac)
        return
    plan = plan_for_lot(lot_size=lot, reliability=reliability, confidence=0.9, ac=ac)
    assert chance(ac, allowed + 1, plan.n, lot) <= 0.1 + 1e-12
    if plan.n > ac + 1:
        assert chance(ac, allowed + 1, plan.n - 1, lot) > 0.1


def test_nine_tenths_of_twenty_allow_exactly_two_bad_rims():
    # (1 - 0.9) · 20 is 1.9999999999999996 in doubles
    assert allowed_nonconforming(lot_size=20, reliability=0.9) == 2
    assert allowed_nonconforming(lot_size=20, reliability=Decimal("0.9")) == 2


def test_a_lot_without_end_takes_the_success_run():
    # n = ln(1-C)/ln R rounded up: 22, 29, 59, 299
    for reliability, confidence in ((0.9, 0.9), (0.9, 0.95), (0.95, 0.95), (0.99, 0.95)):
        plan = plan_for_lot(lot_size=10**7, reliability=reliability, confidence=confidence)
        assert plan.n == success_run_tests(reliability=reliability, confidence=confidence)


def test_a_small_lot_takes_fewer_and_a_tiny_one_all():
    sizes = [
        plan_for_lot(lot_size=lot, reliability=0.9, confidence=0.9).n for lot in (5, 20, 100, 1000)
    ]
    assert sizes[0] == 5
    assert sizes[1] < sizes[2] <= sizes[3] <= 22


def test_the_bound_for_bad_rims_is_never_wrong_more_often_than_it_says():
    # every lot, every sample outcome: exact coverage by enumeration
    confidence = 0.9
    for lot, n in ((8, 3), (20, 5), (33, 20), (12, 12)):
        bounds = [
            nonconforming_at_most(found=k, n=n, lot_size=lot, confidence=confidence)
            for k in range(n + 1)
        ]
        assert bounds == sorted(bounds)
        for bad in range(lot + 1):
            covered = sum(
                comb(bad, k) * comb(lot - bad, n - k)
                for k in range(n + 1)
                if k <= bad and n - k <= lot - bad and bad <= bounds[k]
            )
            assert covered / comb(lot, n) >= confidence - 1e-12


def test_bound_and_plan_are_two_sides_of_one_statement():
    plan = plan_for_lot(lot_size=40, reliability=0.9, confidence=0.95)
    assert nonconforming_at_most(found=0, n=plan.n, lot_size=40, confidence=0.95) == 4
    assert nonconforming_at_most(found=0, n=plan.n - 1, lot_size=40, confidence=0.95) > 4


def test_no_sample_proves_nothing_and_a_whole_one_everything():
    assert nonconforming_at_most(found=0, n=0, lot_size=20) == 20
    assert nonconforming_at_most(found=3, n=20, lot_size=20) == 3
    assert nonconforming_at_most(found=5, n=5, lot_size=20) == 20


@pytest.mark.parametrize(("lot", "good", "bad"), [(20, 0, 5), (60, 1, 9), (30, 2, 12), (8, 3, 4)])
def test_a_plan_for_both_risks_of_a_lot_is_the_smallest_that_meets_them(lot, good, bad):
    plan = lot_sampling_for_risks(
        lot_size=lot, good=good, producer_risk=0.1, bad=bad, consumer_risk=0.1
    )
    assert 1 - chance(plan.ac, good, plan.n, lot) <= 0.1 + 1e-12
    assert chance(plan.ac, bad, plan.n, lot) <= 0.1 + 1e-12
    smaller = [
        (n, ac)
        for n in range(1, plan.n)
        for ac in range(n)
        if 1 - chance(ac, good, n, lot) <= 0.1 and chance(ac, bad, n, lot) <= 0.1
    ]
    assert smaller == []


def test_bad_lots_are_refused():
    with pytest.raises(ValueError, match="lot_size must be a whole number from 1: 0"):
        plan_for_lot(lot_size=0, reliability=0.9, confidence=0.9)
    with pytest.raises(ValueError, match="reliability must lie between 0 and 1"):
        plan_for_lot(lot_size=10, reliability=1.0, confidence=0.9)
    with pytest.raises(ValueError, match="found must be a whole number from 0 to n"):
        nonconforming_at_most(found=6, n=5, lot_size=20)
    with pytest.raises(ValueError, match="n must be a whole number from 0 to lot_size"):
        nonconforming_at_most(found=0, n=25, lot_size=20)
    with pytest.raises(ValueError, match="good must be a whole number from 0 to below bad: 5, bad"):
        lot_sampling_for_risks(lot_size=20, good=5, producer_risk=0.1, bad=5, consumer_risk=0.1)
