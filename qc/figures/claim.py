"""Bare mass against the claim of its day and its band, batch by batch."""

from collections.abc import Mapping, Sequence
from typing import Any

import plotly.graph_objects as go

from qc.figures.look import COLOURS, Colours, name_ticks, new_figure, note
from qc.figures.words import amount, parts, stage_name

Row = Mapping[str, Any]

MOST_BATCHES = 300  # the newest ones
_WITH_BARS = 300  # parts that can show their uncertainty without hiding each other

# shape and word of each way a part can stand against its claim
_SHAPES = {
    "within": ("circle", "within the claim's band"),
    "over": ("triangle-up", "over: above the band"),
    "under": ("triangle-down", "under: below the band"),
    "suspect": ("x-thin-open", "in doubt: its scale was found off"),
    "no-claim": ("circle-open", "no claim to compare with"),
}


def figure(
    batches: Sequence[Row], rows: Sequence[Row], claim: Row, look: str = "light"
) -> go.Figure:
    """The newest batches, from the rows of `batch_masses`, `masses` and of `claims`.

    One mark a part for the batches that `rows` hold whole, a range for the others. Where parts are
    few, bars show ± 2 standard uncertainties.
    """
    stage = claim["stage"]
    drawn = new_figure(title(batches, claim), look, 460)
    if not batches and not rows:
        return note(drawn, "No part of this model has been weighed at this stage.")
    colours = COLOURS[look]
    batches = batches[-MOST_BATCHES:]
    names = _names(batches, rows)
    place = {name: i for i, name in enumerate(names)}
    rows = [row for row in rows if row["batch"] in place]
    whole = _drawn_whole(batches, rows)
    rows = [row for row in rows if row["batch"] in whole]
    places = _places(rows, place)
    _band(drawn, batches, rows, place, colours)
    _ranges(drawn, [one for one in batches if one["batch"] not in whole], place, colours)
    groups: dict[str, list[int]] = {name: [] for name in _SHAPES}
    for i, row in enumerate(rows):
        groups[_standing(row)].append(i)
    for name, members in groups.items():
        if members:
            _marks(drawn, name, members, rows, places, colours)
    _supported(drawn, claim, place, colours)
    drawn.update_xaxes(title_text="Batch, in order of making", **name_ticks(names))
    drawn.update_yaxes(title_text=f"Bare mass of the {stage_name(stage)}, g")
    return drawn


def title(batches: Sequence[Row], claim: Row) -> str:
    """What the figure shows, in a sentence; parts in doubt are not counted."""
    head = f"Bare mass of {claim['model']} {stage_name(claim['stage'], many=True)}"
    n = sum(one["n"] for one in batches)
    sure = sum(one["n"] for one in batches if one["claimed_g"] is not None)
    if not n:
        return f"{head}: nothing weighed yet"
    if not sure:
        return f"{head}: {parts(n)} weighed, none to be compared with a claim"
    found = [
        (count, word)
        for beyond, word in (("over", "above"), ("under", "below"))
        if (count := sum(one[beyond] for one in batches))
    ]
    if not found:
        said = f"all {parts(sure)} lie" if sure > 1 else "the one part lies"
        return f"{head}: {said} within the claim's band"
    if len(found) == 1:
        count, word = found[0]
        lie = "lies" if count == 1 else "lie"
        return f"{head}: {count:,} of {parts(sure)} {lie} {word} the claim's band"
    said = " and ".join(f"{count:,} {word}" for count, word in found)
    return f"{head}: of {parts(sure)} {said} the claim's band"


def alt_text(batches: Sequence[Row], rows: Sequence[Row], claim: Row) -> str:
    """The figure in words."""
    said = title(batches, claim)
    if not batches:
        return said + "."
    least, most = min(b["least_g"] for b in batches), max(b["most_g"] for b in batches)
    doubt = sum(row["suspect"] for row in rows)
    claimed, supported = claim["claimed_g"], claim["supported_claim_g"]
    against = f" The claim is {amount(claimed, 'g')}." if claimed is not None else ""
    shown = f" Supported: {amount(supported, 'g')}." if supported is not None else ""
    doubted = f" {parts(doubt)} in doubt." if doubt else ""
    k = len(batches)
    return (
        f"{said}. {k} batch{'' if k == 1 else 'es'} in order of making, masses from "
        f"{amount(least, 'g')} to {amount(most, 'g')}.{against}{shown}{doubted}"
    )


def _names(batches: Sequence[Row], rows: Sequence[Row]) -> list[str]:
    """The batches in order of making, those with parts in doubt only in their place."""
    found = {one["batch"]: (one["made_on"] or "", one["batch"]) for one in batches}
    first = min(found.values(), default=("", ""))
    for row in rows:
        if (key := (row["made_on"] or "", row["batch"])) >= first:
            found[row["batch"]] = key
    return sorted(found, key=lambda batch: found[batch])


def _drawn_whole(batches: Sequence[Row], rows: Sequence[Row]) -> set[str]:
    """The batches all of whose parts are among the rows."""
    there: dict[str, int] = {}
    for row in rows:
        there[row["batch"]] = there.get(row["batch"], 0) + (not row["suspect"])
    sizes = {one["batch"]: one["n"] for one in batches}
    return {batch for batch, count in there.items() if count >= sizes.get(batch, 0)}


def _places(rows: Sequence[Row], place: Mapping[str, int]) -> list[float]:
    """Where each part stands: its batch's number, parts of a batch beside each other."""
    size: dict[str, int] = {}
    for row in rows:
        size[row["batch"]] = size.get(row["batch"], 0) + 1
    seen: dict[str, int] = {}
    places = []
    for row in rows:
        batch = row["batch"]
        seen[batch] = seen.get(batch, 0) + 1
        places.append(place[batch] + 0.7 * (seen[batch] / (size[batch] + 1) - 0.5))
    return places


