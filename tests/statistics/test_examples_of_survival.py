"""The examples in the docstrings are true."""

import doctest
import importlib

import pytest

MODULES = [
    "basis_values",
    "censoring",
    "demonstration",
    "distribution_free",
    "kaplan_meier",
    "life_fit",
    "proportions",
    "staircase",
    "turnbull",
    "two_batches",
    "weibayes",
]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_a_docstring_give_what_they_show(name):
    module = importlib.import_module(f"qc.statistics.{name}")
    failed, tried = doctest.testmod(module)
    assert tried > 0
    assert failed == 0
