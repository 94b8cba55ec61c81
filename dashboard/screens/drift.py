"""Drift: where the level of a batch mean moved."""

import cached
import catalog_form
import frame
import picture_tables
import signed_in
import streamlit as st
import tables
import words

from qc.figures import drift, drift_strip
from qc.figures import shared_turn as shared_turn_figure

PAGE = 5


def shared_turn(model: str, stage: str, direction: str) -> None:
    """What parts of a batch share round the turn comes from the mould, not from the stand."""
    rows = cached.shared_turns(model, stage, direction)
    if not rows:
        return
    what = (rows, model, stage, direction)
    with st.expander("The turn that the parts of a batch share"):
        drawn = shared_turn_figure.figure(*what, frame.look())
        frame.show(drawn, shared_turn_figure.alt_text(*what), f"shared {model} {stage} {direction}")
        frame.table(list(map(picture_tables.shared_turn_row, rows)), "Shared turns, newest first")
        frame.terms("shared turn")


st.title("Drift")
catalog_form.say_what_was_kept()
streams = cached.levels()
if not streams:
    st.info(
        "No batch has been measured yet. A comparison needs eight batches of a model; import "
        "their logs with `rimqc import`."
    )
    st.stop()

with st.container(horizontal=True):
    for name in ("model", "stage", "characteristic"):
        chosen = frame.choose(name, ["all", *dict.fromkeys(s[name] for s in streams if s[name])])
        streams = [s for s in streams if chosen in ("all", s[name])]
moved = [s for s in streams if s["signals"]]
quiet = [s for s in streams if not s["signals"]]
st.header(f"{len(moved) or 'None'} of {len(streams)} measured levels moved")
if streams:
    st.markdown(
        f"{streams[0]['streams']} levels are watched at once. If nothing had moved at all, about "
        f"{streams[0]['expected_false']:.1f} signals would still be expected among them."
    )
may_freeze = signed_in.allowed("freeze-baseline")
drawn = moved if len(streams) > PAGE else moved + quiet
first = frame.page(len(drawn), PAGE)
for stream in map(cached.explained, drawn[first : first + PAGE]):
    names = drift.drawn_batches(stream)
    strip = cached.factor_runs_of(stream, names)
    frame.show(
        drift.figure(stream, frame.look(), strip), drift.alt_text(stream), drift.name_of(stream)
    )
    for said in stream["says"]:
        st.markdown(f"- {words.plain(said)}")
    if said := drift.since(stream):
        st.markdown(f"- {said} A move that was just found looks larger than it is.")
    if more := drift_strip.left_out(strip):
        names_of = ", ".join(words.plain(name.replace("_", " ")) for name in more)
        st.markdown(f"- Not drawn, for they change too often: {names_of}. The table has them.")
    with st.expander("The batches as a table, and what they share"):
        newest = frame.newest(stream["batches"])
        rows = [picture_tables.batch_row(batch, stream["unit"]) for batch in newest]
        frame.table(rows, "Batch means, the newest first")
        if strip:
            rows = picture_tables.run_rows(strip, names)[: frame.MOST_ROWS]
            frame.table(rows, "What batches share, the newest first")
    of, _, direction = stream["characteristic"].partition("-")
    if of in ("tir", "form") and stream["stage"]:
        shared_turn(stream["model"], stream["stage"], direction)
    if stream["factors"]:
        with st.expander("Every factor that was searched"):
            frame.table([tables.factor_row(row) for row in stream["factors"]], "Factors")
    if may_freeze and len(stream["batches"]) >= drift.LEAST_BATCHES:
        catalog_form.freeze(stream)
if quiet and drawn == moved:
    with st.expander(f"{len(quiet)} without a sign of a move"):
        frame.table([tables.stream_row(s) for s in quiet], "Levels that did not move")
frame.terms("drift", "baseline", "limits", "interval", "form", "TIR", "strip")
