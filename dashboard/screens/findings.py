"""What looks found: where on the rim, of what kind, and how much passed the first time."""

import cached
import frame
import picture_tables
import streamlit as st

from qc.figures import findings as figures
from qc.figures import first_pass
from qc.views.findings import counted

ALL = "all"

st.title("What looks found")
batches = cached.batch_codes(None)
if not batches:
    st.info(
        "No batch is known yet. Describe your batches in `catalog.toml` under `[[batch]]`, then "
        "`rimqc import` it together with the logs of receipts and looks."
    )
    st.stop()

with st.container(horizontal=True):
    model = frame.choose("model", [ALL, *sorted(cached.shared()["model"])])
    of_model = None if model == ALL else model
    batch = frame.choose("batch", [ALL, *cached.batch_codes(of_model)])
    by = frame.choose("counted by", ["defect", "zone", "batch"])
found = cached.findings(of_model, None if batch == ALL else batch)
of = f"{model} {batch}"
if batch == ALL and len(found["batches"]) < found["of_batches"]:
    st.markdown(
        f"Looked through are the newest {len(found['batches']):,} batches with parts of "
        f"{found['of_batches']:,}."
    )
frame.show(figures.ring(found, frame.look()), figures.ring_alt(found), f"ring {of}")
with st.expander(f"The newest findings of {len(found['findings']):,} as a table"):
    newest = frame.newest(found["findings"])
    frame.table([picture_tables.finding_row(one) for one in newest], "Findings")

rows = counted(found["findings"], by)
shown = rows[: figures.MOST_BARS]
frame.show(
    figures.bars(found, shown, by, frame.look()),
    figures.bars_alt(found, shown, by),
    f"bars {of} {by}",
)
with st.expander("The counts as a table"):
    frame.table([picture_tables.counted_row(row, by) for row in rows[: frame.MOST_ROWS]], "Counts")

st.header("Passed first time")
passed = cached.first_pass(of_model)
frame.show(first_pass.figure(passed, frame.look()), first_pass.alt_text(passed), f"passed {model}")
with st.expander("The batches as a table"):
    newest = frame.newest(passed["batches"])
    frame.table([picture_tables.passed_row(one) for one in newest], "Batches, the newest first")
frame.terms(
    "finding",
    "in the laminate, on the surface, parted",
    "cumulative share",
    "passed first time",
    "95 % limits",
    "flag",
    "held",
)
frame.caution()
