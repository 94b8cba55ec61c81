"""The examples in the docstrings of the charts, run lengths and indices hold."""

import doctest
import importlib

import pytest

MODULES = (
    *("attribute_charts", "capability", "change_point", "chart_constants", "chart_design"),
    *("cusum", "multiple_testing", "process_capability", "run_length", "run_rule_arl"),
    *("run_rules", "self_starting", "skewed_capability", "subgroup_charts", "three_way_chart"),
)


@pytest.mark.parametrize("module", MODULES)
def test_the_examples_give_what_they_show(module):
    outcome = doctest.testmod(importlib.import_module(f"qc.statistics.{module}"))
    assert outcome.attempted > 0
    assert outcome.failed == 0
