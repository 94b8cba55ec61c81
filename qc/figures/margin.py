"""Impact tests of one protocol and model: what each part survived, and by when it had failed."""

from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, Colours, new_figure, note
from qc.figures.words import amount, stage_name

MOST_TESTS = 60
_ROW_PX = 18

_NOT_AT_RANDOM = ("chosen", "reject")
_MARKS = {
    "struck-before": "struck before this test: does not count",
    "off-position": "a drop beside its place",
    "off-protocol": "a drop the protocol does not know",
    "not-examined": "not examined after every drop",
    "incomplete-record": "a drop is missing from the record",
}


def figure(group: dict[str, Any], look: str = "light") -> go.Figure:
    """From one row of `margins`: a line a test, the newest above; beyond 60 the weakest."""
    tests = _shown(group["tests"])
    height = max(240, 190 + _ROW_PX * len(tests))
    drawn = new_figure(title(group), look, height)
    if not tests:
        return note(drawn, "No impact test of this protocol has been recorded.")
    colours = COLOURS[look]
    names = [
        f"{test['serial']} · {test['test']}"
        + (f" ({test['drawn']})" if test["drawn"] in _NOT_AT_RANDOM else "")
        for test in tests
    ]
    groups: dict[str, list[int]] = {"failed": [], "not failed": [], "struck before": []}
    for i, test in enumerate(tests):
        apart = "struck-before" in test["marks"]
        groups["struck before" if apart else "failed" if test["damaged"] else "not failed"] += [i]
    for word, members in groups.items():
        if members:
            _tests(drawn, word, members, tests, colours)
    required = group["required_multiple"]
    most = max(required, *(test["failed"] or test["survived"] for test in tests))
    mark_multiple(drawn, 1, "the standard", "dot", colours, left=required - 1 < most / 3)
    if required != 1:
        mark_multiple(drawn, required, "required", "solid", colours, left=required > 0.7 * most)
    drawn.update_xaxes(
        title_text=axis_title(group), range=[0, 1.1 * most + 0.3], side="bottom", rangemode="tozero"
    )
    drawn.update_yaxes(
        tickvals=list(range(len(tests))), ticktext=names, range=[len(tests) - 0.3, -1.4],
        title_text="Part · test, oldest first", tickfont_size=11, showgrid=False,
    )  # fmt: skip
    return drawn


def title(group: dict[str, Any]) -> str:
    """What the figure shows, in a sentence; parts struck before do not count."""
    head = f"{group['protocol']} on {group['model']} {stage_name(group['stage'], many=True)}"
    counted = [test for test in group["tests"] if "struck-before" not in test["marks"]]
    if not counted:
        return f"{head}: no test that counts yet"
    required = group["required_multiple"]
    tests = f"{len(counted)} test{'' if len(counted) == 1 else 's'}"
    picked = sum(test["drawn"] in _NOT_AT_RANDOM for test in counted)
    if picked:
        tests += f" ({picked} of them of chosen or rejected parts)"
    short = [test for test in counted if test["survived"] < required]
    below = [test for test in short if test["failed"] is not None and test["failed"] <= 1]
    limit = f"the required {amount(required)} × the standard"
    if not short:
        return f"{head}: {'the one' if len(counted) == 1 else 'all ' + tests} reached {limit}"
    if len(short) == len(counted):
        said = "the one test" if len(counted) == 1 else f"none of {tests}"
        said += " did not reach" if len(counted) == 1 else " reached"
    else:
        said = f"{len(short)} of {tests} did not reach"
    worst = f", {len(below)} of them not even the standard" if below else ""
    return f"{head}: {said} {limit}{worst}"


def alt_text(group: dict[str, Any]) -> str:
    """The figure in words."""
    tests = group["tests"]
    apart = sum("struck-before" in test["marks"] for test in tests)
    open_ended = sum(not test["damaged"] for test in tests)
    said = f"{title(group)}. {open_ended} of {len(tests)} tests ended without damage."
    return said + (f" {apart} on parts struck before do not count." if apart else "")


def axis_title(group: dict[str, Any]) -> str:
    """Multiples with what one of them is."""
    energy = group["standard_energy_j"]
    return "× standard impact" + (f" ({amount(energy, 'J')})" if energy else "")


def _shown(tests: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """In order of time; where they are too many, the weakest of them."""
    if len(tests) <= MOST_TESTS:
        return list(tests)
    weakest = sorted(range(len(tests)), key=lambda i: (tests[i]["survived"], -i))[:MOST_TESTS]
    return [tests[i] for i in sorted(weakest)]


def _tests(
    drawn: go.Figure,
    word: str,
    members: list[int],
    tests: Sequence[dict[str, Any]],
    colours: Colours,
) -> None:
    """Tests of one outcome: a bar from survived to failed, or an arrow that stays open."""
    look = {
        "failed": (colours.deep, "diamond", "failed: bar from survived to failed"),
        "not failed": (colours.main, "triangle-right-open", "not failed when the test stopped"),
        "struck before": (colours.quiet, "x-thin-open", "struck before: shown, does not count"),
    }
    color, symbol, name = look[word]
    drawn.add_scatter(
        x=[v for i in members for v in (0, tests[i]["survived"], None)],
        y=[v for i in members for v in (i, i, None)],
        mode="lines", line={"color": colours.grid, "width": 2}, showlegend=False, hoverinfo="skip",
    )  # fmt: skip
    drawn.add_scatter(
        x=[v for i in members for v in (tests[i]["survived"], tests[i]["failed"], None)],
        y=[v for i in members for v in (i, i, None)],
        mode="lines", line={"color": color, "width": 7}, showlegend=False, hoverinfo="skip",
    )  # fmt: skip
    drawn.add_scatter(
        x=[tests[i]["survived"] for i in members],
        y=members,
        mode="markers",
        marker={"symbol": symbol, "color": color, "size": 10, "line": {"width": 2, "color": color}},
        name=name,
        text=[_told(tests[i]) for i in members],
        hovertemplate="%{text}<extra></extra>",
        customdata=[["part", tests[i]["serial"]] for i in members],
    )


def _told(test: dict[str, Any]) -> str:
    end = (
        f"failed at {amount(test['failed'])} ×, at drop {test['first_damage']}"
        if test["failed"] is not None
        else "not failed when the test stopped"
        if not test["damaged"]
        else f"damaged at drop {test['first_damage']}, multiple unknown"
    )
    marks = [_MARKS.get(mark, mark) for mark in test["marks"]]
    head = f"<b>{test['serial']}</b>, test {test['test']}, batch {test['batch']}"
    return "<br>".join([head, f"survived {amount(test['survived'])} × the standard", end, *marks])


def mark_multiple(
    drawn: go.Figure, at: float, word: str, dash: str, colours: Colours, *, left: bool = False
) -> None:
    """A line across at a multiple, its words beside it, to the left where there is no room.

    Words of a dotted line stand lower than those of a solid one, so that on a phone, where the
    lines come close, both can be read.
    """
    anchor = "right" if left else "left"
    drawn.add_vline(
        x=at, line={"color": colours.text, "width": 1.5, "dash": dash},
        annotation={"text": f"{word}: {amount(at)}", "y": 1, "yanchor": "bottom",
                    "xanchor": anchor, "font": {"size": 12}, "yshift": 0 if dash == "dot" else 13},
    )  # fmt: skip
