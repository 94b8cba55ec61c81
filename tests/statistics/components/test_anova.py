"""One-way and crossed analysis of variance against certified sums of NIST and the pin diameters."""

import csv
import json
import math
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.statistics.components.anova import crossed_anova, one_way_anova

REFERENCE = Path(__file__).parents[2] / "reference"


def published(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def rows(name):
    with (REFERENCE / f"{name}.csv").open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("name", ["sirstv", "smls04", "smls07"])
def test_every_certified_digit_comes_out_even_at_a_level_of_a_million_million(name):
    # NIST Statistical Reference Datasets, analysis of variance: fifteen certified digits
    case = published(f"strd_{name}")
    if "data" in case:
        groups, values = case["data"]["group"], case["data"]["y"]
    else:
        data = rows(f"strd_{name}")
        groups, values = [r["group"] for r in data], [float(r["y"]) for r in data]
    table, certified = one_way_anova(values, groups), case["published"]
    assert [table.between.dof, table.within.dof] == certified["df"]
    for got, key in (
        (table.between.ss, "ss_between"),
        (table.within.ss, "ss_within"),
        (table.between.ms, "ms_between"),
        (table.within.ms, "ms_within"),
        (table.f, "F"),
        (table.r_squared, "r2"),
        (table.residual_sd, "residual_sd"),
    ):
        if key in certified:
            assert got == pytest.approx(float(certified[key]), rel=2e-14), key


def test_the_pins_of_five_machines_have_the_handbook_analysis():
    # NIST/SEMATECH e-Handbook 3.2.3.1; its F of 4.86 comes from rounded mean squares
    data = [r for r in rows("nist_pins_anova") if r["coolant_or_operator"] == "A"]
    table = one_way_anova([Decimal(r["diameter"]) for r in data], [r["machine"] for r in data])
    exact = published("nist_pins_anova")["computed_here"]["one_way"]
    assert [table.between.ss, table.within.ss] == pytest.approx(exact["ss"], rel=1e-12)
    assert table.f == pytest.approx(exact["F"], rel=1e-9)
    assert table.p == pytest.approx(exact["p"], rel=1e-9)


def test_machine_and_coolant_of_the_pins_are_crossed_as_in_the_handbook():
    # NIST/SEMATECH e-Handbook 3.2.3.2
    data = rows("nist_pins_anova")
    table = crossed_anova(
        [float(r["diameter"]) for r in data],
        rows=[r["machine"] for r in data],
        columns=[r["coolant_or_operator"] for r in data],
    )
    case = published("nist_pins_anova")
    exact = case["computed_here"]["crossed"]
    sources = (table.rows, table.columns, table.interaction, table.residual)
    assert [s.ss for s in sources] == pytest.approx(exact["ss"], rel=1e-9)
    ratios = [s.ms / table.residual.ms for s in sources[:3]]
    assert ratios == pytest.approx(exact["F"], rel=1e-9)
    for got, printed in zip(ratios, case["published"]["crossed"]["F"], strict=True):
        assert got == pytest.approx(printed, abs=0.05 if printed > 1 else 0.005)


@given(
    st.lists(
        st.tuples(st.sampled_from("ABC"), st.integers(-1000, 1000)), min_size=4, max_size=30
    ).filter(lambda pairs: len({group for group, _ in pairs}) > 1),
    st.integers(-(10**12), 10**12),
)
def test_a_level_added_to_every_reading_changes_no_sum_of_squares(pairs, level):
    groups, values = [g for g, _ in pairs], [v / 8 for _, v in pairs]
    plain = one_way_anova(values, groups)
    raised = one_way_anova([Decimal(v) + level for v in values], groups)
    assert (raised.between, raised.within) == (plain.between, plain.within)
    mean = math.fsum(values) / len(values)
    total = math.fsum((v - mean) ** 2 for v in values)
    assert plain.total.ss == pytest.approx(total, rel=1e-9, abs=1e-9)


def test_what_does_not_vary_gets_a_decided_answer():
    equal = one_way_anova([5, 5, 5, 5], "AABB")
    assert math.isnan(equal.f)
    assert math.isnan(equal.p)
    assert math.isnan(equal.r_squared)
    sharp = one_way_anova([5, 5, 6, 6], "AABB")
    assert sharp.f == math.inf
    assert sharp.p == 0
    single = one_way_anova([5, 6], "AB")
    assert single.within.dof == 0
    assert math.isnan(single.f)
    assert math.isnan(single.residual_sd)


def test_bad_tables_are_refused():
    with pytest.raises(ValueError, match="groups must be at least 2: got 1"):
        one_way_anova([1, 2], "AA")
    with pytest.raises(ValueError, match="one label per value: 3 for 2"):
        one_way_anova([1, 2], "AAB")
    with pytest.raises(ValueError, match="finite numbers: got NaN at index 1"):
        one_way_anova([1, math.nan], "AB")
    with pytest.raises(ValueError, match="rows must be at least 2: got 1"):
        crossed_anova([1, 2], rows="AA", columns="XY")
    with pytest.raises(ValueError, match="same number of values: got 0 to 1"):
        crossed_anova([1, 2, 3], rows="AAB", columns="XYX")
    with pytest.raises(ValueError, match="2 and 1 for 2"):
        crossed_anova([1, 2], rows="AB", columns="X")
