"""Every part's bare mass against the claim of its day and its band, batch by batch."""

from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, MOST_POINTS, Colours, name_ticks, new_figure, note
from qc.figures.words import amount, parts, stage_name

Row = dict[str, Any]

_MOST_BATCHES = 1000  # where batches are shown as ranges, the newest ones
_MOST_MARKS = 1000  # and of each kind that stands out, the farthest ones

# shape and word of each way a part can stand against its claim
_SHAPES = {
    "within": ("circle", "within the claim's band"),
    "over": ("triangle-up", "over: above the band"),
    "under": ("triangle-down", "under: below the band"),
    "suspect": ("x-thin-open", "in doubt: its scale was found off"),
    "no-claim": ("circle-open", "no claim to compare with"),
}


def figure(rows: Sequence[Row], model: str, stage: str, look: str = "light") -> go.Figure:
    """One mark a part, from the rows of `masses`; beyond 5,000 parts, batches as ranges."""
    drawn = new_figure(title(rows, model, stage), look, 460)
    if not rows:
        return note(drawn, "No part of this model has been weighed at this stage.")
    colours = COLOURS[look]
    if len(rows) > MOST_POINTS:
        newest = set(_batches(rows)[-_MOST_BATCHES:])
        rows = [row for row in rows if row["batch"] in newest]
    places = _places(rows)
    _band(drawn, rows, places, colours)
    groups: dict[str, list[int]] = {name: [] for name in _SHAPES}
    for i, row in enumerate(rows):
        groups[_standing(row)].append(i)
    if len(rows) > MOST_POINTS:
        _ranges(drawn, rows, groups.pop("within") + groups.pop("no-claim"), colours)
        groups = {name: _farthest(rows, members) for name, members in groups.items()}
    for name, members in groups.items():
        if members:
            _marks(drawn, name, members, rows, places, colours)
    drawn.update_xaxes(title_text="Batch, in order of making", **name_ticks(_batches(rows)))
    drawn.update_yaxes(title_text=f"Bare mass of the {stage_name(stage)}, g")
    return drawn


def title(rows: Sequence[Row], model: str, stage: str) -> str:
    """What the figure shows, in a sentence; parts in doubt are not counted."""
    head = f"Bare mass of {model} {stage_name(stage, many=True)}"
    sure = [row for row in rows if not row["suspect"] and row["claimed_g"] is not None]
    if not rows:
        return f"{head}: nothing weighed yet"
    if not sure:
        return f"{head}: {parts(len(rows))} weighed, none to be compared with a claim"
    found = [
        (sum(row["beyond"] == beyond for row in sure), word)
        for beyond, word in (("over", "above"), ("under", "below"))
    ]
    found = [(n, word) for n, word in found if n]
    if not found:
        said = f"all {parts(len(sure))} lie" if len(sure) > 1 else "the one part lies"
        return f"{head}: {said} within the claim's band"
    if len(found) == 1:
        n, word = found[0]
        return f"{head}: {n:,} of {parts(len(sure))} lie{'s' * (n == 1)} {word} the claim's band"
    said = " and ".join(f"{n:,} {word}" for n, word in found)
    return f"{head}: of {parts(len(sure))} {said} the claim's band"


def alt_text(rows: Sequence[Row], model: str, stage: str) -> str:
    """The figure in words."""
    said = title(rows, model, stage)
    if not rows:
        return said + "."
    least, most = min(row["bare_g"] for row in rows), max(row["bare_g"] for row in rows)
    doubt = sum(row["suspect"] for row in rows)
    claim = rows[-1]["claimed_g"]
    against = f" The claim is {amount(claim, 'g')}." if claim is not None else ""
    doubted = f" {parts(doubt)} in doubt." if doubt else ""
    batches = len(_batches(rows))
    return (
        f"{said}. {batches} batch{'' if batches == 1 else 'es'} in order of making, masses from "
        f"{amount(least, 'g')} to {amount(most, 'g')}.{against}{doubted}"
    )


def _batches(rows: Sequence[Row]) -> list[str]:
    return list(dict.fromkeys(row["batch"] for row in rows))


def _places(rows: Sequence[Row]) -> list[float]:
    """Where each part stands: its batch's number, parts of a batch beside each other."""
    number = {batch: i for i, batch in enumerate(_batches(rows))}
    size: dict[str, int] = {}
    for row in rows:
        size[row["batch"]] = size.get(row["batch"], 0) + 1
    seen: dict[str, int] = {}
    places = []
    for row in rows:
        batch = row["batch"]
        seen[batch] = seen.get(batch, 0) + 1
        places.append(number[batch] + 0.7 * (seen[batch] / (size[batch] + 1) - 0.5))
    return places


