"""From a resin lot, a mould, a gauge or anything that parts share to every part it touched."""

import cached
import frame
import keeping
import streamlit as st
import words

PAGE = 50

st.title("Parts touched")
levels = cached.shared()
if not any(levels.values()):
    st.info(
        "No batch is known yet. Batches and what they share (mould, resin lot, fibre lot, crew) "
        "are entries `[[batch]]` of `catalog.toml`."
    )
    st.stop()

with st.container(horizontal=True):
    names = sorted(levels, key=lambda name: (name in ("gauge", "batch", "model"), name))
    factor = frame.choose("factor", names)
    level = frame.choose("level", levels[factor])
    since = until = None
    if factor == "gauge":
        since, until = (
            st.text_input(
                label, key=key, bind="query-params", placeholder="2026-03-31", width=240
            ).strip()
            for label, key in (("Used from", "from"), ("Used to", "to"))
        )
found = cached.touched(factor, level, since or "", until or "", PAGE)
if not found["count"]:
    st.info(f"No part was touched by {words.plain(factor)} {words.plain(level)}.")
    st.stop()
keeping.shipped_first(found["places"].get("shipped", 0))
st.header(keeping.places(found))
first = frame.page(found["count"], PAGE)
if first:
    found = cached.touched(factor, level, since or "", until or "", PAGE, first)
rows = [keeping.touched_row(row, cached.zone()) for row in found["rows"]]
frame.table(rows, "Parts and where they are")
said = f"rimqc trace --where {factor}={level}"
said += f" --from {since}" if since else ""
said += f" --to {until}" if until else ""
st.markdown(f"The same as a list for other programs: `{said} --format csv`.")
frame.terms("factor", "held")
frame.caution()