def _standing(row: Row) -> str:
    if row["suspect"]:
        return "suspect"
    if row["claimed_g"] is None:
        return "no-claim"
    return row["beyond"] or "within"


def _band(
    drawn: go.Figure,
    batches: Sequence[Row],
    rows: Sequence[Row],
    place: Mapping[str, int],
    colours: Colours,
) -> None:
    """The claim and its band as steps: it changes where a new claim came into force."""
    at = {place[one["batch"]]: one for one in [*rows, *batches] if one["claimed_g"] is not None}
    steps = [
        (x, one["claimed_g"], one["claimed_g"] + one["over_g"], one["claimed_g"] - one["under_g"])
        for x, one in sorted(at.items())
    ]
    if not steps:
        return
    changes = [step for i, step in enumerate(steps) if i == 0 or step[1:] != steps[i - 1][1:]]
    x = [step[0] - 0.5 for step in changes] + [steps[-1][0] + 0.5]
    middle, top, bottom = ([step[i] for step in [*changes, changes[-1]]] for i in (1, 2, 3))
    line = {"x": x, "mode": "lines", "line_shape": "hv", "hoverinfo": "skip"}
    edge = {"line_color": colours.quiet, "line_width": 1, "line_dash": "dot"}
    drawn.add_scatter(**line, **edge, y=bottom, showlegend=False)
    drawn.add_scatter(
        **line, **edge, y=top, fill="tonexty", fillcolor=colours.faint, name="the claim's band"
    )
    drawn.add_scatter(**line, y=middle, line_color=colours.text, line_width=2, name="claimed mass")


def _supported(drawn: go.Figure, claim: Row, place: Mapping[str, int], colours: Colours) -> None:
    """The supported claim, over the batches that it rests on."""
    supported = claim["supported_claim_g"]
    if supported is None:
        return
    last = len(place) - 0.5
    drawn.add_scatter(
        x=[place.get(claim["supported_from"], 0) - 0.5, last],
        y=[supported, supported],
        mode="lines+text",
        text=["", f"supported {amount(supported, 'g')} "],
        textposition="top left",
        line={"color": colours.deep, "width": 2, "dash": "dash"},
        textfont_color=colours.deep,
        name="supported claim",
        hoverinfo="skip",
    )


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
        customdata=[["part", rows[i]["serial"]] for i in members],
        error_y={
            "array": [2 * (rows[i]["u_g"] or 0) for i in members],
            "visible": len(rows) <= _WITH_BARS,
            "color": color,
            "thickness": 1,
            "width": 2,
        },
    )


def _mass(row: Row) -> str:
    u = f", standard uncertainty {amount(row['u_g'], 'g', 2)}" if row["u_g"] else ""
    return f"{amount(row['bare_g'], 'g', 5)}{u}"


def _told(row: Row, word: str) -> str:
    lines = [f"<b>{row['serial']}</b>, batch {row['batch']}", _mass(row)]
    if row["claimed_g"] is not None:
        least, most = row["claimed_g"] - row["under_g"], row["claimed_g"] + row["over_g"]
        lines.append(
            f"claimed {amount(row['claimed_g'], 'g')}, allowed {amount(least)} to {amount(most)} g"
        )
    verdict = "too near a limit to tell" if row["verdict"] == "undecided" else word
    return "<br>".join([*lines, verdict])


def _ranges(
    drawn: go.Figure, batches: Sequence[Row], place: Mapping[str, int], colours: Colours
) -> None:
    """Batches whose parts are too many to show one by one: from least to most, and the mean."""
    if not batches:
        return
    x = [place[one["batch"]] for one in batches]
    drawn.add_bar(
        x=x,
        y=[one["most_g"] - one["least_g"] for one in batches],
        base=[one["least_g"] for one in batches],
        width=0.5,
        marker={"color": colours.quiet, "opacity": 0.5},
        name="lightest to heaviest (too many to show singly)",
        text=[_range_told(one) for one in batches],
        textposition="none",
        hovertemplate="%{text}<extra></extra>",
        customdata=[["batch", one["batch"]] for one in batches],
    )
    drawn.add_scatter(
        x=x,
        y=[one["mean_g"] for one in batches],
        mode="markers",
        marker={"symbol": "line-ew-open", "color": colours.text, "size": 9, "line_width": 2},
        name="mean of such a batch",
        hoverinfo="skip",
    )
    for beyond in ("over", "under"):
        found = [one for one in batches if one[beyond]]
        symbol, word = _SHAPES[beyond]
        end = "most_g" if beyond == "over" else "least_g"
        if found:
            drawn.add_scatter(
                x=[place[one["batch"]] for one in found],
                y=[one[end] for one in found],
                mode="markers",
                marker={
                    "symbol": f"{symbol}-open",
                    "color": colours.warm if beyond == "over" else colours.deep,
                    "size": 10,
                    "line_width": 2,
                },
                name=f"batch with parts {word}",
                hoverinfo="skip",
            )


def _range_told(one: Row) -> str:
    beyond = f"{one['over']} over and {one['under']} under the band"
    return (
        f"<b>batch {one['batch']}</b><br>{parts(one['n'])}: {amount(one['least_g'], 'g')} to "
        f"{amount(one['most_g'], 'g')}, mean {amount(one['mean_g'], 'g', 5)}<br>"
        f"{beyond}"
    )
