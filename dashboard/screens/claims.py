"""What may be published, and where a mass is off its claim: per model and stage."""

import cached
import claim_tables
import frame
import papers
import streamlit as st
import tables
import words

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
chosen = next(row for row in rows if (row["model"], row["stage"]) == (model, stage))
st.header(claim_tables.publishable(chosen))
st.markdown(words.plain(chosen["supported_reason"]), width=frame.TEXT_PX)
batches, masses = cached.batch_masses(model, stage), cached.masses(model, stage)
frame.show(
    claim.figure(batches, masses, chosen, frame.look()),
    claim.alt_text(batches, masses, chosen),
    f"claim {model} {stage}",
)
if facts := claim_tables.claim_facts(chosen):
    frame.table(facts, "Where this model stands against its claim")
if pairs := chosen.get("pairs"):
    st.header("What a pair to come will weigh")
    frame.table([claim_tables.pair_row(pair) for pair in pairs], "Predicted mass of a pair")

st.header("All models and stages")
frame.table([claim_tables.claim_row(row) for row in rows], "Claimed and measured mass")
st.markdown("As it was known on a past day: `rimqc claims --at 2026-08-15`.", width=frame.TEXT_PX)
papers.of_claims(cached.today())
frame.terms(
    "bare mass", "claim", "supported claim", "off the claim", "spread", "share above",
    "bars", "common to all parts", "in doubt",
)  # fmt: skip
frame.caution()
