"""Batch means of one stream against their baseline, and where the level moved."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from qc.figures.drift_strip import STRIP_PX, add_strip, strip_height
from qc.figures.look import COLOURS, Colours, name_ticks, new_figure, note
from qc.figures.words import amount, characteristic_name, signed, stage_name

MOST_BATCHES = 1000
# a comparison needs so many
LEAST_BATCHES = 8

# shape and word of each rule of a signal
RULES = {
    "beyond-limits": ("diamond-open", "batch mean beyond its limits"),
    "step": ("star-triangle-up-open", "mean of the batches since the level moved"),
}


def figure(
    stream: dict[str, Any], look: str = "light", strip: Sequence[dict[str, Any]] = ()
) -> go.Figure:
    """From one row of `drift`; beyond 1,000 batches the newest are shown (see `drawn_batches`).

    `strip` are rows of `factor_runs` of the same batches: they stand below, under the same axis.
    """
    below = strip_height(strip)
    drawn = new_figure(title(stream), look, 430 + STRIP_PX * below)
    batches = stream["batches"][-MOST_BATCHES:]
    if not batches:
        return note(drawn, "No batch has been measured.")
    colours = COLOURS[look]
    unit = stream["unit"]
    names = [batch["batch"] for batch in batches]
    _baseline(drawn, names, stream["baseline"], colours)
    _limits(drawn, batches, colours)
    if stream["centre"] is not None:
        drawn.add_scatter(
            x=[-0.5, len(names) - 0.5], y=[stream["centre"]] * 2, mode="lines", hoverinfo="skip",
            line={"color": colours.quiet, "width": 1.5}, name="baseline mean",
        )  # fmt: skip
    drawn.add_scatter(
        x=np.arange(len(names)), y=np.array([b["mean"] for b in batches]), mode="lines+markers",
        line={"color": colours.main, "width": 1}, marker={"size": 6}, name="batch mean",
        text=np.array([_told(batch, unit) for batch in batches], dtype=object),
        hovertemplate="%{text}<extra></extra>",
        customdata=np.array([["batch", name] for name in names], dtype=object),
    )  # fmt: skip
    _signals(drawn, stream, names, unit, colours)
    drawn.update_xaxes(title_text="Batch, in order of making", **name_ticks(names))
    name = characteristic_name(stream["characteristic"])
    drawn.update_yaxes(title_text=f"Mean {name}, {unit}" if unit else f"Mean {name}, no unit")
    if below:
        add_strip(drawn, strip, names, stream["factors"], colours)
    return drawn


def drawn_batches(stream: dict[str, Any]) -> list[str]:
    """The codes of the batches that `figure` draws."""
    return [batch["batch"] for batch in stream["batches"][-MOST_BATCHES:]]


def name_of(stream: dict[str, Any]) -> str:
    """`Bare mass of 45D rims`."""
    name = characteristic_name(stream["characteristic"])
    of = f" ({stream['protocol']})" if stream.get("protocol") else ""
    stage = stage_name(stream["stage"], many=True)
    return f"{name[:1].upper()}{name[1:]}{of} of {stream['model']} {stage}"


def title(stream: dict[str, Any]) -> str:
    """What the figure shows, in a sentence, with the shift and its interval."""
    name, change, unit = name_of(stream), stream["change"], stream["unit"]
    count = len(stream["batches"])
    if not stream["signals"]:
        if count < LEAST_BATCHES:
            return f"{name}: {count} of the {LEAST_BATCHES} batches that a comparison needs"
        return f"{name}: no sign of a move in {count} batches"
    if change is None:
        return f"{name} moved: first seen at batch {stream['signals'][0]['batch']}"
    return (
        f"{name} moved from batch {change['first_batch']} on: by {signed(change['shift'], unit)} "
        f"when first seen (95 % interval {signed(change['lower'])} to {signed(change['upper'])})"
    )


def since(stream: dict[str, Any]) -> str:
    """How far the batches lie from the baseline since the change, the newest included."""
    change = stream["change"]
    codes = [batch["batch"] for batch in stream["batches"]]
    if not change or change["first_batch"] not in codes or stream["centre"] is None:
        return ""
    after = stream["batches"][codes.index(change["first_batch"]) :]
    mean = sum(batch["mean"] for batch in after) / len(after)
    away = signed(mean - stream["centre"], stream["unit"])
    if len(after) == 1:
        return f"Batch {codes[-1]}, the only one since, lies {away} from the baseline mean."
    return (
        f"The {len(after)} batches since then ({after[0]['batch']} to {codes[-1]}) lie {away} "
        f"from the baseline mean on average."
    )


def alt_text(stream: dict[str, Any]) -> str:
    """The figure in words."""
    said = f"{title(stream)}. {len(stream['batches'])} batch means in order of making"
    if stream["centre"] is not None:
        said += (
            f"; the baseline is {len(stream['baseline'])} batches with mean "
            f"{amount(stream['centre'], stream['unit'])}"
        )
    seen = list(dict.fromkeys(signal["batch"] for signal in stream["signals"]))
    told = f"Signals at {', '.join(seen)}." if seen else "No signal."
    return " ".join(filter(None, (f"{said}.", told, since(stream))))


def _baseline(drawn: go.Figure, names: list[str], baseline: list[str], colours: Colours) -> None:
    """The stretch of batches that the others are compared with; one left out has no shade."""
    kept = [i for i, name in enumerate(names) if name in set(baseline)]
    for start in (i for i in kept if i - 1 not in kept):
        end = start
        while end + 1 in kept:
            end += 1
        drawn.add_vrect(
            x0=start - 0.5, x1=end + 0.5, fillcolor=colours.faint, line_width=0, layer="below"
        )
    if kept:
        drawn.add_annotation(
            x=kept[0] - 0.5, y=1, yref="paper", yanchor="bottom", xanchor="left", showarrow=False,
            text=f"baseline: {len(baseline)} batches", font_size=12,
        )  # fmt: skip


def _limits(drawn: go.Figure, batches: list[dict[str, Any]], colours: Colours) -> None:
    for side, shown in (("upper", True), ("lower", False)):
        if any(batch[side] is not None for batch in batches):
            drawn.add_scatter(
                x=np.arange(len(batches)), mode="lines",
                y=np.array([batch[side] for batch in batches], dtype=float),
                line={"color": colours.quiet, "width": 1, "dash": "dot", "shape": "hvh"},
                name="limits of a batch mean", showlegend=shown, hoverinfo="skip",
            )  # fmt: skip


def _signals(
    drawn: go.Figure, stream: dict[str, Any], names: list[str], unit: str, colours: Colours
) -> None:
    place = {name: i for i, name in enumerate(names)}
    for rule, (symbol, word) in RULES.items():
        found = [s for s in stream["signals"] if s["rule"] == rule and s["batch"] in place]
        if not found:
            continue
        drawn.add_scatter(
            x=[place[signal["batch"]] for signal in found],
            y=[signal["value"] for signal in found],
            mode="markers",
            marker={"symbol": symbol, "color": colours.deep, "size": 12, "line": {"width": 2}},
            name=word,
            text=[
                f"<b>batch {s['batch']}</b><br>{word}: {amount(s['value'], unit)}<br>"
                f"would be {amount(s['lower'])} to {amount(s['upper'])} had nothing moved"
                for s in found
            ],
            hovertemplate="%{text}<extra></extra>",
            customdata=[["batch", s["batch"]] for s in found],
        )
    change = stream["change"]
    if change and change["first_batch"] in place:
        at = place[change["first_batch"]]
        drawn.add_vline(
            x=at - 0.5, line={"color": colours.deep, "width": 2},
            annotation={"text": f"moved here: {change['first_batch']}", "y": 1,
                        "yanchor": "bottom", "font": {"size": 12, "color": colours.deep},
                        # above the words on the baseline: on a phone they come close
                        "yshift": 13, "xanchor": "left" if at < len(names) / 2 else "right"},
        )  # fmt: skip


def _told(batch: dict[str, Any], unit: str) -> str:
    lines = [
        f"<b>batch {batch['batch']}</b>, made on {batch['made_on']}",
        f"mean {amount(batch['mean'], unit)} of {batch['n']} part{'' if batch['n'] == 1 else 's'}",
    ]
    if batch["lower"] is not None:
        lines.append(f"limits {amount(batch['lower'])} to {amount(batch['upper'], unit)}")
    return "<br>".join(lines)
