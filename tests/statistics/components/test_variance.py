"""Components between and within batches, against certified analyses of variance."""

import csv
import json
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.components.variance import between_within
from qc.statistics.summary import Summary, micro

REFERENCE = Path(__file__).parents[2] / "reference"


def published(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def rows(name):
    with (REFERENCE / f"{name}.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def components(labels, values):
    """As a view would: a summary per batch, then number, mean and variance."""
    batches = {}
    for label, value in zip(labels, values, strict=True):
        batches[label] = batches.get(label, Summary()).plus(micro(value))
    held = batches.values()
    variances = [np.nan if batch.sd is None else batch.sd**2 for batch in held]
    return between_within([b.n for b in held], [b.mean for b in held], variances)


def check(parts, certified, rel):
    assert [parts.dof_between, parts.dof_within] == certified["df"]
    assert parts.ss_between == pytest.approx(float(certified["ss_between"]), rel=rel)
    assert parts.ss_within == pytest.approx(float(certified["ss_within"]), rel=rel)
    assert parts.ms_between == pytest.approx(float(certified["ms_between"]), rel=rel)
    assert parts.within_var == pytest.approx(float(certified["ms_within"]), rel=rel)
    assert parts.f == pytest.approx(float(certified["F"]), rel=rel)


def test_sirstv_has_its_certified_sums_and_ratio():
    # NIST StRD, one-way analysis of variance, SiRstv; means come as doubles of about 196
    case = published("strd_sirstv")
    check(components(case["data"]["group"], case["data"]["y"]), case["published"], 1e-11)


def test_smls04_keeps_nine_digits_though_seven_lead_the_data():
    # NIST StRD SmLs04: a level of 1,000,000 with a spread of 0.1, means as doubles
    data = rows("strd_smls04")
    parts = components([r["group"] for r in data], [Decimal(r["y"]) for r in data])
    check(parts, published("strd_smls04")["published"], 1e-9)


def test_smls07_is_right_once_its_level_is_taken_off():
    # NIST StRD SmLs07: at 1e12 a double has no more than three decimals left for a mean
    data = rows("strd_smls07")
    coded = [Decimal(r["y"]) - Decimal(10) ** 12 for r in data]
    parts = components([r["group"] for r in data], coded)
    check(parts, published("strd_smls07")["published"], 1e-13)


def test_pins_of_five_machines_have_the_handbook_sums():
    # NIST/SEMATECH e-Handbook 3.2.3.1; the page's F of 4.86 is a ratio of rounded mean squares
    data = [row for row in rows("nist_pins_anova") if row["coolant_or_operator"] == "A"]
    parts = components([r["machine"] for r in data], [Decimal(r["diameter"]) for r in data])
    case = published("nist_pins_anova")
    assert parts.ss_between == pytest.approx(case["published"]["one_way"]["ss_machine"], abs=5e-7)
    assert parts.ss_within == pytest.approx(case["published"]["one_way"]["ss_resid"], abs=5e-7)
    assert parts.f == pytest.approx(case["computed_here"]["one_way"]["F"], rel=1e-9)


def test_the_operator_component_of_the_pins_is_negative_and_shown_so():
    # same handbook, nested analysis: operators within machines differ less than their pins explain
    data = rows("nist_pins_anova")
    by_machine = {}
    for row in data:
        by_machine.setdefault(row["machine"], []).append(row)
    nested = [
        components([r["coolant_or_operator"] for r in part], [Decimal(r["diameter"]) for r in part])
        for part in by_machine.values()
    ]
    case = published("nist_pins_anova")["computed_here"]["nested"]
    between = sum(part.ss_between for part in nested)
    within = sum(part.ss_within for part in nested)
    assert between == pytest.approx(case["ss"][1], rel=1e-9)
    assert within == pytest.approx(case["ss"][2], rel=1e-9)
    # (3.72e-06 - 8.65e-06) / 5 pins an operator, the mean over the machines
    plain = np.mean([part.between_var for part in nested])
    assert plain == pytest.approx((case["ms"][1] - case["ms"][2]) / 5, rel=1e-9)
    assert min(part.between_var_clipped for part in nested) == 0


def test_unequal_batches_count_by_the_usual_size_of_searle():
    # n0 = (N - Σn²/N)/(k - 1); with sizes 2, 4, 6: (12 - 56/12)/2. Searle et al. 1992, 3.6
    parts = between_within([2, 4, 6], [410.0, 412.0, 415.0], [1.0, 2.0, 3.0])
    assert parts.usual_n == pytest.approx((12 - 56 / 12) / 2, rel=1e-15)
    assert parts.within_var == pytest.approx((1 + 3 * 2 + 5 * 3) / 9, rel=1e-15)
    wanted = (parts.ms_between - parts.within_var) / parts.usual_n
    assert parts.between_var == pytest.approx(wanted, rel=1e-15)


def test_the_components_are_found_again_in_simulated_batches():
    rng = np.random.default_rng(20)
    sizes = rng.integers(2, 20, 4000)
    means = 400 + 3 * rng.standard_normal(4000) + 2 * rng.standard_normal(4000) / np.sqrt(sizes)
    variances = 4 * rng.chisquare(sizes - 1) / (sizes - 1)
    parts = between_within(sizes, means, variances)
    # standard errors of about 0.22 and 0.03 at this number of batches
    assert parts.between_var == pytest.approx(9, abs=0.7)
    assert parts.within_var == pytest.approx(4, abs=0.1)


def test_batches_of_one_part_leave_the_spread_within_unknown():
    parts = between_within([1, 1, 1], [1.0, 2.0, 3.0], [np.nan] * 3)
    assert parts.ms_between == pytest.approx(1)
    assert parts.dof_within == 0
    assert np.isnan([parts.within_var, parts.between_var, parts.f]).all()


def test_bad_batches_are_refused():
    with pytest.raises(ValueError, match="at least 2 batches"):
        between_within([3], [1.0], [1.0])
    with pytest.raises(ValueError, match=r"got shapes \(2,\), \(3,\), \(2,\)"):
        between_within([3, 3], [1.0, 2.0, 3.0], [1.0, 1.0])
    with pytest.raises(ValueError, match="at least 1 value: got 0"):
        between_within([3, 0], [1.0, 2.0], [1.0, 1.0])
