"""Figures of plans and gauge studies: a finding as title, units on axes, no colour alone."""

from decimal import Decimal

import pytest

from qc.figures import plan, study
from qc.figures.look import COLOURS, MOST_POINTS
from qc.views.plan import aql_plan, reliability_plan
from qc.views.study import study as answer
from qc.views.study_file import Reading


def proof(lot_size=30):
    return reliability_plan(
        reliability=0.9, confidence=0.95, failures=0, lot_size=lot_size, test="strike"
    )


def by_value():
    return aql_plan(
        lot_size=60, aql=Decimal(1), level="II", severity="normal", standard="iso-3951-1",
        test="weigh",
    )  # fmt: skip


def readings(parts=4, inspectors="AB", repeats=2):
    return [
        Reading(0, f"P{p}", i, k, Decimal(10 * p + k) + (i == "B"))
        for p in range(parts) for i in inspectors for k in range(repeats)
    ]  # fmt: skip


@pytest.mark.parametrize("look", COLOURS)
@pytest.mark.parametrize("made", [proof(), proof(None), by_value()])
def test_the_risks_have_a_finding_units_and_a_mark_where_the_lot_should_be(made, look):
    drawn = plan.figure(made, look)
    assert drawn.layout.title.text.startswith(plan.title(made)[:40])
    assert drawn.layout.xaxis.title.text == "Bad parts in the lot, %"
    assert drawn.layout.yaxis.title.text == "Lots accepted, %"
    assert drawn.data[0].y[0] == pytest.approx(100)
    words = [note.text for note in drawn.layout.annotations]
    assert any("10 %" in word or "1 %" in word for word in words)


def test_the_title_of_the_risks_says_what_is_missed_in_half_the_draws():
    assert plan.title(proof()) == (
        "Strike 15 of 30: with 3.3 % bad parts a lot is accepted in 50 of 100 draws"
    )
    assert "4 bad parts (13.3 %)" in plan.alt_text(proof())


@pytest.mark.parametrize("look", COLOURS)
def test_every_inspector_has_a_shape_and_every_reading_a_place(look):
    found = answer(readings(), unit="g")
    drawn = study.figure(found, look)
    marks = [trace for trace in drawn.data if trace.mode == "markers"]
    assert sum(len(trace.x) for trace in marks) == 2 * 16
    shapes = {trace.name: trace.marker.symbol for trace in marks}
    assert len(set(shapes.values())) == 2
    assert drawn.layout.yaxis.title.text == "Reading, g"
    assert drawn.layout.title.text == study.title(found)
    assert "part P0, A, repeat 0: 0 g" in marks[0].text


def test_the_study_in_words_names_the_means_of_the_inspectors():
    found = answer(readings(), unit="g")
    assert study.alt_text(found).endswith("Means of the inspectors: A 15.5 g, B 16.5 g.")
    assert "4 parts, 2 inspectors, 2 repeats" in study.alt_text(found)


def test_a_large_study_draws_no_smear():
    found = answer(readings(parts=400, inspectors="ABCDEFGH"))
    drawn = study.figure(found)
    for trace in drawn.data:
        assert len(trace.x) <= MOST_POINTS // 2
