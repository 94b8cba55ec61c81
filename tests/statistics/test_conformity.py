"""Probability of conformity and the verdict, against JCGM 106:2012 and computed tables."""

import csv
import json
import re
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.statistics.conformity import (
    GUARD,
    probability_above,
    probability_below,
    probability_within,
    verdict,
)

REFERENCE = Path(__file__).parents[1] / "reference"


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def test_one_limit_answers_as_the_examples_of_jcgm_106():
    # JCGM 106:2012, clause 7 (numbers from memory, printed answers 0.92 and 0.99 reproduced)
    reference = case("jcgm106_one_sided")
    diode, burst = reference["inputs"]["diode"], reference["inputs"]["container"]
    good_diode = 1 - probability_above(diode["y"], diode["u"], diode["upper"])
    good_burst = 1 - probability_below(burst["y"], burst["u"], burst["lower"])
    assert good_diode == pytest.approx(reference["computed_here"]["diode"], abs=1e-10)
    assert good_burst == pytest.approx(reference["computed_here"]["container"], abs=1e-10)


def test_the_worked_examples_of_jcgm_106_come_out():
    # ts-worked-examples.csv, from memory, arithmetic checked when the table was made
    with (REFERENCE / "ts-worked-examples.csv").open(newline="") as file:
        rows = {row["topic"]: row for row in csv.DictReader(file)}
    wanted = {
        topic: float(re.search(r"p_conform=([\d.]+)", row["result"])[1])
        for topic, row in rows.items()
        if "p_conform" in row["result"]
    }
    got = {
        "JCGM 106:2012 7.3 (one upper limit)": 1 - probability_above(-5.47, 0.05, -5.40),
        "JCGM 106:2012 7.3 (one lower limit)": 1 - probability_below(509.7, 8.6, 490),
        "JCGM 106:2012 7.3 (two limits)": probability_within(13.6, 1.8, 12.5, 16.3),
    }
    assert got == pytest.approx(wanted, abs=5e-5)


@pytest.mark.parametrize("row", case("conformance_two_sided")["data"]["rows"])
def test_a_weight_between_two_limits_conforms_with_the_tabled_probability(row):
    got = probability_within(row["y"], row["u"], row["lower"], row["upper"])
    assert got == pytest.approx(row["pc"], abs=1e-9)


def test_far_from_both_limits_a_small_probability_keeps_its_digits():
    # Phi(-10), 7.619853024160527e-24: Abramowitz & Stegun 26.2 asymptotics; value from memory
    assert probability_above(400, 1, 410) == pytest.approx(7.619853024160527e-24, rel=1e-12)
    assert probability_within(400, 1, 410, 420) == pytest.approx(7.619853024160527e-24, rel=1e-12)
    assert probability_within(430, 1, 410, 420) == pytest.approx(7.619853024160527e-24, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "above", "below", "within"),
    [(399.9, 0, 1, 0), (400, 0, 0, 1), (405, 1, 0, 1), (410, 1, 0, 1), (410.1, 1, 0, 0)],
)
def test_without_uncertainty_the_probability_is_nought_or_one(value, above, below, within):
    assert probability_above(value, 0, 400) == above
    assert probability_below(value, 0, 400) == below
    assert probability_within(value, 0, 400, 410) == within


@given(
    st.floats(-1e3, 1e3), st.floats(1e-3, 1e2), st.floats(-1e3, 1e3), st.floats(0, 1e3)
)  # fmt: skip
def test_below_within_and_above_share_out_all_probability(value, u, lower, width):
    upper = lower + width
    shares = (
        probability_below(value, u, lower),
        probability_within(value, u, lower, upper),
        probability_above(value, u, upper),
    )
    assert all(0 <= share <= 1 for share in shares)
    assert sum(shares) == pytest.approx(1, abs=1e-12)


def test_a_rim_within_a_guard_band_of_its_limit_is_undecided():
    limits = Decimal(390), Decimal(410)
    assert verdict(Decimal("409.177"), 0.5, *limits) == "conforms"
    assert verdict(Decimal("409.178"), 0.5, *limits) == "undecided"
    assert verdict(Decimal("410.822"), 0.5, *limits) == "undecided"
    assert verdict(Decimal("410.823"), 0.5, *limits) == "does-not-conform"
    assert verdict(Decimal("389"), 0.5, *limits) == "does-not-conform"


def test_exactly_the_guard_band_away_is_decided():
    # 1.645 × 0.2 is 0.329 as decimals, though not as doubles
    assert verdict(Decimal("409.671"), 0.2, None, Decimal(410)) == "conforms"
    assert verdict(Decimal("410.329"), 0.2, None, Decimal(410)) == "does-not-conform"
    assert verdict(Decimal("390.329"), 0.2, Decimal(390), None) == "conforms"


def test_without_uncertainty_a_value_equal_to_its_limit_conforms():
    assert verdict(Decimal("410.0"), 0, Decimal(390), Decimal(410)) == "conforms"
    assert verdict(Decimal("390"), 0, Decimal("390.00"), None) == "conforms"
    assert verdict(Decimal("410.000001"), 0, None, Decimal(410)) == "does-not-conform"


def test_the_guard_is_the_one_sided_95_percent_point():
    # 1.6449 in every table of the normal distribution; ISO 14253-1, conformance_two_sided.json
    guard = case("conformance_two_sided")["computed_here"]["guard_band_95"] / 1.1
    assert pytest.approx(guard, abs=2e-4) == GUARD


def test_bad_questions_are_refused_by_name():
    with pytest.raises(ValueError, match="uncertainty must be finite and not negative: -1"):
        probability_above(1, -1, 2)
    with pytest.raises(ValueError, match="uncertainty must be finite and not negative: nan"):
        verdict(Decimal(1), float("nan"), None, Decimal(2))
    with pytest.raises(ValueError, match="must not be above the upper one: 3 > 2"):
        probability_within(1, 1, 3, 2)
    with pytest.raises(ValueError, match="needs a lower or an upper limit: none given for 1"):
        verdict(Decimal(1), 1, None, None)


def test_judging_a_part_loads_no_numerical_library():
    code = "import sys, qc.statistics.conformity; print({'numpy', 'scipy'} & set(sys.modules))"
    run = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert run.stdout.strip() == "set()"
