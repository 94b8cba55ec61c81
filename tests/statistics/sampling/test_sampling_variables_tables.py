"""Plans by variables against the printed tables, and against the rule that the tables follow."""

import csv
from pathlib import Path

import pytest

from qc.statistics.sampling.risks import SingleSampling
from qc.statistics.sampling.variables import VariablesPlan
from qc.statistics.sampling.variables_tables import (
    AQLS,
    ansi_z1_9_plan,
    iso_3951_1_plan,
    mil_std_414_letter,
    mil_std_414_plan,
)

REFERENCE = Path(__file__).parents[2] / "reference"


def test_every_k_of_the_reprinted_table_is_the_printed_one():
    # table B-1 (s method) with the successor's letters; 2.5 and 4.0 from G on are from memory
    with (REFERENCE / "ts-variables-k-smethod.csv").open(newline="") as file:
        data = list(csv.DictReader(file))
    for place, row in enumerate(data):
        for aql in ("0.65", "1.0", "1.5", "2.5", "4.0"):
            # an arrow: the first plan below, with its own sample size
            held = next(r for r in data[place:] if r[f"k_aql_{aql}"])
            plan = ansi_z1_9_plan(letter=row["code_letter"], aql=float(aql))
            assert plan == VariablesPlan(int(held["n"]), float(held[f"k_aql_{aql}"]))


def test_a_textbook_lot_has_its_textbook_plans():
    # Montgomery, Introduction to Statistical Quality Control, from memory: a lot of 100 000 at
    # level IV and AQL 1 % has letter O, n 100, k 2.00, tightened 2.14
    letter = mil_std_414_letter(100_000)
    assert letter == "O"
    assert mil_std_414_plan(letter=letter, aql=1.0) == VariablesPlan(100, 2.00)
    tightened = mil_std_414_plan(letter=letter, aql=1.0, severity="tightened")
    assert tightened == VariablesPlan(100, 2.14)


# letter, sample size, chance of acceptance at the AQL
CHANCE_AT_AQL = [
    ("B", 3, 0.89), ("C", 4, 0.90), ("D", 5, 0.90), ("E", 7, 0.90), ("F", 10, 0.90),
    ("G", 15, 0.91), ("H", 20, 0.92), ("I", 25, 0.93), ("J", 30, 0.94), ("K", 35, 0.94),
    ("L", 40, 0.95), ("M", 50, 0.95), ("N", 75, 0.96), ("O", 100, 0.97), ("P", 150, 0.98),
    ("Q", 200, 0.99),
]  # fmt: skip


def test_the_table_accepts_its_aql_equally_often_along_a_row():
    # second road to every k: a whole row from one number
    for letter, n, chance in CHANCE_AT_AQL:
        plans = {aql: mil_std_414_plan(letter=letter, aql=aql) for aql in AQLS}
        own = {aql: plan for aql, plan in plans.items() if plan.n == n}
        assert len(own) >= 5
        for aql, plan in own.items():
            assert float(plan.acceptance(aql / 100)) == pytest.approx(chance, abs=0.0065)


def test_code_letters_step_at_the_lot_sizes_of_the_standard():
    # table A-2, from memory
    sizes = (8, 15, 25, 40, 65, 110, 180, 300, 500, 800, 1300, 3200, 8000, 22_000, 110_000)
    assert "".join(mil_std_414_letter(size) for size in sizes) == "BBCDEFGHIJKLMNO"
    assert "".join(mil_std_414_letter(size + 1) for size in sizes) == "BCDEFGHIJKLMNOP"
    assert mil_std_414_letter(40, "V") == "F"
    assert mil_std_414_letter(40, "I") == "B"


def test_arrows_lead_down_to_a_larger_sample():
    assert mil_std_414_plan(letter="B", aql=0.04) == VariablesPlan(15, 2.64)
    assert mil_std_414_plan(letter="B", aql=0.65) == VariablesPlan(5, 1.65)


def test_iso_3951_1_has_its_own_sizes_and_says_where_k_comes_from():
    plan = iso_3951_1_plan(lot_size=60, aql=1.0)
    assert (plan.letter, plan.variables) == ("E", VariablesPlan(9, 1.696))
    assert (plan.attributes, plan.k_is) == (SingleSampling(13, 0), "recalled")
    other = iso_3951_1_plan(lot_size=400, aql=1.0)
    assert (other.letter, other.variables.n, other.k_is) == ("H", 25, "computed")
    assert other.attributes == SingleSampling(50, 1)
    want = float(other.attributes.acceptance(0.01))
    assert float(other.variables.acceptance(0.01)) == pytest.approx(want, abs=5e-4)


def test_a_recalled_k_of_iso_3951_1_follows_the_curve_of_its_partner():
    # from memory; the two curves must stay together from good lots to bad ones
    for aql in (0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0):
        plan = iso_3951_1_plan(lot_size=2, aql=aql) if aql == 4.0 else _none_found(aql)
        if plan.k_is == "recalled":
            for chance in (0.9, 0.75, 0.5, 0.25):
                at = float(plan.attributes.fraction_at(chance))
                assert float(plan.variables.acceptance(at)) == pytest.approx(chance, abs=0.085)


def _none_found(aql):
    """The plan of ISO 3951-1 whose partner accepts with none found."""
    for lot in (9, 16, 30, 60, 100, 200, 400, 1000, 2000):
        plan = iso_3951_1_plan(lot_size=lot, aql=aql)
        if plan.k_is == "recalled":
            return plan
    raise AssertionError(aql)


def test_a_small_lot_is_measured_whole():
    plan = iso_3951_1_plan(lot_size=5, aql=1.0)
    assert (plan.variables.n, plan.k_is) == (5, "computed")


def test_what_no_table_by_variables_holds_is_refused():
    with pytest.raises(ValueError, match=r"letter must be one of B, .*, Q: 'A'"):
        mil_std_414_plan(letter="A", aql=1.0)
    with pytest.raises(ValueError, match=r"letter must be one of B, .*, P: 'Q'"):
        ansi_z1_9_plan(letter="Q", aql=1.0)
    with pytest.raises(ValueError, match=r"aql must be one of 0\.04, .*, 15: 0\.05"):
        mil_std_414_plan(letter="B", aql=0.05)
    with pytest.raises(ValueError, match=r"aql must be one of 0\.065, .*: 0\.04"):
        mil_std_414_plan(letter="G", aql=0.04, severity="tightened")
    with pytest.raises(ValueError, match="severity must be normal or tightened: 'reduced'"):
        mil_std_414_plan(letter="B", aql=1.0, severity="reduced")
    with pytest.raises(ValueError, match="severity must be normal or tightened: 'reduced'"):
        iso_3951_1_plan(lot_size=50, aql=1.0, severity="reduced")
    with pytest.raises(ValueError, match="aql must be above 0 and at most 10 per cent: 15"):
        iso_3951_1_plan(lot_size=50, aql=15)
    with pytest.raises(ValueError, match="lot_size must be a whole number from 3: 2"):
        mil_std_414_letter(2)
    with pytest.raises(ValueError, match="level must be one of I, II, III, IV, V: 'S-1'"):
        mil_std_414_letter(50, "S-1")
