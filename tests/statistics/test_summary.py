"""Exact batch summaries, against the univariate reference data sets of NIST (StRD)."""

import csv
import json
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.statistics.summary import Summary, micro

REFERENCE = Path(__file__).parents[1] / "reference"

# micro takes six decimals, which all these data sets have at most
SETS = ["numacc1", "numacc2", "numacc3", "numacc4", "michelso", "lew", "pidigits"]


def summary_of(values):
    summary = Summary()
    for value in values:
        summary = summary.plus(micro(value))
    return summary


def reference(name):
    case = json.loads((REFERENCE / f"strd_{name}.json").read_text())
    if "data" in case:
        return case["data"]["y"], case["published"]
    with (REFERENCE / f"strd_{name}.csv").open(newline="") as file:
        return [float(row["y"]) for row in csv.DictReader(file)], case["published"]


@pytest.mark.parametrize("name", SETS)
def test_mean_and_spread_have_all_certified_digits(name):
    # certified values have 15 digits: NIST Statistical Reference Datasets, univariate
    values, published = reference(name)
    summary = summary_of(values)
    assert summary.n == published["n"]
    assert summary.mean == pytest.approx(float(published["mean"]), rel=2e-15)
    assert summary.sd == pytest.approx(float(published["sd"]), rel=6e-15)


@given(st.lists(st.decimals(-10_000, 10_000, places=6), min_size=1, max_size=30), st.randoms())
def test_the_order_of_weighings_never_changes_a_summary(values, random):
    shuffled = values.copy()
    random.shuffle(shuffled)
    assert summary_of(shuffled) == summary_of(values)


@given(
    st.lists(st.floats(-1e4, 1e4), max_size=10), st.lists(st.floats(-1e4, 1e4), max_size=10)
)  # fmt: skip
def test_taking_a_weighing_out_again_leaves_no_trace(kept, void):
    summary = summary_of(kept + void)
    for value in void:
        summary = summary.plus(micro(value), sign=-1)
    assert summary == summary_of(kept)


def test_a_batch_without_weighings_has_no_mean_and_one_weighing_no_spread():
    assert Summary().mean is None
    assert Summary().sd is None
    assert summary_of([412.5]).mean == 412.5
    assert summary_of([412.5]).sd is None
    assert summary_of([412.5, 412.5]).sd == 0


@pytest.mark.parametrize(
    ("value", "millionths"),
    [
        (Decimal("412.5"), 412_500_000),
        (412.1, 412_100_000),
        (Decimal("0.0000005"), 0),
        (Decimal("0.0000015"), 2),
        (Decimal("-0.0000025"), -2),
        (0.0000015, 2),
        (Decimal("1.00000050000000000000000000000000000001"), 1_000_001),
        (7, 7_000_000),
    ],
)
def test_a_value_is_rounded_once_and_half_to_even(value, millionths):
    assert micro(value) == millionths


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("NaN")])
def test_what_is_no_number_cannot_be_summed(value):
    with pytest.raises(ValueError, match="must be a finite number"):
        micro(value)
