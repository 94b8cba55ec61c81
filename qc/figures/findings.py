"""What looks found: each finding on the rim by zone and angle, and counts with a running share."""

import math
from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, new_figure, note, ring_names
from qc.figures.words import amount, parts

Row = dict[str, Any]

MOST_MARKS = 2000  # the newest ones
MOST_BARS = 20
# the zones as rings, from the hub outwards
RINGS = ("spoke-hole", "spoke-bed", "valve-hole", "sidewall", "brake-track", "bead-seat", "hook")
# shape, colour and word: three kinds, for fifteen shapes nobody tells apart
KINDS = {
    "parted": ("x", "deep", "parted"),
    "within": ("diamond-open", "warm", "in the laminate"),
    "surface": ("circle-open", "main", "on the surface"),
}
_PARTED = ("crack", "delamination", "disbond")
_SURFACE = ("crazing", "blister", "pinhole", "sharp-edge", "scratch", "cosmetic")


def ring(found: Row, look: str = "light") -> go.Figure:
    """From an answer of `findings`: a mark a finding at its angle, in the ring of its zone, the
    larger the larger it is."""
    drawn, colours = new_figure(ring_title(found), look, 500), COLOURS[look]
    shown = found["findings"][-MOST_MARKS:]
    if not shown:
        return note(drawn, _nothing(found))
    for kind, (symbol, colour, word) in KINDS.items():
        own = [one for one in shown if _kind(one["defect"]) == kind]
        if own:
            _marks(drawn, own, symbol, getattr(colours, colour), f"{word} ({len(own)})")
    rings = [2 + i for i in range(len(RINGS))]
    ring_names(drawn, rings, [zone.replace("-", " ") for zone in RINGS], 0, look)
    drawn.update_polars(
        angularaxis={
            "direction": "clockwise", "rotation": 90, "tickvals": list(range(0, 360, 45)),
            "ticktext": ["valve hole", *(f"{angle}°" for angle in range(45, 360, 45))],
        },
        radialaxis={
            "range": [0, len(RINGS) + 2.6], "tickvals": rings,
            "showticklabels": False, "showline": False, "ticks": "",
        },
    )  # fmt: skip
    drawn.update_layout(legend_y=-0.1, margin={"l": 48, "r": 48, "t": 64, "b": 20})
    return drawn


def ring_title(found: Row) -> str:
    """How many, on how many parts, and where the most are."""
    all_of = found["findings"]
    if not all_of:
        return f"{_of(found)}: {_nothing(found)}"
    zones = [one["zone"] for one in all_of]
    most = max(sorted(set(zones)), key=zones.count)
    on = len({one["serial"] for one in all_of})
    return (
        f"{_of(found)}: {_count(len(all_of))} on {on:,} of {parts(found['looked_at'])} looked at, "
        f"{_percent(zones.count(most) / len(zones))} of them in the {most.replace('-', ' ')}"
    )


def bars(found: Row, rows: Sequence[Row], by: str, look: str = "light") -> go.Figure:
    """From rows of `counted`: sorted bars, and how much of all they and those above them make."""
    drawn = new_figure(bars_title(found, rows, by), look, max(300, 170 + 30 * len(rows)))
    if not rows:
        return note(drawn, _nothing(found))
    colours = COLOURS[look]
    total = sum(row["count"] for row in rows)
    names = [f"{_plain(row['name'], by)}: {row['count']:,}" for row in rows]
    drawn.add_bar(
        x=[row["count"] for row in rows], y=names, orientation="h", name="findings",
        marker={"color": colours.main}, hovertext=[_row_told(row) for row in rows],
        hoverinfo="text", customdata=_leads(rows, by),
    )  # fmt: skip
    drawn.add_scatter(
        x=[100 * row["cumulative"] for row in rows], y=names, xaxis="x2", mode="lines+markers",
        name="cumulative share", line={"color": colours.warm, "width": 2, "dash": "dot"},
        marker={"symbol": "diamond-open", "size": 9, "line": {"width": 2}}, hoverinfo="skip",
    )  # fmt: skip
    drawn.update_layout(
        xaxis={"title_text": "Findings, number", "range": [0, 1.05 * total], "showgrid": False},
        xaxis2={
            "overlaying": "x", "side": "top", "range": [0, 105],
            "title_text": "Cumulative share, %", "tickvals": [0, 20, 40, 60, 80, 100],
        },
        yaxis={"autorange": "reversed", "showgrid": False},
        bargap=0.35,
    )  # fmt: skip
    return drawn


