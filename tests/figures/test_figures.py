"""Figures: the title states the finding, axes have units, points are few, no colour is alone."""

import math
from typing import Any

import plotly.graph_objects as go
import plotly.io as pio
import pytest

from qc.figures import claim, drift, margin, turn
from qc.figures.look import COLOURS, MOST_POINTS
from qc.figures.words import amount, signed
from tests.figures.claim_rows import answer, batches_of, rim


def hits(number: int, survived: float, failed: float | None, *marks: str) -> dict[str, Any]:
    return {
        "test": f"T{number}", "serial": f"K-{number}", "batch": "B1", "survived": survived,
        "failed": failed, "damaged": failed is not None, "first_damage": 3 if failed else None,
        "marks": list(marks), "drawn": "random", "started_at": "2026-03-02T08:00:00Z",
    }  # fmt: skip


def group_of(*tests: dict[str, Any]) -> dict[str, Any]:
    return {
        "protocol": "hits", "model": "K40", "stage": "rim", "method": "repeat",
        "required_multiple": 3, "standard_energy_j": 40, "tests": list(tests),
    }  # fmt: skip


def stream(means: list[float], **other: Any) -> dict[str, Any]:
    batches = [
        {"batch": f"B{i:03}", "made_on": "2026-03-01", "n": 3, "mean": mean, "sd": 1.0,
         "lower": 426.0, "upper": 434.0, "ewma": None, "ewma_lower": None, "ewma_upper": None}
        for i, mean in enumerate(means)
    ]  # fmt: skip
    return {
        "model": "K40", "stage": "rim", "characteristic": "bare-mass", "batches": batches,
        "baseline": [batch["batch"] for batch in batches[:12]], "centre": 430.0, "sigma": 1.0,
        "signals": [], "change": None, "factors": [], "unit": "g",
    } | other  # fmt: skip


MOVED = stream(
    [430.0] * 12 + [438.0] * 3,
    signals=[{"batch": "B012", "rule": "beyond-limits", "value": 438.0, "lower": 426.0,
              "upper": 434.0}],
    change={"first_batch": "B012", "shift": 8.0, "lower": 5.0, "upper": 11.0},
)  # fmt: skip
TURN = {
    "stage": "rim", "direction": "lateral",
    "readings_mm": [0.1, 0.08, 0.04, 0.0, -0.05, -0.08, -0.1, -0.09, -0.05, 0.0, 0.05, 0.09] * 3,
}  # fmt: skip

ONCE = TURN | {"readings_mm": [0.1 * math.cos(math.radians(10 * i - 40)) for i in range(36)]}
BUMP = {"stage": "rim", "direction": "radial", "readings_mm": [0.3 * (i == 9) for i in range(36)]}


def points(figure: go.Figure) -> int:
    return sum(len(trace.r if trace.type == "scatterpolar" else trace.x) for trace in figure.data)


def test_the_margin_title_counts_tests_that_fell_short_of_the_requirement() -> None:
    group = group_of(hits(1, 3, 4), hits(2, 2, 3), hits(3, 0, 1), hits(4, 0, 1, "struck-before"))
    assert margin.title(group) == (
        "hits on K40 rims: 2 of 3 tests did not reach the required 3 × the standard, "
        "1 of them not even the standard"
    )


def test_a_test_that_stopped_is_an_open_arrow_and_a_struck_part_stands_apart() -> None:
    group = group_of(hits(1, 3, 4), hits(2, 5, None), hits(3, 2, 3, "struck-before"))
    symbols = {t.name: t.marker.symbol for t in margin.figure(group).data if t.mode == "markers"}
    assert len(set(symbols.values())) == len(symbols) == 3
    assert symbols["not failed when the test stopped"].endswith("-open")
    assert any("does not count" in name for name in symbols)


def test_the_margin_figure_marks_the_standard_and_the_requirement() -> None:
    figure = margin.figure(group_of(hits(1, 3, 4)))
    assert [shape.x0 for shape in figure.layout.shapes] == [1, 3]
    assert [note.text for note in figure.layout.annotations] == ["the standard: 1", "required: 3"]


def test_of_many_impact_tests_the_weakest_are_drawn() -> None:
    group = group_of(*(hits(n, 9 if n != 7 else 1, 10) for n in range(500)))
    figure = margin.figure(group)
    marks = next(trace for trace in figure.data if trace.mode == "markers")
    assert len(marks.x) == margin.MOST_TESTS
    assert min(marks.x) == 1


def test_the_drift_title_gives_the_shift_and_its_interval_with_unit() -> None:
    assert drift.title(MOVED) == (
        "Bare mass of K40 rims moved from batch B012 on: by +8 g when first seen "
        "(95 % interval +5 to +11)"
    )
    assert drift.since(MOVED) == (
        "The 3 batches since then (B012 to B014) lie +8 g from the baseline mean on average."
    )


def test_a_quiet_stream_and_a_young_one_say_so() -> None:
    assert drift.title(stream([430.0] * 26)).endswith("no sign of a move in 26 batches")
    assert drift.title(stream([430.0])).endswith("1 of the 8 batches that a comparison needs")


def test_drift_signals_have_a_shape_and_a_word_and_the_baseline_is_marked() -> None:
    figure = drift.figure(MOVED)
    signal = next(t for t in figure.data if t.name == "batch mean beyond its limits")
    assert signal.marker.symbol == "diamond-open"
    said = [note.text for note in figure.layout.annotations]
    assert said == ["baseline: 12 batches", "moved here: B012"]


