"""What needs attention today."""

import cached
import frame
import streamlit as st
import words

PAGE = 10

st.title("What needs attention today")
counts = cached.counts()
if not counts["records"]:
    st.info(
        "Nothing has been recorded yet. Take in the catalog and the logs of your stations: "
        "`rimqc import FOLDER`. To look around with invented logs: `rimqc demo`."
    )
    st.stop()
newest = words.when(counts["newest"], cached.zone()) if counts["newest"] else "none yet"
st.markdown(
    f"{counts['records']:,} records and catalog entries, {counts['parts']:,} parts. "
    f"Newest record: {newest}."
)
with st.container(horizontal=True):
    for severity, (shape, _, meaning) in words.SEVERITIES.items():
        number = counts["severities"][severity]
        st.metric(f"{shape} {severity}", number, help=f"A {severity} flag {meaning}.", width=105)
total = sum(counts["flags"].values())
if not total:
    st.info("No flag is open. Everything recorded so far is within its limits or decided.")
    frame.caution()
    st.stop()

with st.container(horizontal=True):
    kind = frame.choose("flag", ["all", *counts["flags"]])
    count = counts["flags"].get(kind, total)
    first = frame.page(count, PAGE)
st.subheader(f"Open flags {first + 1} to {min(first + PAGE, count)} of {count}, worst first")
for row in cached.flags(PAGE, first, flag=None if kind == "all" else kind):
    frame.flag(row)
frame.terms("flag", "in doubt", "held", "claim", "drift")
frame.caution()