def bars_title(found: Row, rows: Sequence[Row], by: str) -> str:
    """How few names make most of it."""
    if not rows:
        return f"{_of(found)}: {_nothing(found)}"
    half = next(i for i, row in enumerate(rows, 1) if row["cumulative"] >= 0.5)
    share = _percent(rows[half - 1]["cumulative"])
    named = [_plain(row["name"], by) for row in rows[:half]]
    names = " and ".join(filter(None, (", ".join(named[:-1]), named[-1])))
    if half > 3:
        return f"{_of(found)}: the first {half} of {len(rows)} {_many(by)} make {share} of findings"
    makes = "makes" if half == 1 else "make"
    return f"{_of(found)}: {names} {makes} {share} of {_count(rows_total(rows))}"


def rows_total(rows: Sequence[Row]) -> int:
    """How many findings the rows count."""
    return sum(row["count"] for row in rows)


def ring_alt(found: Row) -> str:
    """The ring in words."""
    zones = [one["zone"] for one in found["findings"]]
    told = ", ".join(f"{zone.replace('-', ' ')} {zones.count(zone)}" for zone in RINGS)
    return f"{ring_title(found)}. By zone: {told}." if zones else f"{ring_title(found)}."


def bars_alt(found: Row, rows: Sequence[Row], by: str) -> str:
    """The bars in words."""
    told = ", ".join(
        f"{row['name'].replace('-', ' ')} {row['count']} (together {_percent(row['cumulative'])})"
        for row in rows[:10]
    )
    return f"{bars_title(found, rows, by)}. {told}.".replace(". .", ".")


def _plain(name: str, by: str) -> str:
    return name if by == "batch" else name.replace("-", " ")


def _kind(defect: str) -> str:
    return "parted" if defect in _PARTED else "surface" if defect in _SURFACE else "within"


def _marks(drawn: go.Figure, own: Sequence[Row], symbol: str, color: str, name: str) -> None:
    drawn.add_scatterpolar(
        theta=[one["angle_deg"] for one in own],
        r=[2 + RINGS.index(one["zone"]) for one in own],
        mode="markers",
        name=name,
        marker={
            "symbol": symbol, "color": color, "line": {"width": 1.5},
            "size": [min(18.0, 4 + 3.5 * math.sqrt(one["size_mm"])) for one in own],
        },
        text=[_told(one) for one in own],
        hovertemplate="%{text}<extra></extra>",
        customdata=[["part", one["serial"]] for one in own],
    )  # fmt: skip


def _told(one: Row) -> str:
    return (
        f"<b>{one['serial']}</b>, batch {one['batch']}<br>{one['defect'].replace('-', ' ')} of "
        f"{amount(one['size_mm'], 'mm')}<br>{one['zone'].replace('-', ' ')} at "
        f"{amount(one['angle_deg'])}°, {one['taken_at'][:10]}"
    )


def _row_told(row: Row) -> str:
    return (
        f"<b>{row['name'].replace('-', ' ')}</b>: {_count(row['count'])} on "
        f"{parts(row['parts'])}<br>{_percent(row['share'])} of all, with those above "
        f"{_percent(row['cumulative'])}<br>largest {amount(row['largest_mm'], 'mm')}"
    )


def _leads(rows: Sequence[Row], by: str) -> list[list[str]] | None:
    return [["batch", row["name"]] for row in rows] if by == "batch" else None


def _of(found: Row) -> str:
    return " ".join(filter(None, (found["model"], found["batch"]))) or "All models"


def _nothing(found: Row) -> str:
    looked = found["looked_at"]
    return f"nothing found on {parts(looked)} looked at" if looked else "no part looked at yet"


def _count(count: int) -> str:
    return f"{count:,} finding{'' if count == 1 else 's'}"


def _many(by: str) -> str:
    return "batches" if by == "batch" else f"{by}s"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
