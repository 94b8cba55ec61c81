"""Claimed against measured mass, per model and stage."""

import cached
import frame
import streamlit as st
import tables

from qc.figures import claim

st.title("Claimed and measured mass")
rows = cached.claims()
if not rows:
    st.info(
        "No claim and no weighing yet. Put your published masses into `catalog.toml` under "
        "`[[claim]]`, then `rimqc import` it together with the logs of the scales."
    )
    st.stop()

rows.sort(key=lambda row: (row["model"], tables.stage_order(row["stage"])))
worst = max(rows, key=lambda row: row["outside_share"] or 0)
with st.container(horizontal=True):
    models = list(dict.fromkeys(row["model"] for row in rows))
    model = frame.choose("model", models, worst["model"])
    stages = [row["stage"] for row in rows if row["model"] == model]
    stage = frame.choose("stage", stages, worst["stage"] if model == worst["model"] else None)
masses = cached.masses(model, stage)
frame.show(
    claim.figure(masses, model, stage, frame.look()),
    claim.alt_text(masses, model, stage),
    "claim",
)

st.subheader("All models and stages")
frame.table([tables.claim_row(row) for row in rows], "Claimed and measured mass")
frame.terms("bare mass", "claim", "spread", "share above", "supported claim", "in doubt")
frame.caution()
