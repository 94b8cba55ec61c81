"""The checks of a gauge in order of time: how far off it read, and how far off it may read."""

from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, new_figure, note
from qc.figures.words import amount

# as found and as left are apart in shape and colour; a failed check is a cross of either
_MARKS = {"as-found": ("circle", "main"), "as-left": ("square-open", "warm")}


def figure(gauge: dict[str, Any], look: str = "light") -> go.Figure:
    """From an answer of `qc.views.gauges.gauge`: the error of each check, in the gauge's unit."""
    colours, checks, unit = COLOURS[look], gauge["checks"], gauge["unit"]
    drawn = new_figure(title(gauge), look, 400)
    if not checks:
        return note(drawn, "No check of this gauge has been recorded yet.")
    at = [check["at"] for check in checks]
    for sign in (1, -1):
        drawn.add_scatter(
            x=at, y=[sign * check["limit"] for check in checks], mode="lines",
            name="error allowed", legendgroup="allowed", showlegend=sign == 1, hoverinfo="skip",
            line={"color": colours.quiet, "width": 1.5, "dash": "dash", "shape": "hv"},
        )  # fmt: skip
    for found, (symbol, colour) in _MARKS.items():
        for passed in (True, False):
            own = [c for c in checks if (c["found"], c["passes"]) == (found, passed)]
            if not own:
                continue
            words = found.replace("-", " ")
            drawn.add_scatter(
                x=[c["at"] for c in own], y=[c["error"] for c in own], mode="markers",
                name=words if passed else f"{words}, failed",
                marker={
                    "symbol": symbol if passed else "x",
                    "size": 7 if passed else 13,
                    "color": getattr(colours, colour if passed else "deep"),
                },
                text=[_told(c, unit) for c in own], hovertemplate="%{text}<extra></extra>",
            )  # fmt: skip
    drawn.update_yaxes(title_text=f"error, {unit}", zeroline=True, zerolinecolor=colours.quiet)
    return drawn


def _told(check: dict[str, Any], unit: str) -> str:
    return (
        f"{check['at'][:10]}, {check['reference']}: read {check['reading']} {unit}, "
        f"true {check['nominal']} {unit}"
    )


def title(gauge: dict[str, Any]) -> str:
    """What the figure shows, in a sentence."""
    failed = [check for check in gauge["checks"] if not check["passes"]]
    if not gauge["checks"]:
        return f"Checks of {gauge['gauge']}"
    count = len(gauge["checks"])
    of = f"the newest {count} of {gauge['count']}" if count < gauge["count"] else f"{count}"
    said = f"{len(failed)} failed" if failed else "none failed"
    return f"Checks of {gauge['gauge']}: {of}, {said}"


def alt_text(gauge: dict[str, Any]) -> str:
    """The figure in words."""
    if not gauge["checks"]:
        return f"{title(gauge)}: none yet."
    newest = gauge["checks"][-1]
    failed = "; ".join(
        f"{check['at'][:10]} by {amount(abs(check['error']), gauge['unit'])}"
        for check in gauge["checks"]
        if not check["passes"]
    )
    return (
        f"{title(gauge)}. Newest: {newest['at'][:10]}, error "
        f"{amount(newest['error'], gauge['unit'])} of {amount(newest['limit'], gauge['unit'])} "
        f"allowed. {f'Failed: {failed}.' if failed else ''}"
    ).strip()
