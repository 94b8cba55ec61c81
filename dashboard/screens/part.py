"""One part: where it stands, what was measured, everything in order of time."""

import cached
import frame
import papers
import picture_tables
import streamlit as st
import tables
import words

from qc.errors import RimqcError
from qc.figures import impact, turn
from qc.figures import life as life_figure
from qc.views import turn_words
from qc.views.life import life

st.title("One part")
serial = st.text_input(
    "Serial", key="serial", bind="query-params", placeholder="scan or type it", width=360
).strip()
if not serial:
    st.info("Scan or type a serial, exactly as it is written on the part, then press Enter.")
    st.stop()
try:
    part = cached.trace(serial)
except RimqcError:
    st.warning(f"No record of serial {words.plain(serial)}. Serials are read exactly as written.")
    if near := cached.nearest(serial):
        st.markdown("The nearest known ones:")
        for known in near:
            st.button(known, on_click=st.session_state.__setitem__, args=("serial", known))
    st.stop()

st.header(words.plain(serial))
frame.status(part)
with st.container(horizontal=True):
    frame.link("decide", "Hold, release, decide", {"on": serial})
    frame.link("mend", "Correct a record", {"code": serial})
papers.of_part(part)

open_flags = [row for row in part["flags"] if row["state"] == "open"]
st.subheader(f"Open flags: {len(open_flags) or 'none'}")
for row in open_flags:
    frame.flag(row, on_part=True)

if traces := turn.traces(part["records"]):
    st.subheader("Run-out, the newest of each kind")
    columns = st.columns(2)
    for i, record in enumerate(traces):
        with columns[i % 2]:
            frame.show(turn.figure(record, frame.look()), turn.alt_text(record), f"turn{i}")
            for said in turn_words.sentences(record):
                st.markdown(f"- {said}")
            with st.expander("This turn in numbers"):
                rows = [picture_tables.turn_row(row) for row in turn_words.parts(record)]
                frame.table(rows, turn.title(record))

for test in cached.part_tests(serial):
    name = test["drops"][0]["test"] if test["drops"] else "–"
    st.subheader(f"Impact test {words.plain(name)}")
    frame.show(impact.figure(test, frame.look()), impact.alt_text(test), f"impact {name}")
    with st.expander(f"All {len(test['drops'])} drops as a table"):
        rows = [picture_tables.drop_row(drop) for drop in test["drops"]]
        frame.table(rows, f"Drops of test {name}")

if part["quantities"]:
    st.subheader("What was measured")
    frame.table([tables.quantity_row(row) for row in part["quantities"]], f"Values of {serial}")

st.subheader("Everything in order of time")
lived = life(part, cached.zone())
frame.show(life_figure.figure(lived, frame.look()), life_figure.alt_text(lived), "life")
frame.table(tables.history(part, cached.zone()), f"Records of {serial}")

if part["factors"]:
    st.subheader(f"What batch {words.plain(part['batch'])} shares")
    with st.container(horizontal=True):
        for factor, level in part["factors"].items():
            query = {"factor": factor, "level": level}
            frame.link("touched", f"{factor.replace('_', ' ')}: {level}", query)
if closed := [row for row in part["flags"] if row["state"] == "closed"]:
    st.subheader("Closed flags")
    frame.table([tables.closed_row(row, cached.zone()) for row in closed], "Closed flags")
frame.terms(
    *("flag", "held", "bare mass", "TIR", "form", "once a turn, twice a turn", "bump, flat spot"),
    *("in doubt", "survived multiple", "impact map", "required position", "first damage"),
)
frame.caution()
