"""What needs attention today."""

import cached
import frame
import persons
import signed_in
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
role = frame.choose("seen as", list(persons.OF_ROLE), signed_in.person().role)
persons.OF_ROLE[role]()

total = sum(counts["flags"].values())
st.header("Open flags")
if not total:
    st.info("No flag is open. Everything recorded so far is within its limits or decided.")
    frame.terms("flag", "in doubt", "held", "claim", "drift")
    frame.caution()
    st.stop()
with st.container(horizontal=True):
    kind = frame.choose("flag", ["all", *counts["flags"]])
    count = counts["flags"].get(kind, total)
    first = frame.page(count, PAGE)
st.markdown(f"Open flags {first + 1} to {min(first + PAGE, count)} of {count}, worst first")
for row in cached.flags(PAGE, first, flag=None if kind == "all" else kind):
    frame.flag(row)
frame.terms("flag", "in doubt", "held", "claim", "drift")
frame.caution()
