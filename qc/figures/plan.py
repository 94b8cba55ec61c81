"""How readily a plan accepts a lot, by how bad the lot is: the risks on both sides."""

from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, new_figure
from qc.figures.words import amount


def figure(plan: dict[str, Any], look: str = "light") -> go.Figure:
    """From one plan of `qc.views.plan`: the curve, and the share that is asked for."""
    colours = COLOURS[look]
    curve = plan["curve"]
    shares = [100 * point["bad_share"] for point in curve]
    chances = [100 * point["accepted"] for point in curve]
    counted = curve[0]["bad"] is not None
    told = [f"{_bad(point)}: accepted with {100 * point['accepted']:.1f} %" for point in curve]
    drawn = new_figure(title(plan), look, 420)
    drawn.add_scatter(
        x=shares, y=chances, mode="lines+markers" if counted else "lines",
        name="chance that the lot is accepted", text=told,
        line={"color": colours.main, "width": 2}, marker={"size": 6},
        hovertemplate="%{text}<extra></extra>",
    )  # fmt: skip
    wanted = 100 * plan["required_share"]
    drawn.add_vline(x=wanted, line={"color": colours.deep, "width": 2, "dash": "dash"})
    drawn.add_annotation(
        x=wanted, y=100, text=f"{_asked(plan)} {amount(wanted, '%')}", showarrow=False,
        xanchor="left", yanchor="bottom", xshift=4,
    )  # fmt: skip
    drawn.add_hline(y=10, line={"color": colours.quiet, "width": 1, "dash": "dot"})
    drawn.add_annotation(
        x=1, xref="paper", y=10, text="1 lot in 10", showarrow=False, xanchor="right",
        yanchor="bottom",
    )  # fmt: skip
    drawn.update_xaxes(title_text="Bad parts in the lot, %", rangemode="tozero")
    drawn.update_yaxes(title_text="Lots accepted, %", range=[0, 108])
    return drawn


def title(plan: dict[str, Any]) -> str:
    """What the figure shows, in a sentence."""
    test = plan["test"].capitalize() + f" {plan['n']}"
    test += f" of {plan['lot_size']}" if plan["lot_size"] else ""
    half = next((p for p in plan["curve"] if p["accepted"] <= 0.5), plan["curve"][-1])
    return (
        f"{test}: with {amount(100 * half['bad_share'], '%', 2)} bad parts a lot is accepted in "
        f"{100 * half['accepted']:.0f} of 100 draws"
    )


def alt_text(plan: dict[str, Any]) -> str:
    """The figure in words."""
    tenth = next((p for p in plan["curve"] if p["accepted"] <= 0.1), plan["curve"][-1])
    return f"{title(plan)}; with {_bad(tenth)} in {100 * tenth['accepted']:.0f} of 100."


def _bad(point: dict[str, Any]) -> str:
    share = amount(100 * point["bad_share"], "%", 3)
    if point["bad"] is None:
        return f"{share} bad"
    return f"{point['bad']} bad part{'' if point['bad'] == 1 else 's'} ({share})"


def _asked(plan: dict[str, Any]) -> str:
    return "AQL" if "aql_percent" in plan else "allowed"
