"""Impact drops on the rim seen from the drive side: where each fell, how often, and its damage."""

from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, Colours, new_figure, ring_names
from qc.figures.words import amount

Row = dict[str, Any]

# shape, colour and word of each kind of damage, in order of gravity
DAMAGE = {
    "not-examined": ("circle-dot", "quiet", "not examined"),
    "none": ("circle-open", "main", "no damage"),
    "mark": ("square-open", "main", "a mark"),
    "set": ("triangle-up", "warm", "a set: shape changed for good"),
    "delamination": ("diamond", "warm", "delamination"),
    "crack": ("x", "deep", "a crack"),
    "break": ("star", "deep", "a break"),
}
# marks of one place and about one multiple (of so many radii) stand side by side, so far apart and
# no further in all
_RADII, _APART_DEG, _MOST_APART_DEG = 10, 6.0, 60.0


def figure(drawn_of: Row, look: str = "light") -> go.Figure:
    """From an answer of `impact_map`: all drops of one test, of several their first damages.

    The rim is the double line; a drop stands outside it at its angle, the further out the higher
    its multiple there.
    """
    colours, several = COLOURS[look], drawn_of["tests"] > 1
    drawn = new_figure(title(drawn_of), look, 480)
    drops = [d for d in drawn_of["drops"] if d["first_damage"]] if several else drawn_of["drops"]
    most = max((drop["multiple"] for drop in drops), default=1.0) or 1.0
    rim = 0.9 * most
    _rim(drawn, rim, colours)
    _places(drawn, drawn_of, rim, most, colours)
    shown = [
        (drop, turned)
        for drop, turned in zip(drops, _apart(drops, drawn_of["positions_deg"]), strict=True)
    ]
    for damage, (symbol, colour, word) in DAMAGE.items():
        own = [(drop, turned) for drop, turned in shown if drop["damage"] == damage]
        if own:
            _marks(drawn, own, rim, symbol, getattr(colours, colour), f"{word} ({len(own)})")
            if several:  # one test stands on the screen of its own part
                leads = [["part", drop["serial"]] for drop, _ in own]
                drawn.update_traces(customdata=leads, selector=len(drawn.data) - 1)
    _axes(drawn, drawn_of, rim, most, look)
    return drawn


def title(drawn_of: Row) -> str:
    """The first damage and where, in a sentence."""
    first = [drop for drop in drawn_of["drops"] if drop["first_damage"]]
    tests = drawn_of["tests"]
    if tests == 1:
        test = f"Test {drawn_of['drops'][0]['test']}" if drawn_of["drops"] else "This test"
        if not first:
            count = len(drawn_of["drops"])
            return f"{test}: no damage that fails it in {count} drop{'' if count == 1 else 's'}"
        (one,) = first[:1]
        return (
            f"{test}: first damage, {_word(one['damage'])}, at drop {one['drop_no']}, at "
            f"{amount(_angle(one))}°, {amount(one['multiple'])} × the standard"
        )
    if not first:
        return f"Where {tests} tests struck: none found damage that fails it"
    places = [place for place in drawn_of["places"] if place["first_damage"]]
    told = ", ".join(f"{p['first_damage']} at {amount(p['at_deg'])}°" for p in places)
    off = len(first) - sum(place["first_damage"] for place in places)
    told += f"{', ' if told else ''}{off} beside its place" if off else ""
    return f"Where the damage began in {len(first)} of {tests} tests: {told}"


def alt_text(drawn_of: Row) -> str:
    """The figure in words."""
    places = "; ".join(
        f"at {amount(p['at_deg'])}° {p['drops']} drops of {p['tests']} tests, first damage in "
        f"{p['first_damage']}"
        for p in drawn_of["places"]
    )
    return f"{title(drawn_of)}. Required positions: {places or 'not known'}."


def _word(damage: str) -> str:
    return DAMAGE[damage][2].partition(":")[0]


def _angle(drop: Row) -> float:
    """The required position of a drop; beside all of them, where it fell."""
    return float(drop["position_deg"] if drop["at_deg"] is None else drop["at_deg"])


def _apart(drops: Sequence[Row], positions: Sequence[float]) -> list[float]:
    """How far each mark is turned, so that none hides another."""
    groups: dict[tuple[float, int], list[int]] = {}
    outmost = max((drop["multiple"] for drop in drops), default=1.0) or 1.0
    for i, drop in enumerate(drops):
        groups.setdefault((_angle(drop), int(_RADII * drop["multiple"] / outmost)), []).append(i)
    most = min(_MOST_APART_DEG, 240 / max(1, len(positions)))  # two thirds of the way between
    turned = [0.0] * len(drops)
    for members in groups.values():
        step = min(_APART_DEG, most / max(1, len(members) - 1))
        for nth, i in enumerate(members):
            turned[i] = step * (nth - (len(members) - 1) / 2)
    return turned