def test_of_very_many_batches_the_newest_are_drawn() -> None:
    assert points(drift.figure(stream([430.0] * 20_000))) <= MOST_POINTS


def test_a_batch_left_out_of_the_baseline_is_not_shaded() -> None:
    odd = stream([430.0] * 14, baseline=[f"B{i:03}" for i in range(13) if i != 5])
    assert [(s.x0, s.x1) for s in drift.figure(odd).layout.shapes] == [(-0.5, 4.5), (5.5, 12.5)]


def test_an_arrow_points_to_where_the_turn_is_off_centre() -> None:
    arrow = turn.figure(ONCE | {"direction": "radial"}).data[-1]
    assert arrow.name.startswith("off centre by 0.10 mm, highest at 40°")
    assert arrow.r[0] == 0
    assert len(set(arrow.theta)) == 1


def test_a_bump_is_marked_and_its_turn_needs_no_arrow() -> None:
    names = [trace.name for trace in turn.figure(BUMP).data]
    assert names[-1] == "bump"
    assert not [name for name in names if name.startswith("off centre")]


def test_the_title_of_a_turn_says_what_makes_the_most_of_it() -> None:
    assert turn.title(ONCE).endswith("TIR 0.20 mm, form 0.00 mm, mostly once a turn")
    assert turn.title(BUMP).endswith("mostly one place")


def test_a_turn_of_very_many_readings_is_drawn_with_fewer() -> None:
    assert points(turn.figure(TURN | {"readings_mm": TURN["readings_mm"] * 200})) <= MOST_POINTS


def test_the_turn_starts_at_the_valve_hole_and_runs_clockwise() -> None:
    axis = turn.figure(TURN).layout.polar.angularaxis
    assert (axis.direction, axis.rotation, axis.ticktext[0]) == ("clockwise", 90, "valve hole")


def test_the_newest_trace_of_each_direction_is_drawn_as_corrected_and_no_void_one() -> None:
    old, new = TURN | {"taken_at": "1"}, TURN | {"taken_at": "2"}
    mended = TURN | {
        "direction": "radial",
        "standing": "corrected",
        "now": TURN | {"taken_at": "3"},
    }
    void = TURN | {"direction": "radial", "standing": "void"}
    assert [r["taken_at"] for r in turn.traces([old, new, void])] == ["2"]
    assert [r["taken_at"] for r in turn.traces([old, mended])] == ["3"]


FIGURES = {
    "claim": lambda look: claim.figure(batches_of([rim(1, 430)]), [rim(1, 430)], answer(), look),
    "margin": lambda look: margin.figure(group_of(hits(1, 3, 4)), look),
    "drift": lambda look: drift.figure(MOVED, look),
    "no claim rows": lambda look: claim.figure([], [], answer(), look),
    "no tests": lambda look: margin.figure(group_of(), look),
    "no batches": lambda look: drift.figure(stream([]), look),
    "turn": lambda look: turn.figure(TURN, look),
}


@pytest.mark.parametrize("look", COLOURS)
@pytest.mark.parametrize("name", FIGURES)
def test_every_figure_is_in_our_look_and_has_a_title(name: str, look: str) -> None:
    figure = FIGURES[name](look)
    assert figure.layout.template.layout.paper_bgcolor == COLOURS[look].ground
    assert figure.layout.title.text


@pytest.mark.parametrize(("name", "unit"), [("claim", ", g"), ("margin", "×"), ("drift", ", g")])
def test_every_axis_says_what_it_shows_with_its_unit(name: str, unit: str) -> None:
    layout = FIGURES[name]("light").layout
    assert unit in layout.yaxis.title.text + layout.xaxis.title.text
    assert layout.xaxis.title.text
    assert layout.yaxis.title.text


def test_our_templates_are_registered_and_leave_the_default_alone() -> None:
    assert {"rimqc-light", "rimqc-dark"} <= set(pio.templates)
    assert "rimqc" not in str(pio.templates.default)


def test_every_figure_has_words_for_who_cannot_see_it() -> None:
    assert "1 batch in order of making" in claim.alt_text(
        batches_of([rim(1, 430)]), [rim(1, 430)], answer()
    )
    assert "1 of 1 tests ended without damage" in margin.alt_text(group_of(hits(1, 3, None)))
    assert "Signals at B012" in drift.alt_text(MOVED)
    assert "36 readings round a turn" in turn.alt_text(TURN)


@pytest.mark.parametrize("look", COLOURS)
def test_strong_colours_differ_in_lightness_too(look: str) -> None:
    """Seen in grey (the weights of ITU-R BT.601) no two marks that stand out look the same as
    the ground, and the ordinary one is told from them by shape."""
    colours = COLOURS[look]
    ground = grey(colours.ground)
    assert all(abs(grey(c) - ground) > 90 for c in (colours.main, colours.warm, colours.deep))


def grey(color: str) -> float:
    red, green, blue = (int(color[i : i + 2], 16) for i in (1, 3, 5))
    return 0.299 * red + 0.587 * green + 0.114 * blue


@pytest.mark.parametrize(
    ("value", "said"),
    [(430, "430 g"), (430.04, "430 g"), (0.0577, "0.058 g"), (0, "0 g"), (-0.0001, "0 g"),
     (12345.6, "12346 g"), (None, "–")],
)  # fmt: skip
def test_amounts_are_rounded_for_reading_and_carry_their_unit(value: Any, said: str) -> None:
    assert amount(value, "g") == said


def test_shifts_carry_their_sign() -> None:
    assert (signed(8.0, "g"), signed(-0.0861, "mm")) == ("+8 g", "−0.086 mm")
