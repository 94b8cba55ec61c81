"""A gauge study: what each inspector read on each part, and how inspectors stand to each other."""

from typing import Any

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from qc.figures.look import COLOURS, MOST_POINTS, Colours, name_ticks, new_figure
from qc.figures.words import amount

_SHAPES = ("circle", "diamond", "square", "triangle-up", "x", "star")
_ABOVE, _BELOW = {"row": 1, "col": 1}, {"row": 2, "col": 1}
Rows = list[dict[str, Any]]


def figure(study: dict[str, Any], look: str = "light") -> go.Figure:
    """From an answer of `qc.views.study`: above by part, below each reading less its part's mean.

    Every inspector has a shape of their own; a line joins their means.
    """
    parts = list(dict.fromkeys(row["part"] for row in study["readings"]))
    inspectors = study["inspectors"]
    drawn = make_subplots(
        rows=2, cols=1, row_heights=[0.62, 0.38], vertical_spacing=0.16,
        figure=new_figure(title(study), look, 640),
    )  # fmt: skip
    by_inspector: dict[str, Rows] = {name: [] for name in inspectors}
    for row in study["readings"]:
        by_inspector[row["inspector"]].append(row)
    for place, (name, rows) in enumerate(by_inspector.items()):
        shift = 0.44 * (place / max(len(inspectors) - 1, 1) - 0.5)
        where = {part: i + shift for i, part in enumerate(parts)}
        _by_part(drawn, rows, where, _style(place, name, look), study["unit"])
    means = _part_means(study["readings"])
    for place, (name, rows) in enumerate(by_inspector.items()):
        _by_inspector(drawn, rows, means, place, _style(place, name, look), COLOURS[look])
    unit = f", {study['unit']}" if study["unit"] else ""
    ticks = name_ticks(parts) | ({"dtick": 1, "tick0": 0} if len(parts) <= 20 else {})
    drawn.update_xaxes(title_text="Part", **ticks, **_ABOVE)
    drawn.update_xaxes(title_text="Inspector", **name_ticks(inspectors), **_BELOW)
    drawn.update_yaxes(title_text=f"Reading{unit}", **_ABOVE)
    drawn.update_yaxes(title_text=f"Reading less<br>the part's mean{unit}", **_BELOW)
    return drawn


def _style(place: int, inspector: str, look: str) -> dict[str, Any]:
    colours = COLOURS[look]
    own = (colours.main, colours.warm, colours.deep, colours.quiet)[place % 4]
    shape = _SHAPES[place % len(_SHAPES)]
    return {
        "name": inspector,
        "legendgroup": inspector,
        "marker": {"symbol": shape, "size": 8, "color": own, "opacity": 0.8},
        "line": {"color": own, "width": 1},
    }


def _by_part(
    drawn: go.Figure, rows: Rows, where: dict[str, float], style: dict[str, Any], unit: str
) -> None:
    shown = rows[: MOST_POINTS // 2]
    told = [
        f"part {row['part']}, {row['inspector']}, repeat {row['repeat']}: "
        f"{amount(row['value'], unit, 5)}"
        for row in shown
    ]
    drawn.add_scatter(
        x=[where[row["part"]] for row in shown], y=[row["value"] for row in shown],
        mode="markers", text=told, hovertemplate="%{text}<extra></extra>", **style, **_ABOVE,
    )  # fmt: skip
    means = _part_means(rows)
    drawn.add_scatter(
        x=[where[part] for part in means], y=list(means.values()), mode="lines",
        hoverinfo="skip", showlegend=False, **style, **_ABOVE,
    )  # fmt: skip


def _by_inspector(
    drawn: go.Figure,
    rows: Rows,
    means: dict[str, float],
    place: int,
    style: dict[str, Any],
    colours: Colours,
) -> None:
    """Side by side in the order of the file, so that a drift while reading shows."""
    away = [row["value"] - means[row["part"]] for row in rows]
    along = [place - 0.3 + 0.6 * i / max(len(rows) - 1, 1) for i in range(len(rows))]
    drawn.add_scatter(
        x=along[: MOST_POINTS // 2], y=away[: MOST_POINTS // 2], mode="markers",
        hovertemplate="%{y:+.4g}<extra></extra>", showlegend=False, **style, **_BELOW,
    )  # fmt: skip
    middle = sum(away) / len(away)
    drawn.add_scatter(
        x=[place - 0.35, place + 0.35], y=[middle, middle], mode="lines",
        line={"color": colours.text, "width": 2}, hoverinfo="skip",
        name="mean of the inspector", legendgroup="mean", showlegend=place == 0, **_BELOW,
    )  # fmt: skip


def title(study: dict[str, Any]) -> str:
    """What the figure shows, in a sentence."""
    share = study["gauge_share_of_spread_percent"]
    groups = study["groups"]
    told = "any number of" if groups is None else f"{groups:.0f}"
    return (
        f"The gauge makes {amount(share, '%', 3)} of the spread and tells {told} "
        f"group{'' if groups == 1 else 's'} of parts apart"
    )


def alt_text(study: dict[str, Any]) -> str:
    """The figure in words."""
    means = ", ".join(
        f"{name} {amount(mean, study['unit'], 5)}"
        for name, mean in study["inspector_means"].items()
    )
    return (
        f"{title(study)}: {study['parts']} parts, {len(study['inspectors'])} inspectors, "
        f"{study['repeats']} repeats. Means of the inspectors: {means}."
    )


def _part_means(rows: Rows) -> dict[str, float]:
    held: dict[str, list[float]] = {}
    for row in rows:
        held.setdefault(row["part"], []).append(row["value"])
    return {name: sum(values) / len(values) for name, values in held.items()}