def _rim(drawn: go.Figure, rim: float, colours: Colours) -> None:
    for r, width in ((rim, 3), (0.82 * rim, 1)):
        drawn.add_scatterpolar(
            theta=list(range(0, 361, 3)), r=[r] * 121, mode="lines", hoverinfo="skip",
            line={"color": colours.quiet, "width": width}, showlegend=False,
        )  # fmt: skip
    drawn.add_scatterpolar(
        theta=[0], r=[0.91 * rim], mode="markers", name="valve hole", hoverinfo="skip",
        marker={"symbol": "circle-open", "size": 9, "color": colours.text, "line": {"width": 2}},
    )  # fmt: skip


def _places(drawn: go.Figure, drawn_of: Row, rim: float, most: float, colours: Colours) -> None:
    positions = drawn_of["positions_deg"]
    if positions:
        drawn.add_scatterpolar(
            theta=[v for p in positions for v in (p, p, None)],
            r=[v for _ in positions for v in (0.7 * rim, rim + 1.1 * most, None)],
            mode="lines", name="required position", hoverinfo="skip",
            line={"color": colours.text, "width": 1, "dash": "dot"},
        )  # fmt: skip


def _marks(
    drawn: go.Figure, own: Sequence[tuple[Row, float]], rim: float, symbol: str, color: str,
    name: str,
) -> None:  # fmt: skip
    drawn.add_scatterpolar(
        theta=[(drop["position_deg"] + turned) % 360 for drop, turned in own],
        r=[rim + drop["multiple"] for drop, _ in own],
        mode="markers", name=name,
        marker={"symbol": symbol, "size": 11, "color": color, "line": {"width": 2, "color": color}},
        text=[_told(drop) for drop, _ in own], hovertemplate="%{text}<extra></extra>",
    )  # fmt: skip


def _told(drop: Row) -> str:
    energy, at = amount(drop["energy_j"], "J"), amount(drop["position_deg"])
    lines = [
        f"<b>{drop['serial']}</b>, test {drop['test']}, drop {drop['drop_no']}",
        f"{energy} at {at}°, here {amount(drop['multiple'])} × the standard",
        f"damage: {_word(drop['damage'])}",
    ]
    for way in ("lateral", "radial"):
        if drop[f"{way}_change_mm"] is not None:
            lines.append(f"{way} run-out changed by {amount(drop[f'{way}_change_mm'], 'mm')}")
    if drop["at_deg"] is None:
        lines.append("beside every required position: counts for none")
    if not drop["used"]:
        lines.append("after the first damage: not used")
    return "<br>".join(lines)


def _axes(drawn: go.Figure, drawn_of: Row, rim: float, most: float, look: str) -> None:
    step = next(s for s in (1, 2, 5, 10, 20, 50, 10_000) if most / s <= 4)
    marks = [step * i for i in range(1, int(most / step + 1e-9) + 1)]
    told = [f"{amount(mark)} ×" for mark in marks]
    ring_names(drawn, [rim + mark for mark in marks], told, _free(drawn_of), look)
    ticks = {0.0: "valve hole"} | {p: f"{amount(p)}°" for p in drawn_of["positions_deg"] if p}
    if 0.0 in drawn_of["positions_deg"]:
        ticks[0.0] = "0°, valve hole"
    drawn.update_polars(
        angularaxis={
            "direction": "clockwise", "rotation": 90, "showgrid": False,
            "tickvals": list(ticks), "ticktext": list(ticks.values()),
        },
        radialaxis={
            "range": [0, rim + 1.2 * most], "tickvals": [rim + mark for mark in marks],
            "showticklabels": False, "showline": False, "ticks": "",
        },
    )  # fmt: skip
    drawn.update_layout(legend_y=-0.1, margin={"l": 48, "r": 48, "t": 64, "b": 20})


def _free(drawn_of: Row) -> float:
    """The middle of the widest stretch without a required position, clear of the marks."""
    taken = sorted({0.0, *drawn_of["positions_deg"]})
    gaps = [(after - at, at) for at, after in zip(taken, [*taken[1:], taken[0] + 360], strict=True)]
    wide, at = max(gaps)
    return float(at + wide / 2)
