"""The turn that the parts of a batch share, batch above batch: the print of a mould."""

from typing import Any

import numpy as np
import plotly.graph_objects as go

from qc.figures.look import COLOURS, new_figure
from qc.figures.words import amount, stage_name

MOST_DRAWN = 6
_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")

Row = dict[str, Any]


def figure(
    rows: list[Row], model: str, stage: str, direction: str, look: str = "light"
) -> go.Figure:
    """From `views.shared_turn`, the newest batch first and drawn strongest."""
    colours = COLOURS[look]
    drawn = new_figure(title(rows, model, stage, direction), look, 380)
    for place, row in enumerate(rows[:MOST_DRAWN]):
        mean = [*row["mean_mm"], row["mean_mm"][0]]  # and closed
        angles = np.linspace(0, 360, len(mean))
        drawn.add_scatter(
            x=angles, y=mean, mode="lines", name=f"{row['batch']} ({row['turns']} turns)",
            line={"color": colours.main if place == 0 else colours.quiet,
                  "width": 3 if place == 0 else 1.5, "dash": _DASHES[place]},
            hovertemplate="%{x:.0f}°: %{y:+.3f} mm<extra>" + row["batch"] + "</extra>",
        )  # fmt: skip
    drawn.add_hline(0, line={"color": colours.quiet, "width": 1})
    drawn.update_xaxes(
        title_text="degrees from the valve hole", range=[0, 360],
        tickvals=[0, 90, 180, 270, 360], ticktext=["0°", "90°", "180°", "270°", "360°"],
    )  # fmt: skip
    drawn.update_yaxes(title_text="mean of all parts", ticksuffix=" mm")
    return drawn


def title(rows: list[Row], model: str, stage: str, direction: str) -> str:
    """What the figure shows, in a sentence."""
    of = f"{model}, {direction} run-out of the {stage_name(stage)}"
    newest = rows[0]
    if not newest["there"]:
        return f"{of}: the parts of {newest['batch']} share no shape that chance would not give"
    return (
        f"{of}: the parts of {newest['batch']} share {amount(newest['swing_mm'], 'mm')}, highest "
        f"{newest['highest_deg']:.0f}° from the valve hole"
    )


def alt_text(rows: list[Row], model: str, stage: str, direction: str) -> str:
    """The figure in words."""
    told = "; ".join(
        f"{row['batch']} {amount(row['swing_mm'], 'mm')}, highest at {row['highest_deg']:.0f}°"
        for row in rows[:MOST_DRAWN]
    )
    return f"{title(rows, model, stage, direction)}. By batch, the newest first: {told}."
