"""Operating characteristics and outgoing quality against handbooks and plain counting."""

import csv
import json
import math
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.statistics.sampling.risks import SingleSampling, single_sampling_for_risks

REFERENCE = Path(__file__).parents[2] / "reference"


def test_the_plan_of_the_handbook_has_its_curve_and_outgoing_quality():
    # NIST/SEMATECH e-Handbook 6.2.3.2: n = 52, c = 3, lots of 10 000; .845 and .739 are one
    # unit of the last digit off the binomial values there
    case = json.loads((REFERENCE / "nist_oc_52_3.json").read_text())
    plan = SingleSampling(n=52, ac=3, lot_size=10_000)
    for text, exact in case["computed_here"].items():
        p = float(text)
        accepted = float(plan.acceptance(p))
        assert accepted == pytest.approx(exact["pa"], abs=1e-10)
        slack = 0.0011 if text in {"0.04", "0.05"} else 0.0005
        assert accepted == pytest.approx(float(case["published"][text]), abs=slack)
        assert float(plan.aoq(p)) == pytest.approx(exact["aoq"], abs=1e-11)
        assert float(plan.ati(p)) == pytest.approx(exact["ati"], abs=1e-5)
        of_lot = float(plan.acceptance_of_lot(round(10_000 * p)))
        assert of_lot == pytest.approx(exact["pa_hypergeometric"], abs=1e-10)


def test_a_textbook_plan_has_its_printed_curve():
    # Montgomery, Introduction to Statistical Quality Control: n = 89, c = 2, from memory
    printed = {0.005: 0.9897, 0.01: 0.9397, 0.02: 0.7366, 0.03: 0.4985, 0.06: 0.0919}
    plan = SingleSampling(n=89, ac=2)
    for p, accepted in printed.items():
        assert float(plan.acceptance(p)) == pytest.approx(accepted, abs=5.1e-5)


