"""One turn on the stand, drawn round the rim, and what its shape is likely to be."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from qc.figures.look import COLOURS, new_figure
from qc.figures.words import amount, stage_name
from qc.physics.runout import Trace, analyse

# a part of a turn is named as its cause when it makes at least this share of the whole
_SHARE = 0.45


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
    drawn = new_figure(title(record), look, 400)
    drawn.add_scatterpolar(
        theta=fine, r=np.full(len(fine), room), mode="lines",
        name=f"mean of the turn; rings {amount(step, 'mm')} inside and outside it",
        line={"color": colours.quiet, "width": 1}, hoverinfo="skip",
    )  # fmt: skip
    drawn.add_scatterpolar(
        theta=fine, r=room + once, mode="lines", name="fitted circle (once a turn)",
        line={"color": colours.warm, "width": 2, "dash": "dash"}, hoverinfo="skip",
    )  # fmt: skip
    told = [f"{at:.0f}°: {value:+.3f} mm" for at, value in zip(angles, readings, strict=True)]
    drawn.add_scatterpolar(
        theta=[*angles, angles[0]], r=[*(room + away), room + away[0]], mode="lines+markers",
        name="readings", line={"color": colours.main, "width": 2}, marker={"size": 5},
        text=[*told, told[0]], hovertemplate="%{text}<extra></extra>",
    )  # fmt: skip
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
    drawn.update_layout(legend_y=-0.08, margin={"l": 40, "r": 40, "t": 64, "b": 20})
    return drawn


def title(record: dict[str, Any]) -> str:
    """What the figure shows, in a sentence."""
    trace = analyse(record["readings_mm"])
    side = f", {record['side']} side" if record.get("side") else ""
    return (
        f"{record['direction'].capitalize()} run-out of the {stage_name(record['stage'])}{side}: "
        f"TIR {trace.tir_mm:.2f} mm, form {trace.form_mm:.2f} mm"
    )


def alt_text(record: dict[str, Any]) -> str:
    """The figure in words."""
    return f"{title(record)}, {len(record['readings_mm'])} readings round a turn. {likely(record)}"


def likely(record: dict[str, Any]) -> str:
    """One sentence on what the shape of the turn is likely to be."""
    trace = analyse(record["readings_mm"])
    said = _cause(trace, record["stage"], record["direction"])
    few = f" Only {trace.n} readings: a hint, no more." if trace.sparse else ""
    return said + few


def _cause(trace: Trace, stage: str, direction: str) -> str:
    whole = trace.tir_mm
    if whole < 0.05:
        return "Hardly any run-out: nothing stands out."
    if trace.bump and abs(trace.bump.height_mm) >= _SHARE * whole:
        bump = trace.bump
        what = "bump" if bump.height_mm > 0 else "flat spot"
        return (
            f"Mostly one {what} of {amount(abs(bump.height_mm), 'mm', 2)} at "
            f"{bump.angle_deg:.0f}°, about {bump.width_deg:.0f}° wide: look at the rim there."
        )
    if 2 * trace.eccentricity_mm >= _SHARE * whole and trace.eccentricity_mm >= trace.twice_mm:
        once = f"highest at {trace.eccentricity_deg:.0f}°"
        if stage == "rim":
            return f"Mostly once a turn, {once}: likely how the rim sits on the stand."
        if direction == "radial":
            return f"Mostly once a turn, {once}: likely off centre, a matter of spoke tension."
        return f"Mostly once a turn, {once}: likely wheel or bearing out of square."
    if 2 * trace.twice_mm >= _SHARE * whole:
        far = trace.twice_deg
        shape = "oval" if direction == "radial" else "bent like a saddle"
        return f"Mostly twice a turn, highest at {far:.0f}° and {far + 180:.0f}°: likely {shape}."
    return "No single cause stands out: waves and scatter round the whole turn."


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
