"""Drift: where the level of a batch mean moved."""

import cached
import catalog_form
import frame
import signed_in
import streamlit as st
import tables
import words

from qc.figures import drift

PAGE = 5

st.title("Drift")
catalog_form.say_what_was_kept()
streams = cached.drift()
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
st.subheader(f"{len(moved) or 'None'} of {len(streams)} measured levels moved")
if streams:
    st.markdown(
        f"{streams[0]['streams']} levels are watched at once. If nothing had moved at all, about "
        f"{streams[0]['expected_false']:.1f} signals would still be expected among them."
    )
may_freeze = signed_in.allowed("freeze-baseline")
drawn = moved if len(streams) > PAGE else moved + quiet
first = frame.page(len(drawn), PAGE)
for i, stream in enumerate(drawn[first : first + PAGE]):
    frame.show(drift.figure(stream, frame.look()), drift.alt_text(stream), f"drift{i}")
    for said in stream["says"]:
        st.markdown(f"- {words.plain(said)}")
    if said := drift.since(stream):
        st.markdown(f"- {said} A move that was just found looks larger than it is.")
    if stream["factors"]:
        with st.expander("Every factor that was searched"):
            frame.table([tables.factor_row(row) for row in stream["factors"]], "Factors")
    if may_freeze and len(stream["batches"]) >= drift.LEAST_BATCHES:
        catalog_form.freeze(stream)
if quiet and drawn == moved:
    with st.expander(f"{len(quiet)} without a sign of a move"):
        frame.table([tables.stream_row(s) for s in quiet], "Levels that did not move")
frame.terms("drift", "baseline", "limits", "interval", "form", "TIR")
