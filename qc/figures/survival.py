"""The share of parts that survives, over multiples of the standard impact, with its band."""

from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, Colours, new_figure, note
from qc.figures.margin import axis_title, mark_multiple
from qc.figures.words import amount, stage_name

Row = dict[str, Any]


def figure(group: Row, look: str = "light") -> go.Figure:
    """From one row of `margins`: the curve of the tests alone, and a fitted one if there is."""
    drawn = new_figure(title(group), look, 430)
    if not group["survival"]:
        return note(drawn, "No part drawn at random has been tested.")
    colours = COLOURS[look]
    points = [{"multiple": 0, "survive": 1, "lower": 1, "upper": 1}, *group["survival"]]
    _band(drawn, points, colours)
    known = [point for point in points if point["survive"] is not None]
    drawn.add_scatter(
        x=[point["multiple"] for point in known],
        y=[100 * point["survive"] for point in known],
        mode="lines+markers",
        line={"color": colours.main, "width": 2, "shape": "vh"},
        marker={"size": 7, "symbol": "circle"},
        name="survive, from the tests alone",
        text=[_told(point) for point in known],
        hovertemplate="%{text}<extra></extra>",
    )
    if group["fit"] and group["fit"]["curve"]:
        _fitted(drawn, group["fit"]["curve"], colours)
    most = points[-1]["multiple"]
    required = group["required_multiple"]
    mark_multiple(drawn, 1, "the standard", "dot", colours, left=required - 1 < most / 3)
    if required != 1:
        mark_multiple(drawn, required, "required", "solid", colours, left=required > 0.7 * most)
    drawn.update_xaxes(title_text=axis_title(group), range=[0, 1.05 * most])
    drawn.update_yaxes(title_text="Parts that survive, %", range=[0, 103])
    return drawn


def title(group: Row) -> str:
    """What 90 % survive, in a sentence."""
    head = f"Survival of {group['model']} {stage_name(group['stage'], many=True)}"
    said = [row for row in group["bears_90"] if row["multiple"] is not None]
    if not group["survival"]:
        return f"{head}: nothing tested yet"
    if not said:
        return f"{head}: too little is known to say what 90 % survive"
    surest = said[-1]
    low = amount(int(surest["multiple"] * 100 + 1e-9) / 100)
    sure = amount(100 * surest["confidence"])
    return f"{head}: 90 % survive at least {low} × the standard ({sure} % confidence)"


def alt_text(group: Row) -> str:
    """The figure in words."""
    told = [
        f"{amount(100 * point['survive'], digits=3)} % survive {amount(point['multiple'])} × "
        f"(95 % limits {amount(100 * point['lower'], digits=3)} to "
        f"{amount(100 * point['upper'], digits=3)} %)"
        for point in group["survival"]
        if point["survive"] is not None
    ]
    return ". ".join([title(group), "; ".join(told)]) + "."


def _told(point: Row) -> str:
    share, low, high = (amount(100 * point[n], digits=3) for n in ("survive", "lower", "upper"))
    limits = f"95 % limits {low} to {high} %"
    return f"<b>{amount(point['multiple'])} ×</b><br>{share} % survive<br>{limits}"


def _band(drawn: go.Figure, points: list[Row], colours: Colours) -> None:
    """Pointwise limits; each step falls right after the multiple that was survived."""
    edge = {"color": colours.quiet, "width": 1, "dash": "dot", "shape": "vh"}
    x = [point["multiple"] for point in points]
    # what is not known beyond the last test has only an upper limit
    for side, fill in (("upper", None), ("lower", "tonexty")):
        drawn.add_scatter(
            x=x, y=[100 * point[side] for point in points], mode="lines", line=edge, fill=fill,
            fillcolor=colours.faint, hoverinfo="skip", showlegend=side == "lower",
            name="its 95 % limits, at each multiple",
        )  # fmt: skip


def _fitted(drawn: go.Figure, curve: list[Row], colours: Colours) -> None:
    x = [0, *(point["multiple"] for point in curve)]
    for key, color, dash, name in (
        ("survive", colours.warm, "dash", "fitted curve"),
        ("lower", colours.deep, "dashdot", "fitted lower bound, 95 % confidence"),
    ):
        drawn.add_scatter(
            x=x, y=[100, *(100 * point[key] for point in curve)], mode="lines", name=name,
            line={"color": color, "width": 2, "dash": dash, "shape": "spline", "smoothing": 0.6},
            hoverinfo="skip",
        )  # fmt: skip
