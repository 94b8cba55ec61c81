"""One part's life as a line of time: what happened above, the flags that stood below."""

import datetime as dt
from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, Colours, new_figure, note
from qc.views.life import LANES

Row = dict[str, Any]

MOST_FLAGS = 12  # the newest ones
_FEW_DAYS = 5  # a life so short is drawn by the hour
MOST_EVENTS = 1000  # the newest ones
# shape and colour of an event by its line; decisions and leaving stand out
_SYMBOLS = {
    "came in": ("triangle-right", "main"),
    "measured": ("circle-open", "main"),
    "looked at": ("square-open", "main"),
    "built": ("hexagon", "main"),
    "struck": ("x", "deep"),
    "decided": ("diamond", "warm"),
    "left or back": ("triangle-right-open", "warm"),
}
# shape, colour and width of a flag by its severity
_SEVERITIES = {
    "critical": ("diamond", "deep", 6),
    "major": ("triangle-up", "warm", 4),
    "minor": ("circle", "main", 2),
}


def figure(life: Row, look: str = "light", until: str | None = None) -> go.Figure:
    """From an answer of `life`; a flag that is open runs on to the moment `until`, by default to
    the newest event."""
    events, flags = life["events"][-MOST_EVENTS:], life["flags"][-MOST_FLAGS:]
    lanes = [lane for lane in LANES if any(event["lane"] == lane for event in events)]
    count = len(lanes) + len(flags)
    drawn = new_figure(title(life), look, max(240, 130 + 28 * count))
    if not events:
        return note(drawn, "Nothing has been recorded of this part.")
    colours = COLOURS[look]
    for lane in lanes:
        _lane(drawn, lane, [event for event in events if event["lane"] == lane], colours)
    end = until or max(_ends(life))
    rows = [f"⚑ {i + 1}" for i in range(len(flags))]
    for row, flag in zip(rows, flags, strict=True):
        _flag(drawn, row, flag, end, colours)
    drawn.update_yaxes(
        categoryorder="array", categoryarray=[*lanes, *rows], autorange="reversed",
        tickvals=[*lanes, *rows], ticktext=[*lanes, *(_short(flag["name"]) for flag in flags)],
        showgrid=True,
    )  # fmt: skip
    drawn.update_xaxes(
        title_text=f"Date, by the clock of {life['zone']}",
        type="date",
        nticks=4,
        tickformat="%d %b<br>%H:%M" if _span(life) <= _FEW_DAYS else "%d %b<br>%Y",
    )
    drawn.update_layout(showlegend=False)
    return drawn


def title(life: Row) -> str:
    """From when to when, in days, and how many flags; a finding, not a label."""
    events, flags = life["events"], life["flags"]
    if not events:
        return f"{life['serial']}: nothing recorded"
    first = events[0]
    days = _span(life)
    shipped = next((e["at"] for e in events if e["kind"] == "shipment"), None)
    if shipped:
        took = (_moment(shipped) - _moment(first["at"])).days
        head = f"{life['serial']}: shipped {_days(took)} after its first record"
        head += ", came back" if any(e["kind"] == "customer-return" for e in events) else ""
    else:
        head = f"{life['serial']}: {_days(days)} from its first to its newest record"
    still = sum(flag["closed_at"] is None for flag in flags)
    if not flags:
        return f"{head}, no flag ever"
    raised = f"{len(flags)} flag{'' if len(flags) == 1 else 's'} raised"
    return f"{head}, {raised}, {still or 'none'} still open"


def alt_text(life: Row) -> str:
    """The figure in words."""
    told = "; ".join(f"{e['at'][:10]} {e['what']}" for e in life["events"][:20])
    more = len(life["events"]) - 20
    return f"{title(life)}. {told}{f'; and {more} more' if more > 0 else ''}."


def _lane(drawn: go.Figure, lane: str, events: Sequence[Row], colours: Colours) -> None:
    symbol, colour = _SYMBOLS[lane]
    color = getattr(colours, colour)
    drawn.add_scatter(
        x=[v for e in events for v in (e["at"], e["until"] or e["at"], None)],
        y=[v for _ in events for v in (lane, lane, None)],
        mode="lines", line={"color": color, "width": 2}, hoverinfo="skip",
    )  # fmt: skip
    drawn.add_scatter(
        x=[event["at"] for event in events], y=[lane] * len(events), mode="markers",
        marker={"symbol": symbol, "color": color, "size": 11,
                "line": {"width": 2, "color": color}},
        text=[f"<b>{e['at'][:10]} {e['at'][11:16]}</b><br>{e['what']}" for e in events],
        hovertemplate="%{text}<extra></extra>",
    )  # fmt: skip


def _flag(drawn: go.Figure, row: str, flag: Row, end: str, colours: Colours) -> None:
    symbol, colour, width = _SEVERITIES[flag["severity"]]
    color = getattr(colours, colour)
    closed = flag["closed_at"]
    by = f"closed {closed[:10]}: {flag['closed_by'] or 'no reason kept'}" if closed else "open"
    told = f"<b>{flag['name']}</b>, {flag['severity']}<br>raised {flag['raised_at'][:10]}, {by}"
    drawn.add_scatter(
        x=[flag["raised_at"], max(closed or end, flag["raised_at"])], y=[row, row],
        mode="lines+markers",
        line={"color": color, "width": width, "dash": None if closed else "dot"},
        marker={"symbol": [symbol, f"{symbol}-open" if closed else "triangle-right-open"],
                "size": 11, "line": {"width": 2, "color": color}, "color": color},
        text=[told, told], hovertemplate="%{text}<extra></extra>",
    )  # fmt: skip


def _span(life: Row) -> int:
    """Whole days from the first record to the newest."""
    return (_moment(max(_ends(life))) - _moment(life["events"][0]["at"])).days


def _ends(life: Row) -> list[str]:
    moments = [event["until"] or event["at"] for event in life["events"]]
    return moments + [f["closed_at"] or f["raised_at"] for f in life["flags"]]


def _short(name: str) -> str:
    return name if len(name) <= 16 else f"{name[:15]}…"


def _moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


def _days(count: int) -> str:
    return "the same day" if count == 0 else f"{count} day{'' if count == 1 else 's'}"
