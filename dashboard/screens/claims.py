"""Claimed against measured mass, per model and stage."""

import cached
import frame
import streamlit as st
import words

from qc.figures import claim
from qc.figures.words import amount, stage_name

st.title("Claimed and measured mass")
rows = cached.claims()
if not rows:
    st.info(
        "No claim and no weighing yet. Put your published masses into `catalog.toml` under "
        "`[[claim]]`, then `rimqc import` it together with the logs of the scales."
    )
    st.stop()

rows.sort(key=lambda row: (row["model"], words.stage_order(row["stage"])))
worst = max(rows, key=lambda row: row["outside_share"] or 0)
with st.container(horizontal=True):
    models = list(dict.fromkeys(row["model"] for row in rows))
    model = st.selectbox(
        "Model", models, models.index(worst["model"]), key="model", bind="query-params", width=220
    )
    stages = [row["stage"] for row in rows if row["model"] == model]
    first = stages.index(worst["stage"]) if model == worst["model"] else 0
    stage = st.selectbox(
        "Stage", stages, first, format_func=stage_name, key="stage", bind="query-params", width=220
    )
masses = cached.masses(model, stage)
frame.show(
    claim.figure(masses, model, stage, frame.look()),
    claim.alt_text(masses, model, stage),
    "claim",
)

st.subheader("All models and stages")
frame.table([words.claim_row(row) for row in rows], "Claimed and measured mass")
frame.terms("bare mass", "claim", "spread", "share above", "supported claim", "in doubt")
frame.caution()
