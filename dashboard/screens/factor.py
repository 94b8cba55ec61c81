"""From a factor to its parts: every part of the batches that share it, and where each is."""

from collections import Counter

import cached
import frame
import streamlit as st
import tables
import words

PAGE = 50

st.title("Parts by a factor")
factors = cached.factors()
if not factors:
    st.info(
        "No batch is known yet. Batches and what they share (mould, resin lot, fibre lot, crew) "
        "are entries `[[batch]]` of `catalog.toml`."
    )
    st.stop()

with st.container(horizontal=True):
    names = sorted(factors, key=lambda name: (name in ("batch", "model"), name))
    factor = frame.choose("factor", names)
    level = frame.choose("level", factors[factor])
rows = cached.where(factor, level)
if not rows:
    st.info(f"No part of {words.plain(factor)} {words.plain(level)} has been received yet.")
    st.stop()
counts = Counter(words.STATUSES.get(row["status"], row["status"]) for row in rows)
st.subheader(f"{len(rows)} parts: " + ", ".join(f"{n} {status}" for status, n in counts.items()))
first = frame.page(len(rows), PAGE)
shown = rows[first : first + PAGE]
st.markdown("A part opens in a tab of its own.")
frame.table([tables.place_row(row) for row in shown], "Parts and where they are")
frame.terms("factor", "held")
