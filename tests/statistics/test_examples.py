"""The examples in the docstrings are true."""

import doctest
import importlib
from pathlib import Path

import pytest

QC = Path(__file__).parents[2] / "qc"
WITH_EXAMPLES = [
    ".".join(module.relative_to(QC.parent).with_suffix("").parts)
    for module in sorted((QC / "statistics").rglob("*.py"))
    if ">>> " in module.read_text(encoding="utf-8")
]


def test_many_modules_show_an_example():
    assert len(WITH_EXAMPLES) > 15


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_the_examples_in_a_docstring_give_what_they_show(name):
    failed, tried = doctest.testmod(importlib.import_module(name))
    assert tried > 0
    assert failed == 0
