"""Pieces that several screens share: a figure with its words, a flag, terms, the caution."""

from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

import cached
import plotly.graph_objects as go
import streamlit as st
import words

T = TypeVar("T")
TEXT_PX = 760  # lines of text longer than this are hard to read
MOST_ROWS = 200  # of a plain table


def look() -> str:
    """Which of our two looks the browser shows."""
    return "dark" if st.context.theme.type == "dark" else "light"


def show(figure: go.Figure, alt: str, key: str) -> None:
    """A figure under its own title: as text it wraps on a narrow screen and is read aloud.

    A mark that stands for a part or a batch leads there; the table behind a figure has the same
    links for who uses no pointer. `key` must name what is drawn, or a choice made in one figure
    would stand below the next.
    """
    st.markdown(f"**{words.plain(str(figure.layout.title.text).replace('<br>', ' '))}**")
    figure.update_layout(title_text=None, margin_t=28)
    drawn: dict[str, Any] = {
        "theme": None, "key": key, "alt": alt, "config": {"displayModeBar": False}
    }  # fmt: skip
    leads = dict.fromkeys(
        mark[0]
        for trace in figure.data
        if trace.customdata is not None
        for mark in trace.customdata
    )
    if not leads:
        st.plotly_chart(figure, **drawn)
        return
    chosen = st.plotly_chart(figure, **drawn, on_select="rerun", selection_mode="points")
    marks = [mark.get("customdata") for mark in chosen["selection"]["points"]]
    ways = dict.fromkeys(tuple(mark) for mark in marks if mark)
    if not ways:
        st.markdown(f":gray[Choose a mark to open its {' or '.join(leads)}.]")
    for kind, name in ways:
        if kind == "part":
            link("part", f"Open part {name}", {"serial": name})
        else:
            link("touched", f"Parts of batch {name}", {"factor": "batch", "level": name})


def table(rows: Sequence[Mapping[str, Any]], alt: str) -> None:
    """A plain table; a wide one scrolls by itself."""
    st.table(list(rows), border="horizontal", hide_index=True, alt=alt)


def newest(rows: Sequence[T]) -> Sequence[T]:
    """Of rows in order of time as many as a plain table takes, the newest first."""
    return rows[: -MOST_ROWS - 1 : -1]


def lately(rows: Sequence[T], of: str, how: str) -> Sequence[T]:
    """Of many rows in order of time the newest, said to be so; a browser takes long for thousands.

    `how` tells where all of them are.
    """
    if len(rows) <= MOST_ROWS:
        return rows
    st.markdown(f"Shown are the newest {MOST_ROWS} of {len(rows):,} {of}; {how} has all.")
    return newest(rows)


def page(count: int, size: int) -> int:
    """Where the chosen page of a long list begins; no choice where one page holds all."""
    pages = -(-count // size)
    if pages < 2:
        return 0
    if st.session_state.get("page", 1) > pages:  # the list has become shorter
        st.session_state["page"] = pages
    chosen = st.number_input(
        f"Page, 1 to {pages}", 1, pages, key="page", bind="query-params", width=160
    )
    return size * (int(chosen) - 1)


def terms(*names: str) -> None:
    """What the words on this screen mean, on demand."""
    with st.expander("What these words mean"):
        for name in names:
            st.markdown(f"**{name}**: {words.TERMS[name]}", width=TEXT_PX)


def caution() -> None:
    st.markdown(f":gray[{words.CAUTION}]", width=TEXT_PX)


def status(part: dict[str, Any]) -> None:
    """Where a part stands, in words, and whether it may leave."""
    leaves = "✓ May leave." if part["may_leave"] else "✕ May not leave."
    with st.container(border=True):
        st.markdown(f"**Status: {words.STATUSES.get(part['status'], part['status'])}. {leaves}**")
        if part["reasons"]:
            st.markdown("\n".join(f"- {words.plain(reason)}" for reason in part["reasons"]))
        if part["model"]:
            made = f", made on {part['made_on']}" if part["made_on"] else ""
            st.markdown(words.plain(f"Model {part['model']}, batch {part['batch']}{made}."))


def flag(row: dict[str, Any], on_part: bool = False) -> None:
    """One open flag: what, why, what to do next, and where to see more."""
    meaning, next_step = words.FLAGS.get(row["flag"], (row["flag"], ""))
    with st.container(border=True):
        st.markdown(
            f"{words.mark(row['severity'])} · **{words.plain(words.subject(row))}**: {meaning} · "
            f"since {words.when(row['raised_at'], cached.zone())}"
        )
        st.markdown(f"{words.plain(row['message'])}  \n**Next:** {next_step}")
        with st.container(horizontal=True):
            _links(row, on_part)


def _links(row: dict[str, Any], on_part: bool) -> None:
    names = ("model", "stage", "characteristic")
    where = {name: str(row[name]) for name in names if row.get(name)}
    if "serial" in row and not on_part:
        link("part", f"Open part {row['serial']}", {"serial": row["serial"]})
    if row["flag"].startswith("weight-") and len(where) > 1:
        link("claims", f"Claim of {where['model']}", where)
    if row["flag"].startswith("impact-") and "model" in where:
        link("margins", f"Impact margins of {where['model']}", {"model": where["model"]})
    if row["flag"].startswith("runout-") and len(where) > 1:
        moved = where | {"characteristic": f"form-{row['flag'].removeprefix('runout-')}"}
        link("drift", f"Has {where['model']} moved?", moved)
    if row["flag"] == "drift":
        link("drift", "See the drift", where)
    if "serial" in row and row["severity"] != "minor" and not on_part:
        link("decide", "Decide", {"on": row["serial"]})
    if "gauge" in row:
        link("gauges", f"Gauge {row['gauge']}", {"gauge": row["gauge"]})
    if row["flag"] == "gauge-suspect":
        serials = cached.parts_in_doubt(row["gauge"])
        for serial in serials[:12]:
            link("part", serial, {"serial": serial})
        if len(serials) > 12:
            st.markdown(f"and {len(serials) - 12} more")


def link(screen: str, label: str, query: Mapping[str, str]) -> None:
    """A link to a screen that carries its filters."""
    shown = f":blue[{words.plain(label)} →]"
    st.page_link(f"screens/{screen}.py", label=shown, query_params=dict(query))


def choose(label: str, options: Sequence[str], start: str | None = None) -> str:
    """A choice that the address of the screen keeps. It shows codes as the shop writes them: an
    address keeps what is shown, and must keep what is meant."""
    index = options.index(start) if start in options else 0
    chosen: str = st.selectbox(
        label.capitalize(), options, index, key=label, bind="query-params", width=240
    )
    return chosen
