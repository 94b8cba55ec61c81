"""Sampling by variables: the table, its worked example, and the curve against simulation."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from qc.statistics.bounds.tolerance import tolerance_factor_one_sided
from qc.statistics.sampling.variables import VariablesPlan, mil_std_414_plan

REFERENCE = Path(__file__).parents[2] / "reference"


def table():
    with (REFERENCE / "ts-variables-k-smethod.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_k_of_the_table_is_the_printed_one():
    # MIL-STD-414 table B-1 (s method); AQL 2.5 and 4.0 from letter G on are from memory
    data = table()
    for row in data:
        for aql in ("0.65", "1.0", "1.5", "2.5", "4.0"):
            k = row[f"k_aql_{aql}"]
            plan = mil_std_414_plan(letter=row["code_letter"], aql=float(aql))
            if k:
                assert plan == VariablesPlan(int(row["n"]), float(k))
            else:
                # an arrow: the first plan below, with its own sample size
                below = data[data.index(row) + 1 :]
                next_row = next(r for r in below if r[f"k_aql_{aql}"])
                assert plan == VariablesPlan(int(next_row["n"]), float(next_row[f"k_aql_{aql}"]))


def test_the_worked_example_of_the_standard_is_accepted():
    # MIL-STD-414 example B-1: mean 195, s 8.80, (209 - 195)/s = 1.59 ≥ 1.53; data from memory
    plan = mil_std_414_plan(letter="D", aql=1.0)
    found = plan.decide([197, 188, 184, 205, 201], upper=209)
    assert found.mean == 195
    assert found.sd == pytest.approx(8.80, abs=0.005)
    assert found.index == pytest.approx(1.590, abs=0.0005)
    assert found.k == 1.53
    assert found.accepted
    # the mirror image against a lower limit
    mirrored = plan.decide([-197, -188, -184, -205, -201], lower=-209)
    assert mirrored.index == found.index


def test_the_curve_is_that_of_simulated_samples():
    rng = np.random.default_rng(414)
    plan, fraction = VariablesPlan(n=10, k=1.58), 0.06
    limit = stats.norm.isf(fraction)
    values = rng.standard_normal((100_000, 10))
    share = np.mean((limit - values.mean(axis=1)) / values.std(axis=1, ddof=1) >= plan.k)
    # a standard error of 0.0016
    assert float(plan.acceptance(fraction)) == pytest.approx(share, abs=0.006)


def test_the_curve_is_that_of_integrating_over_the_spread():
    # second road: given s, the mean is normal
    plan, fraction = VariablesPlan(n=7, k=1.5), 0.03
    z = stats.norm.isf(fraction)

    def given_spread(q):
        spread = math.sqrt(stats.chi2.ppf(q, 6) / 6)
        return stats.norm.cdf((z - plan.k * spread) * math.sqrt(7))

    want = integrate.quad(given_spread, 0, 1, epsabs=1e-10)[0]
    assert float(plan.acceptance(fraction)) == pytest.approx(want, abs=1e-7)


def test_a_tolerance_factor_as_k_accepts_one_lot_in_twenty_of_the_stated_quality():
    # k that bounds 90 % with 95 % confidence accepts 10 % outside with a chance of 5 %
    k = tolerance_factor_one_sided(10, coverage=0.90, confidence=0.95)
    assert float(VariablesPlan(10, k).acceptance(0.10)) == pytest.approx(0.05, abs=1e-9)


def test_good_quality_is_accepted_by_every_plan_of_the_table():
    # chance at the AQL: from 0.83 for the smallest samples to 0.99 for the largest
    for row in table():
        for aql in (1.0, 2.5):
            plan = mil_std_414_plan(letter=row["code_letter"], aql=aql)
            assert 0.82 < float(plan.acceptance(aql / 100)) < 0.999


@given(st.integers(2, 100), st.floats(0.2, 2.5), st.floats(0.01, 0.99))
def test_reading_the_curve_backwards_brings_back_the_chance(n, k, chance):
    plan = VariablesPlan(n, k)
    assert float(plan.acceptance(plan.fraction_at(chance))) == pytest.approx(chance, abs=1e-7)


def test_a_process_without_bad_parts_always_passes_and_one_without_good_never():
    assert VariablesPlan(5, 1.4).acceptance([0, 1]).tolist() == [1, 0]


def test_values_that_all_agree_are_judged_by_the_limit_alone():
    plan = VariablesPlan(3, 1.12)
    assert plan.decide([0.1, 0.1, 0.1], upper=0.1).accepted
    assert plan.decide([0.1, 0.1, 0.1], upper=0.2).index == math.inf
    assert not plan.decide([0.3, 0.3, 0.3], upper=0.2).accepted


def test_bad_plans_and_samples_are_refused():
    plan = VariablesPlan(3, 1.12)
    with pytest.raises(ValueError, match="give one limit, upper or lower: upper 5, lower 1"):
        plan.decide([1, 2, 3], upper=5, lower=1)
    with pytest.raises(ValueError, match="upper None, lower None"):
        plan.decide([1, 2, 3])
    with pytest.raises(ValueError, match="values must be the plan's n: 2, n 3"):
        plan.decide([1, 2], upper=5)
    with pytest.raises(ValueError, match="n must be a whole number from 2: 1"):
        VariablesPlan(1, 1.0)
    with pytest.raises(ValueError, match=r"fraction must lie from 0 to 1: -0\.1"):
        plan.acceptance(-0.1)
    with pytest.raises(ValueError, match="acceptance must lie between 0 and 1: 0"):
        plan.fraction_at(0)
    with pytest.raises(ValueError, match=r"letter must be one of B, .*, P: 'A'"):
        mil_std_414_plan(letter="A", aql=1.0)
    with pytest.raises(ValueError, match=r"aql must be one of 0\.65, 1, 1\.5, 2\.5, 4: 6\.5"):
        mil_std_414_plan(letter="B", aql=6.5)
