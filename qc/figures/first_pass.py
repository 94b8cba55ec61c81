"""Batch by batch the share of parts that met everything judged the first time."""

from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, name_ticks, new_figure, note
from qc.figures.words import parts

Row = dict[str, Any]


def figure(answer: Row, look: str = "light") -> go.Figure:
    """From an answer of `first_pass`: a mark a batch with its exact 95 % limits."""
    drawn, batches = new_figure(title(answer), look, 430), answer["batches"]
    if not batches:
        return note(drawn, "No part of this choice has been judged yet.")
    colours = COLOURS[look]
    names = [batch["batch"] for batch in batches]
    together = answer["together"]["share"]
    drawn.add_scatter(
        x=[-0.5, len(names) - 0.5], y=[100 * together] * 2, mode="lines", hoverinfo="skip",
        line={"color": colours.quiet, "width": 1.5}, name="all these batches together",
    )  # fmt: skip
    low = [i for i, batch in enumerate(batches) if batch["upper"] < together]
    others = [i for i in range(len(batches)) if i not in set(low)]
    for members, symbol, color, size, name in (
        (others, "circle", colours.main, 7, "batch, with 95 % limits"),
        (low, "diamond-open", colours.deep, 12, "limits wholly below all together"),
    ):
        if members:
            drawn.add_scatter(
                x=members, y=[100 * batches[i]["share"] for i in members], mode="markers",
                name=name,
                marker={"symbol": symbol, "color": color, "size": size,
                        "line": {"width": 2, "color": color}},
                error_y={**_bars(batches, members), "color": color, "thickness": 1, "width": 2},
                text=[_told(batches[i]) for i in members],
                hovertemplate="%{text}<extra></extra>",
                customdata=[["batch", names[i]] for i in members],
            )  # fmt: skip
    drawn.update_xaxes(title_text="Batch, in order of making", **name_ticks(names))
    drawn.update_yaxes(title_text="Passed first time, % of parts", range=[-3, 103])
    return drawn


def title(answer: Row) -> str:
    """The share of all together, and the worst batch."""
    of, together = answer["model"] or "All models", answer["together"]
    if not together["parts"]:
        return f"{of}: nothing judged yet"
    worst = min(answer["batches"], key=lambda batch: (batch["share"], batch["batch"]))
    head = f"{of}: {_share(together)} of {parts(together['parts'])} passed first time"
    if worst["share"] == 1 or len(answer["batches"]) == 1:
        return head
    return f"{head}; the fewest, {worst['passed']} of {worst['parts']}, in batch {worst['batch']}"


def alt_text(answer: Row) -> str:
    """The figure in words."""
    if not answer["batches"]:
        return f"{title(answer)}."
    together = answer["together"]
    low = [b["batch"] for b in answer["batches"] if b["upper"] < together["share"]]
    told = f"Limits wholly below all together: {', '.join(low)}." if low else "No batch stands out."
    return (
        f"{title(answer)}. {len(answer['batches'])} batches in order of making; 95 % limits of all "
        f"together {100 * together['lower']:.1f} to {100 * together['upper']:.1f} %. {told}"
    )


def _bars(batches: Sequence[Row], members: Sequence[int]) -> Row:
    return {
        "symmetric": False,
        "array": [100 * (batches[i]["upper"] - batches[i]["share"]) for i in members],
        "arrayminus": [100 * (batches[i]["share"] - batches[i]["lower"]) for i in members],
    }


def _share(row: Row) -> str:
    return "all" if row["passed"] == row["parts"] else f"{100 * row['share']:.1f} %"


def _told(batch: Row) -> str:
    why = ", ".join(f"{name.replace('-', ' ')} {n}" for name, n in batch["why"].items())
    lines = [
        f"<b>batch {batch['batch']}</b>, made on {batch['made_on']}",
        f"{batch['passed']} of {parts(batch['parts'])} passed first time",
        f"95 % limits {100 * batch['lower']:.0f} to {100 * batch['upper']:.0f} %",
    ]
    lines += [f"not passed for: {why}"] if why else []
    lines += [f"the whole batch: {batch['whole']}"] if batch["whole"] else []
    lines += ["the batch was held (not counted)"] if batch["held"] else []
    return "<br>".join(lines)
