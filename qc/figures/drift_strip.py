"""The strip below a drift chart: which mould, lot or crew made each batch, and where that changed.

A factor is one line of bands, a band a stretch of batches of one level with its name in it where
there is room. A factor that goes to and fro among a few levels has a line for each of them instead.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import plotly.graph_objects as go

from qc.figures.look import Colours
from qc.views.drift_words import NAMED_UP_TO

Row = Mapping[str, Any]

STRIP_PX = 24
_MOST_LINES = 14
_MOST_BANDS = 1800  # in all
_MOST_ON_LINE = 400  # more are a smear
# so few levels, taking turns, are clearer one line each
_FEW_LEVELS, _TURNS = 4, 2
_LONG = 8
_LEVEL = 14  # characters of a level that are shown; the newest differ at the end


class Line(NamedTuple):
    """A line with its label; the head of a factor that has a line for each level has no `runs`."""

    label: str
    factor: str
    runs: Sequence[Row]


def strip_height(strip: Sequence[Row]) -> int:
    """How many lines the strip has."""
    return len(_lines(strip))


def left_out(strip: Sequence[Row]) -> list[str]:
    """The factors that change too often, or are too many, to be drawn; the strip begins with those
    that change least."""
    drawn = {line.factor for line in _lines(strip)}
    return [row["factor"] for row in strip if row["factor"] not in drawn]


def add_strip(
    drawn: go.Figure, strip: Sequence[Row], names: Sequence[str], factors: Sequence[Row],
    colours: Colours,
) -> None:  # fmt: skip
    """Put the strip under the figure's batch axis.

    `names` are the batches by place, `factors` those searched as the cause of a move: the levels
    of the first group have a frame and a mark.
    """
    since = _named(factors, names)
    lines = _lines(strip)
    count = len(lines)
    for i, (_, factor, runs) in enumerate(lines):
        marked = [run["end"] >= since.get((factor, run["level"]), len(names)) for run in runs]
        _bands(drawn, count - 1 - i, factor, runs, names, marked, colours)
    share = STRIP_PX * count / (drawn.layout.height - 150)  # without title, axis and legend
    drawn.update_layout(
        yaxis={"domain": [share + 0.04, 1]},
        yaxis2={
            "domain": [0, share], "range": [-0.5, count - 0.5], "showgrid": False, "ticks": "",
            "tickvals": list(range(count)), "ticktext": [line.label for line in lines[::-1]],
            "tickfont": {"size": 11},
        },
        xaxis={"anchor": "y2"},
        uniformtext={"minsize": 10, "mode": "hide"},
        barmode="overlay", bargap=0.2,
    )  # fmt: skip


def _bands(
    drawn: go.Figure, y: int, factor: str, runs: Sequence[Row], names: Sequence[str],
    marked: Sequence[bool], colours: Colours,
) -> None:  # fmt: skip
    """A line of bands; those of a level that changed with the move have a frame and a mark."""
    shades = 2 if len({run["level"] for run in runs}) > 1 else 1
    shared = _shared(runs)
    drawn.add_bar(
        y=[y] * len(runs), yaxis="y2", orientation="h", showlegend=False,
        base=[run["start"] - 0.5 for run in runs],
        x=[run["end"] - run["start"] + 1 for run in runs],
        text=[("◆ " if mark else "") + _short(run["level"], shared)
              for run, mark in zip(runs, marked, strict=True)],
        textposition="inside", insidetextanchor="middle", textangle=0, constraintext="inside",
        textfont={"color": colours.text, "size": 11},
        marker={
            "color": [(colours.faint, colours.grid)[i % shades] for i in range(len(runs))],
            "line": {"color": [colours.deep if mark else colours.quiet for mark in marked],
                     "width": [2 if mark else 0.5 for mark in marked]},
        },
        hovertext=[_told(factor, run, names, mark)
                   for run, mark in zip(runs, marked, strict=True)],
        hoverinfo="text",
    )  # fmt: skip


def _lines(strip: Sequence[Row]) -> list[Line]:
    """As many lines as there is room for, whole factors only."""
    lines: list[Line] = []
    for row in strip:
        factor, runs = row["factor"], row["runs"]
        name = factor.replace("_", " ")
        own = [Line(name, factor, runs)]
        if row["levels"] <= _FEW_LEVELS and len(runs) > _TURNS * row["levels"]:
            levels = sorted({run["level"] for run in runs if run["level"] is not None})
            own = [Line(f"{name}:", factor, [])] + [
                Line(_short(level), factor, [run for run in runs if run["level"] == level])
                for level in levels
            ]
        bands = [len(line.runs) for line in (*lines, *own)]
        few = sum(bands) <= _MOST_BANDS and max(bands) <= _MOST_ON_LINE
        if few and len(bands) <= _MOST_LINES:
            lines += own
    return lines


def _named(factors: Sequence[Row], names: Sequence[str]) -> dict[tuple[str, str], int]:
    """The levels that changed with the move, and from which place on; none where no factor stands
    out."""
    first = [row for row in factors if row["group"] == factors[0]["group"]]
    if min((row["p"] for row in first), default=1.0) > NAMED_UP_TO:
        return {}
    place = {name: i for i, name in enumerate(names)}
    return {(row["factor"], row["level"]): place.get(row["first_batch"], 0) for row in first}


def _short(level: str | None, shared: int = 0) -> str:
    """A level without the beginning that all levels share, and no longer than there is room."""
    text = level or "not known"
    text = f"…{text[shared:]}" if shared and level else text
    return text if len(text) <= _LEVEL else f"…{text[-_LEVEL + 1 :]}"


def _shared(runs: Sequence[Row]) -> int:
    """How many characters at the beginning of long codes say nothing, for all have them."""
    levels = [run["level"] for run in runs if run["level"] is not None]
    if len(set(levels)) < 2 or max(map(len, levels)) <= _LONG:
        return 0
    first, last = min(levels), max(levels)  # what these two share, all share
    return next(i for i, letter in enumerate(last) if first[i : i + 1] != letter)


def _told(factor: str, run: Row, names: Sequence[str], marked: bool) -> str:
    start, end = names[run["start"]], names[run["end"]]
    reach = f"batch {start}" if start == end else f"batches {start} to {end}"
    said = f"<b>{factor.replace('_', ' ')} {run['level'] or 'not known'}</b><br>{reach}"
    return said + ("<br>◆ changed with the level" if marked else "")
