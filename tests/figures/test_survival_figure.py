"""The survival curve of impact tests as a picture."""

from typing import Any

import pytest

from qc.figures import survival
from qc.figures.look import COLOURS


def group(**other: Any) -> dict[str, Any]:
    found = {
        "protocol": "hits", "model": "K40", "stage": "rim", "required_multiple": 3,
        "standard_energy_j": 40,
        "survival": [
            {"multiple": 1, "survive": 1.0, "lower": 0.8, "upper": 1.0},
            {"multiple": 3, "survive": 0.75, "lower": 0.5, "upper": 0.9},
            {"multiple": 5, "survive": None, "lower": 0.0, "upper": 0.9},
        ],
        "fit": {"curve": [{"multiple": 2.5, "survive": 0.9, "lower": 0.6}]},
        "bears_90": [{"confidence": 0.9, "multiple": 1.239}, {"confidence": 0.95, "multiple": 1.1}],
    }  # fmt: skip
    return found | other


def test_the_title_says_what_90_percent_survive_with_the_higher_confidence() -> None:
    assert survival.title(group()) == (
        "Survival of K40 rims: 90 % survive at least 1.1 × the standard (95 % confidence)"
    )
    only = [{"confidence": 0.9, "multiple": 1.239}, {"confidence": 0.95, "multiple": None}]
    assert "at least 1.23 × the standard (90 %" in survival.title(group(bears_90=only))
    nothing = [{"confidence": 0.9, "multiple": None}]
    assert "too little is known" in survival.title(group(bears_90=nothing))


def test_the_curve_ends_where_no_part_was_tested_further_and_the_band_goes_on() -> None:
    traces = {trace.name: trace for trace in survival.figure(group()).data}
    assert max(traces["survive, from the tests alone"].x) == 3
    assert max(traces["its 95 % limits, at each multiple"].x) == 5
    assert len({trace.line.dash for trace in traces.values()}) == 4


def test_the_standard_and_the_requirement_are_marked_on_the_curve() -> None:
    figure = survival.figure(group())
    assert [shape.x0 for shape in figure.layout.shapes] == [1, 3]
    assert [note.text for note in figure.layout.annotations] == ["the standard: 1", "required: 3"]


@pytest.mark.parametrize("look", COLOURS)
def test_the_curve_is_in_our_look_with_units(look: str) -> None:
    layout = survival.figure(group(), look).layout
    assert layout.template.layout.paper_bgcolor == COLOURS[look].ground
    assert layout.xaxis.title.text == "× standard impact (40 J)"
    assert layout.yaxis.title.text == "Parts that survive, %"


def test_without_a_fit_and_without_tests_the_figure_says_so() -> None:
    names = [trace.name for trace in survival.figure(group(fit=None)).data]
    assert not any("fitted" in name for name in names)
    bare = survival.figure(group(survival=[], fit=None, bears_90=[]))
    assert "No part drawn at random" in bare.layout.annotations[0].text.replace("<br>", " ")


def test_the_curve_is_told_in_words() -> None:
    assert "75 % survive 3 × (95 % limits 50 to 90 %)" in survival.alt_text(group())
