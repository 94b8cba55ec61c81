"""Adjusted p-values against Benjamini & Hochberg (1995), section 3.2."""

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.statistics.multiple_testing import benjamini_hochberg, bonferroni, hochberg, holm

REFERENCE = Path(__file__).parents[1] / "reference"
CASE = json.loads((REFERENCE / "benjamini_hochberg_1995.json").read_text())
P = CASE["data"]["p"]
ALL = (benjamini_hochberg, hochberg, holm, bonferroni)


def test_the_papers_fifteen_comparisons_are_adjusted_and_rejected_as_printed():
    exact, printed, level = CASE["computed_here"], CASE["published"], CASE["inputs"]["q"]
    np.testing.assert_allclose(benjamini_hochberg(P).adjusted, exact["bh_adjusted"], atol=1e-10)
    np.testing.assert_allclose(holm(P).adjusted, exact["holm_adjusted"], atol=1e-10)
    np.testing.assert_allclose(bonferroni(P).adjusted, exact["bonferroni_adjusted"], atol=1e-10)
    assert benjamini_hochberg(P).rejected(level).sum() == printed["bh_rejected"]
    assert bonferroni(P).rejected(level).sum() == printed["bonferroni_rejected"]
    assert hochberg(P).rejected(level).sum() == printed["hochberg_rejected"]
    assert holm(P).rejected(level).sum() == exact["holm_rejected"]


@pytest.mark.parametrize("method", ALL)
def test_the_order_of_the_tests_does_not_matter(method):
    order = np.random.default_rng(1).permutation(len(P))
    shuffled = method(np.array(P)[order])
    np.testing.assert_array_equal(shuffled.adjusted, method(P).adjusted[order])


@settings(deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=5))
def test_holm_is_bonferroni_on_every_subset(p):
    # closed testing: a hypothesis is rejected if every intersection that holds it is (Holm 1979)
    adjusted = holm(p).adjusted
    subsets = [
        set(c) for m in range(1, len(p) + 1) for c in itertools.combinations(range(len(p)), m)
    ]
    for i in range(len(p)):
        worst = max(min(len(s) * min(p[j] for j in s), 1.0) for s in subsets if i in s)
        assert adjusted[i] == pytest.approx(worst, abs=1e-12)


@settings(deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_each_method_is_bolder_than_the_next_and_none_shrinks_a_p_value(p):
    adjusted = [method(p).adjusted for method in ALL]
    for bolder, shyer in itertools.pairwise(adjusted):
        assert (bolder <= shyer + 1e-12).all()
    assert (adjusted[0] >= np.array(p) - 1e-12).all()
    assert (adjusted[-1] <= 1).all()


def test_no_tests_give_no_answers():
    assert holm([]).rejected().size == 0


@pytest.mark.parametrize("p", [[0.1, 1.2], [-0.1], [np.nan], [[0.1]]])
def test_bad_p_values_are_refused(p):
    with pytest.raises(ValueError, match="p_values must be a row of numbers from 0 to 1"):
        benjamini_hochberg(p)
    with pytest.raises(ValueError, match="level must lie between 0 and 1: 0"):
        holm([0.1]).rejected(0)
