"""Drift: where the level of a batch mean moved."""

from urllib.parse import urlencode

import cached
import frame
import streamlit as st
import words

from qc.figures import drift
from qc.figures.words import characteristic_name, stage_name

AT_ONCE = 4

st.title("Drift")
streams = cached.drift()
if not streams:
    st.info(
        "No batch has been measured yet. A comparison needs eight batches of a model; import "
        "their logs with `rimqc import`."
    )
    st.stop()

names = {"model": str, "stage": stage_name, "characteristic": characteristic_name}
with st.container(horizontal=True):
    for name, shown in names.items():
        levels = ["", *dict.fromkeys(s[name] for s in streams if s[name])]
        chosen = st.selectbox(
            name.capitalize(), levels, format_func=lambda x, f=shown: f(x) if x else "all",
            key=name, bind="query-params", width=230,
        )  # fmt: skip
        streams = [s for s in streams if chosen in ("", s[name])]
moved = [s for s in streams if s["signals"]]
quiet = [s for s in streams if not s["signals"]]
st.subheader(f"{len(moved) or 'None'} of {len(streams)} measured levels moved")
drawn = moved if len(streams) > AT_ONCE else moved + quiet
for i, stream in enumerate(drawn[:AT_ONCE]):
    frame.show(drift.figure(stream, frame.look()), drift.alt_text(stream), f"drift{i}")
    if said := drift.since(stream):
        st.markdown(f"{said} A move that was just found looks larger than it is.")
if len(drawn) > AT_ONCE:
    st.subheader("Moved as well")
for stream in drawn[AT_ONCE:]:
    query = {name: stream[name] for name in names if stream[name]}
    st.markdown(f"[{words.plain(drift.title(stream))}](/drift?{urlencode(query)})")
if quiet and drawn == moved:
    with st.expander(f"{len(quiet)} without a sign of a move"):
        frame.table([words.stream_row(s) for s in quiet], "Quiet levels")
frame.terms("drift", "baseline", "limits", "EWMA", "interval", "form", "TIR")
