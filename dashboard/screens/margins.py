"""Impact margins: what parts bore, per protocol and model."""

import cached
import frame
import streamlit as st
import tables

from qc.figures import margin

st.title("Impact margins")
groups = cached.margins()
if not groups:
    st.info(
        "No impact test has been recorded yet. Describe your test in `catalog.toml` under "
        "`[[protocol]]`, then import the logs of the drop rig."
    )
    st.stop()

with st.container(horizontal=True):
    protocol = frame.choose("protocol", sorted({group["protocol"] for group in groups}))
    models = [group["model"] for group in groups if group["protocol"] == protocol]
    model = frame.choose("model", models)
group = next(g for g in groups if (g["protocol"], g["model"]) == (protocol, model))
frame.caution()
frame.show(margin.figure(group, frame.look()), margin.alt_text(group), "margin")
if len(group["tests"]) > margin.MOST_TESTS:
    st.markdown(
        f"Drawn are the {margin.MOST_TESTS} weakest of {len(group['tests'])} tests; the table has "
        "all of them."
    )
with st.expander(f"All {len(group['tests'])} tests as a table"):
    frame.table([tables.test_row(test) for test in group["tests"]], "Impact tests")
frame.terms("survived multiple", "failed by", "struck before")
