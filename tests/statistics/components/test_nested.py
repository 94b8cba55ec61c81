"""Nested components: the pins of the handbook, and unequal numbers against plain linear algebra."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.components.anova import one_way_anova
from qc.statistics.components.nested import nested_components
from qc.statistics.components.variance import between_within

REFERENCE = Path(__file__).parents[2] / "reference"


@pytest.fixture
def pins():
    with (REFERENCE / "nist_pins_anova.csv").open(newline="") as file:
        data = list(csv.DictReader(file))
    return nested_components(
        [float(r["diameter"]) for r in data],
        {
            "machine": [r["machine"] for r in data],
            "operator": [r["coolant_or_operator"] for r in data],
        },
    )


def test_operators_within_machines_have_the_handbook_analysis(pins):
    # NIST/SEMATECH e-Handbook 3.2.3.3: sums .000303, .0000186, .000346, F of operators 0.43
    case = json.loads((REFERENCE / "nist_pins_anova.json").read_text())["computed_here"]["nested"]
    assert [source.ss for source in pins.sources] == pytest.approx(case["ss"], rel=1e-9)
    assert [source.ms for source in pins.sources] == pytest.approx(case["ms"], rel=1e-9)
    assert pins.f("operator") == pytest.approx(case["F_operator_vs_residual"], rel=1e-9)
    assert pins.f("machine") == pytest.approx(case["F_machine_vs_operator"], rel=1e-9)
    assert pins.components["machine"] == pytest.approx(case["varcomp"]["machine"], rel=1e-9)
    assert pins.components["residual"] == pytest.approx(case["varcomp"]["residual"], rel=1e-9)


def test_a_negative_operator_component_is_shown_and_counts_as_none(pins):
    # (3.72e-06 - 8.65e-06) / 5 pins an operator
    assert pins.components["operator"] == pytest.approx(-9.86e-7, rel=1e-9)
    assert pins.sds["operator"] == 0
    assert pins.interval("operator").lower == 0


def test_batch_part_and_repeat_of_equal_numbers_follow_the_textbook_differences():
    # Searle et al. 1992, chapter 3: MS differences over the numbers below a unit
    rng = np.random.default_rng(3)
    batch, part = np.repeat(np.arange(6), 8), np.tile(np.repeat(np.arange(4), 2), 6)
    values = rng.normal(412, 3, 6)[batch] + rng.normal(0, 2, (6, 4))[batch, part]
    values = values + rng.normal(0, 0.5, 48)
    table = nested_components(values, {"batch": batch.tolist(), "part": part.tolist()})
    ms = [source.ms for source in table.sources]
    assert [source.dof for source in table.sources] == [5, 18, 24]
    assert table.units == (6, 24, 48)
    assert table.balanced
    assert table.components == pytest.approx(
        {"batch": (ms[0] - ms[1]) / 8, "part": (ms[1] - ms[2]) / 2, "residual": ms[2]}, rel=1e-10
    )


def test_unequal_numbers_have_the_expectations_that_linear_algebra_gives():
    # second road: trace of the projections, E(y'Qy) = Σ σ²·tr(Q Z Z')
    rng = np.random.default_rng(1)
    batch, part = [], []
    for b in range(4):
        for p in range(rng.integers(1, 4)):
            repeats = rng.integers(1, 5)
            batch += [b] * repeats
            part += [p] * repeats
    cells = sorted(set(zip(batch, part, strict=True)))
    z1 = np.array([[b == k for k in range(4)] for b in batch], dtype=float)
    z2 = np.array([[c == k for k in cells] for c in zip(batch, part, strict=True)], dtype=float)
    n = len(batch)
    onto = [z @ np.linalg.pinv(z) for z in (np.ones((n, 1)), z1, z2)] + [np.eye(n)]
    values = rng.normal(size=n)
    table = nested_components(values, {"batch": batch, "part": part})
    assert not table.balanced
    mean_squares = []
    for i in range(3):
        q = onto[i + 1] - onto[i]
        dof = np.trace(q)
        want = [np.trace(q @ v) / dof for v in (z1 @ z1.T, z2 @ z2.T, np.eye(n))]
        assert table.expectations[i] == pytest.approx(want, abs=1e-12)
        assert table.sources[i].ss == pytest.approx(values @ q @ values, rel=1e-10)
        mean_squares.append(values @ q @ values / dof)
    solved = np.linalg.solve(np.array(table.expectations), mean_squares)
    assert list(table.components.values()) == pytest.approx(solved, rel=1e-10)


def test_one_level_is_the_one_way_analysis_and_its_moments():
    values, groups = [410.0, 411.0, 413.5, 412.0, 415.0, 414.0], "AABBBC"
    table = nested_components(values, {"batch": groups})
    plain = one_way_anova(values, groups)
    assert table.sources == (plain.between, plain.within)
    held = [[values[i] for i in range(6) if groups[i] == g] for g in "ABC"]
    variances = [np.var(g, ddof=1) if len(g) > 1 else np.nan for g in held]
    moments = between_within([len(g) for g in held], [np.mean(g) for g in held], variances)
    assert table.components["batch"] == pytest.approx(moments.between_var, rel=1e-12)
    assert table.p("batch") == pytest.approx(plain.p, rel=1e-12)


def test_batches_of_single_parts_leave_their_components_unknown():
    table = nested_components([1, 2, 4], {"batch": "ABC", "part": "111"})
    assert all(math.isnan(variance) for variance in table.components.values())
    assert math.isnan(table.sds["batch"])
    assert math.isnan(table.interval("residual").lower)
    assert math.isnan(table.interval("part").upper)


def test_limits_of_the_residual_are_the_exact_ones(pins):
    # 40 degrees of freedom, χ² points 24.433 and 59.342 of every table
    lower, upper = pins.interval("residual")
    assert lower == pytest.approx(0.000346 / 59.342, rel=2e-5)
    assert upper == pytest.approx(0.000346 / 24.433, rel=2e-5)


def test_bad_levels_are_refused(pins):
    with pytest.raises(ValueError, match="levels must be at least 1, none named residual"):
        nested_components([1, 2], {"residual": "AB"})
    with pytest.raises(ValueError, match="batch must have one label per value: 3, 2"):
        nested_components([1, 2], {"batch": "ABC"})
    with pytest.raises(ValueError, match="values must be at least 1: got 0"):
        nested_components([], {"batch": ""})
    with pytest.raises(ValueError, match="level must be one of machine, operator, residual: 'day'"):
        pins.f("day")
    with pytest.raises(ValueError, match="nothing inside it"):
        pins.f("residual")
    with pytest.raises(ValueError, match="limits for batch need equal numbers"):
        nested_components([1, 2, 3], {"batch": "AAB"}).interval("batch")
