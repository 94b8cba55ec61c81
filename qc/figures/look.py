"""How every figure looks: two Plotly templates, "rimqc-light" and "rimqc-dark", and their colours.

The three strong colours differ in lightness as well as in hue, so that they stay apart in the
common forms of colour blindness and in grey; wherever one is used, a shape and a word say the same.
"""

import textwrap
from collections.abc import Sequence
from typing import Any, NamedTuple

import plotly.graph_objects as go
import plotly.io as pio

MOST_POINTS = 5000  # beyond this a screen shows a smear: summarise instead


class Colours(NamedTuple):
    """`main` what was measured, `warm` and `deep` what stands out, `faint` what is allowed."""

    ground: str
    text: str
    grid: str
    quiet: str
    faint: str
    main: str
    warm: str
    deep: str


COLOURS = {
    "light": Colours(
        *("#fbfaf6", "#1b2530", "#ddd8cb", "#5c6770", "#dfe8ee", "#1c5a85", "#b06000", "#8a2257"),
    ),
    "dark": Colours(
        *("#12181e", "#ece9e1", "#2d3740", "#a3adb5", "#22313d", "#8ec1e6", "#f3b569", "#f0a3c9"),
    ),
}


def _template(look: str) -> go.layout.Template:
    colours = COLOURS[look]
    axis = {
        "gridcolor": colours.grid,
        "linecolor": colours.quiet,
        "zeroline": False,
        "showline": True,
        "ticks": "outside",
        "tickcolor": colours.quiet,
        "automargin": True,
        "title": {"standoff": 8, "font": {"size": 13}},
    }
    turn = {"gridcolor": colours.grid, "linecolor": colours.quiet}
    return go.layout.Template(
        layout={
            "paper_bgcolor": colours.ground,
            "plot_bgcolor": colours.ground,
            "font": {"family": "sans-serif", "size": 13, "color": colours.text},
            "title": {"x": 0, "xref": "paper", "xanchor": "left", "font": {"size": 15}},
            "colorway": [colours.main, colours.warm, colours.deep, colours.quiet],
            "xaxis": axis,
            "yaxis": axis,
            "polar": {"bgcolor": colours.ground, "angularaxis": turn, "radialaxis": turn},
            "legend": {"orientation": "h", "yanchor": "top", "x": 0},
            "hoverlabel": {
                "bgcolor": colours.ground,
                "bordercolor": colours.quiet,
                "font": {"color": colours.text},
                "align": "left",
            },
            "margin": {"l": 8, "r": 16, "t": 64, "b": 8},
            "dragmode": False,  # a finger that scrolls the page must not zoom the figure
        }
    )


for _look in COLOURS:
    pio.templates[f"rimqc-{_look}"] = _template(_look)


def new_figure(title: str, look: str, height: int = 440, **layout: Any) -> go.Figure:
    """An empty figure in our look; its title is broken into lines that fit beside each other."""
    figure = go.Figure()
    figure.update_layout(
        template=f"rimqc-{look}",
        title_text="<br>".join(textwrap.wrap(title, 88)),
        height=height,
        legend_y=-64 / (height - 150),  # below the axis' title, in pixels
        **layout,
    )
    return figure


def note(figure: go.Figure, text: str) -> go.Figure:
    """A sentence in the middle of a figure that has nothing to show."""
    figure.update_layout(xaxis_visible=False, yaxis_visible=False)
    wrapped = "<br>".join(textwrap.wrap(text, 40))
    figure.add_annotation(text=wrapped, showarrow=False, x=0.5, y=0.5, xref="paper", yref="paper")
    return figure


def ring_names(
    figure: go.Figure, radii: Sequence[float], names: Sequence[str], at_deg: float, look: str
) -> None:
    """Names of rings of a polar figure, upright and with a rim of the ground round each letter: the
    axis' own would be turned with it and lost among the marks."""
    colours = COLOURS[look]
    around = ", ".join(f"{x}px {y}px 2px {colours.ground}" for x in (-1, 0, 1) for y in (-1, 0, 1))
    figure.add_scatterpolar(
        theta=[at_deg] * len(radii), r=list(radii), mode="text", text=list(names),
        textfont={"size": 11, "color": colours.text, "shadow": around}, hoverinfo="skip",
        showlegend=False,
    )  # fmt: skip


def name_ticks(names: list[str]) -> dict[str, Any]:
    """Settings of an axis whose places 0, 1, 2, … have names; as many are shown as there is room
    for, long ones by their end."""
    short = [name if len(name) <= 11 else "…" + name[-10:] for name in names]
    every = {"dtick": 1, "tick0": 0} if len(names) <= 4 else {}
    return {
        "labelalias": {str(place): name for place, name in enumerate(short)}
        | {str(place): " " for place in (-1, len(names))},
        "exponentformat": "none",
        "range": [-0.6, len(names) - 0.4],
        "showgrid": False,
        **every,
    }
