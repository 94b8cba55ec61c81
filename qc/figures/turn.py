"""One turn on the stand, drawn round the rim, and what its shape is likely to be."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from qc.figures.look import COLOURS, Colours, new_figure
from qc.figures.words import amount, stage_name
from qc.physics.runout import Trace, analyse
from qc.views import turn_words

# an arrow shorter than this, of the largest deviation, is a dot
_LEAST_ARROW = 0.1
_MOST_DRAWN = 1500


def figure(record: dict[str, Any], look: str = "light") -> go.Figure:
    """From a run-out record with `readings_mm`: deviations drawn large about the mean circle."""
    colours = COLOURS[look]
    readings = np.asarray(record["readings_mm"], dtype=float)
    trace = analyse(readings)
    angles = np.arange(len(readings)) * 360 / len(readings)
    away = readings - trace.mean_mm
    # so large that the circle and the deviations both keep their shape
    most = max(float(np.abs(away).max()), 0.01)
    room, step = 2.5 * most, _round_step(most)
    fine = np.linspace(0, 360, 181)
    once = trace.eccentricity_mm * np.cos(np.radians(fine - trace.eccentricity_deg))
    drawn = new_figure(title(record), look, 440)
    drawn.add_scatterpolar(
        theta=fine, r=np.full(len(fine), room), mode="lines",
        name=f"mean; rings {amount(step, 'mm')} in and out",
        line={"color": colours.quiet, "width": 1}, hoverinfo="skip",
    )  # fmt: skip
    drawn.add_scatterpolar(
        theta=fine, r=room + once, mode="lines", name="fitted circle (once a turn)",
        line={"color": colours.warm, "width": 2, "dash": "dash"}, hoverinfo="skip",
    )  # fmt: skip
    some = [*range(0, len(readings), 1 + len(readings) // _MOST_DRAWN), 0]  # and closed
    told = [f"{angles[i]:.0f}°: {readings[i]:+.3f} mm" for i in some]
    drawn.add_scatterpolar(
        theta=angles[some], r=room + away[some], mode="lines+markers",
        name="readings", line={"color": colours.main, "width": 2}, marker={"size": 5},
        text=told, hovertemplate="%{text}<extra></extra>",
    )  # fmt: skip
    if trace.eccentricity_mm >= _LEAST_ARROW * most:
        _arrow(drawn, trace, record["direction"], room * trace.eccentricity_mm / most, colours)
    if trace.bump:
        at = trace.bump.angle_deg
        drawn.add_scatterpolar(
            theta=[at], r=[room + float(np.interp(at, [*angles, 360], [*away, away[0]]))],
            mode="markers", name="bump" if trace.bump.height_mm > 0 else "flat spot",
            marker={"symbol": "diamond-open", "size": 15, "color": colours.deep,
                    "line": {"width": 2}},
            hovertext=f"{trace.bump.height_mm:+.2f} mm at {at:.0f}°", hoverinfo="text",
        )  # fmt: skip
    drawn.update_polars(
        angularaxis={
            "direction": "clockwise", "rotation": 90, "tickvals": list(range(0, 360, 45)),
            "ticktext": ["valve hole", *(f"{angle}°" for angle in range(45, 360, 45))],
        },
        radialaxis={
            "range": [0, 1.45 * room], "tickvals": [room - step, room + step],
            "showticklabels": False, "showline": False, "ticks": "",
        },
    )  # fmt: skip
    drawn.update_layout(legend_y=-0.12, margin={"l": 48, "r": 48, "t": 64, "b": 20})
    return drawn


def _arrow(drawn: go.Figure, trace: Trace, direction: str, length: float, colours: Colours) -> None:
    """To where the fitted circle lies off the centre; as long as the circle is wide where that is
    all of the run-out."""
    by = "off centre by" if direction == "radial" else "once a turn"
    drawn.add_scatterpolar(
        theta=[trace.eccentricity_deg] * 2, r=[0, length], mode="lines+markers",
        name=f"{by} {trace.eccentricity_mm:.2f} mm, highest at {trace.eccentricity_deg:.0f}°",
        line={"color": colours.warm, "width": 3}, hoverinfo="skip",
        marker={"symbol": ["circle", "arrow"], "size": [6, 14], "angleref": "previous",
                "color": colours.warm},
    )  # fmt: skip


def title(record: dict[str, Any]) -> str:
    """What the figure shows, in a sentence."""
    trace = analyse(record["readings_mm"])
    side = f", {record['side']} side" if record.get("side") else ""
    return (
        f"{record['direction'].capitalize()} run-out of the {stage_name(record['stage'])}{side}: "
        f"TIR {trace.tir_mm:.2f} mm, form {trace.form_mm:.2f} mm, {turn_words.brief(record)}"
    )


def alt_text(record: dict[str, Any]) -> str:
    """The figure in words."""
    said = " ".join(turn_words.sentences(record))
    return f"{title(record)}, {len(record['readings_mm'])} readings round a turn. {said}"


def _round_step(room: float) -> float:
    """A round number of hundredths near the largest deviation."""
    for step in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10):
        if step >= 0.7 * room:
            return step
    return room


def traces(records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The records that can be drawn, the newest of each stage, direction and side, as corrected."""
    newest: dict[tuple[Any, ...], dict[str, Any]] = {}
    for record in records:
        valid = record.get("now", record)
        if record.get("standing") != "void" and valid.get("readings_mm"):
            newest[valid["stage"], valid["direction"], valid.get("side")] = valid
    return list(newest.values())