def _standing(row: Row) -> str:
    if row["suspect"]:
        return "suspect"
    if row["claimed_g"] is None:
        return "no-claim"
    return row["beyond"] or "within"


def _band(drawn: go.Figure, rows: Sequence[Row], places: list[float], colours: Colours) -> None:
    """The claim and its band as steps: it changes where a new claim came into force."""
    steps = [
        (place, row["claimed_g"], row["over_g"], row["under_g"])
        for place, row in zip(places, rows, strict=True)
        if row["claimed_g"] is not None
    ]
    if not steps:
        return
    kept = [
        step
        for i, step in enumerate(steps)
        if i in (0, len(steps) - 1) or step[1:] != steps[i - 1][1:] or step[1:] != steps[i + 1][1:]
    ]
    x = [kept[0][0] - 0.5, *(step[0] for step in kept), kept[-1][0] + 0.5]
    kept = [kept[0], *kept, kept[-1]]
    line = {"x": x, "mode": "lines", "line_shape": "hv"}
    edge = {"line_color": colours.quiet, "line_width": 1, "line_dash": "dot"}
    drawn.add_scatter(
        **line, **edge, y=[c - u for _, c, _, u in kept], showlegend=False, hoverinfo="skip",
    )  # fmt: skip
    drawn.add_scatter(
        **line, **edge, y=[c + o for _, c, o, _ in kept], fill="tonexty",
        fillcolor=colours.faint, name="the claim's band", hoverinfo="skip",
    )  # fmt: skip
    drawn.add_scatter(
        **line, y=[c for _, c, _, _ in kept], line_color=colours.text, line_width=2,
        name="claimed mass", hoverinfo="skip",
    )  # fmt: skip


def _marks(
    drawn: go.Figure,
    standing: str,
    members: list[int],
    rows: Sequence[Row],
    places: list[float],
    colours: Colours,
) -> None:
    symbol, word = _SHAPES[standing]
    strong = {"over": colours.warm, "under": colours.deep}
    color = strong.get(standing, colours.quiet if standing == "suspect" else colours.main)
    stands_out = standing in ("over", "under", "suspect")
    drawn.add_scatter(
        x=[places[i] for i in members],
        y=[rows[i]["bare_g"] for i in members],
        mode="markers",
        name=word,
        marker={
            "symbol": symbol,
            "color": color,
            "size": 10 if stands_out else 5,
            "line": {"width": 2 if standing == "suspect" else 0, "color": color},
        },
        text=[_told(rows[i], word) for i in members],
        hovertemplate="%{text}<extra></extra>",
    )


def _told(row: Row, word: str) -> str:
    lines = [f"<b>{row['serial']}</b>, batch {row['batch']}", f"{amount(row['bare_g'], 'g', 5)}"]
    if row["claimed_g"] is not None:
        least, most = row["claimed_g"] - row["under_g"], row["claimed_g"] + row["over_g"]
        lines.append(
            f"claimed {amount(row['claimed_g'], 'g')}, allowed {amount(least)} to {amount(most)} g"
        )
    verdict = "too near a limit to tell" if row["verdict"] == "undecided" else word
    return "<br>".join([*lines, verdict])


def _farthest(rows: Sequence[Row], members: list[int]) -> list[int]:
    """The heaviest and the lightest, where they are too many to show."""
    ranked = sorted(members, key=lambda i: rows[i]["bare_g"])
    return ranked[: _MOST_MARKS // 2] + ranked[-_MOST_MARKS // 2 :]


def _ranges(drawn: go.Figure, rows: Sequence[Row], members: list[int], colours: Colours) -> None:
    """The parts within their band, too many to show one by one: from least to most a batch."""
    number = {batch: i for i, batch in enumerate(_batches(rows))}
    ends: dict[str, tuple[float, float, int]] = {}
    for i in members:
        value, batch = rows[i]["bare_g"], rows[i]["batch"]
        low, high, n = ends.get(batch, (value, value, 0))
        ends[batch] = (min(low, value), max(high, value), n + 1)
    drawn.add_bar(
        x=[number[batch] for batch in ends],
        y=[high - low for low, high, _ in ends.values()],
        base=[low for low, _, _ in ends.values()],
        width=0.5,
        marker_color=colours.main,
        name=f"lightest to heaviest within the band ({parts(len(rows))}: too many to show singly)",
        text=[
            f"<b>batch {batch}</b><br>{parts(n)} within: {amount(low, 'g')} to {amount(high, 'g')}"
            for batch, (low, high, n) in ends.items()
        ],
        textposition="none",
        hovertemplate="%{text}<extra></extra>",
    )