def test_the_master_table_protects_as_its_check_says():
    # independent computation for every plan of AQL 0.65 to 4.0
    with (REFERENCE / "ts-sampling-oc-check.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            plan = SingleSampling(int(row["n"]), int(row["ac"]))
            at_aql = float(plan.acceptance(float(row["aql_percent"]) / 100))
            assert at_aql == pytest.approx(float(row["prob_accept_at_aql"]), abs=5.1e-5)
            consumer = float(plan.fraction_at(0.10))
            assert consumer == pytest.approx(float(row["p_with_prob_accept_0.10"]), abs=5.1e-6)


def test_the_largest_outgoing_quality_has_dodge_and_romigs_factors():
    # Dodge & Romig, y = n · AOQL for c = 0 to 10 (Poisson), from memory
    y = [0.3679, 0.8400, 1.371, 1.942, 2.544, 3.168, 3.812, 4.472, 5.146, 5.831, 6.528]
    for ac, factor in enumerate(y):
        got = 100 * SingleSampling(n=100, ac=ac).aoql(model="poisson").aoql
        assert got == pytest.approx(factor, abs=5.5e-4)


@pytest.mark.parametrize(("n", "ac"), [(1, 0), (5, 0), (13, 1), (52, 3), (80, 7), (5, 4)])
def test_the_outgoing_limit_is_the_top_of_its_curve(n, ac):
    plan = SingleSampling(n, ac, lot_size=1000)
    found = plan.aoql()
    grid = plan.aoq(np.linspace(0, 1, 20_001))
    assert found.aoql >= grid.max()
    assert found.aoql == pytest.approx(grid.max(), rel=1e-6)
    assert float(plan.aoq(found.at_fraction)) == found.aoql


def test_chances_of_a_small_lot_are_those_of_counting_every_sample():
    # second road: all 126 samples of 4 from 9 units, 3 of them bad
    drawn = [sum(unit < 3 for unit in sample) for sample in combinations(range(9), 4)]
    for ac in range(4):
        plan = SingleSampling(n=4, ac=ac, lot_size=9)
        want = sum(found <= ac for found in drawn) / len(drawn)
        assert float(plan.acceptance_of_lot(3)) == pytest.approx(want, abs=1e-12)


def test_an_inspected_whole_lot_leaves_no_doubt():
    plan = SingleSampling(n=8, ac=1, lot_size=8)
    assert plan.acceptance_of_lot([0, 1, 2, 8]).tolist() == [1, 1, 0, 0]
    assert float(plan.aoq(0.3)) == 0
    assert float(plan.ati(0.3)) == 8


@given(st.integers(1, 200), st.integers(0, 20), st.floats(0.001, 0.999))
def test_reading_the_curve_backwards_brings_back_the_chance(n, ac, chance):
    plan = SingleSampling(n, ac)
    fraction = plan.fraction_at(chance)
    if ac >= n:
        assert np.isnan(fraction)
    else:
        assert float(plan.acceptance(fraction)) == pytest.approx(chance, rel=1e-7)
    poisson = plan.fraction_at(chance, model="poisson")
    assert float(plan.acceptance(poisson, model="poisson")) == pytest.approx(chance, rel=1e-9)


def test_both_risks_add_up_to_the_curve():
    plan = SingleSampling(n=32, ac=1)
    assert plan.producer_risk(0.015) + plan.acceptance(0.015) == pytest.approx(1, abs=1e-15)
    assert plan.consumer_risk(0.12) == plan.acceptance(0.12)
    # Poisson: (1 + 0.48) e^-0.48
    want = 1.48 * math.exp(-0.48)
    assert float(plan.acceptance(0.015, model="poisson")) == pytest.approx(want, rel=1e-12)


@pytest.mark.parametrize(("good", "bad"), [(0.01, 0.06), (0.02, 0.15), (0.005, 0.30), (0.1, 0.2)])
def test_a_plan_for_two_risks_meets_both_and_none_smaller_does(good, bad):
    plan = single_sampling_for_risks(
        good_fraction=good, producer_risk=0.05, bad_fraction=bad, consumer_risk=0.10
    )
    assert plan.producer_risk(good) <= 0.05
    assert plan.consumer_risk(bad) <= 0.10
    for n in range(1, plan.n):
        meets = [
            ac
            for ac in range(min(n, plan.ac + 1))
            if SingleSampling(n, ac).producer_risk(good) <= 0.05
            and SingleSampling(n, ac).consumer_risk(bad) <= 0.10
        ]
        assert not meets


def test_bad_plans_are_refused():
    with pytest.raises(ValueError, match="n must be a whole number from 1: 0"):
        SingleSampling(0, 0)
    with pytest.raises(ValueError, match="ac must be a whole number from 0: -1"):
        SingleSampling(5, -1)
    with pytest.raises(ValueError, match="lot_size must be a whole number of at least n: 4, n 5"):
        SingleSampling(5, 0, 4)
    with pytest.raises(ValueError, match=r"fraction must lie from 0 to 1: 1\.2"):
        SingleSampling(5, 0).acceptance(1.2)
    with pytest.raises(ValueError, match="model must be binomial or poisson: 'normal'"):
        SingleSampling(5, 0).acceptance(0.1, model="normal")
    with pytest.raises(ValueError, match="acceptance must lie between 0 and 1: 1"):
        SingleSampling(5, 0).fraction_at(1)
    with pytest.raises(ValueError, match="whole numbers from 0 to lot_size: 21, 20"):
        SingleSampling(5, 0, 20).acceptance_of_lot(21)
    with pytest.raises(ValueError, match="without lot_size says nothing of a single lot"):
        SingleSampling(5, 0).ati(0.1)
    with pytest.raises(ValueError, match=r"above 0 and below bad_fraction, that below 1: 0\.2"):
        single_sampling_for_risks(
            good_fraction=0.2, producer_risk=0.05, bad_fraction=0.1, consumer_risk=0.1
        )
