"""Impact margins: what parts bore, said exactly first, then as a curve, then batch by batch."""

import cached
import frame
import papers
import picture_tables
import streamlit as st
import tables
import words

from qc.figures import impact, margin, survival

st.title("Impact margins")
tested = cached.tested()
if not tested:
    st.info(
        "No impact test has been recorded yet. Describe your test in `catalog.toml` under "
        "`[[protocol]]`, then import the logs of the drop rig."
    )
    st.stop()

with st.container(horizontal=True):
    protocol = frame.choose("protocol", sorted({row["protocol"] for row in tested}))
    models = [row["model"] for row in tested if row["protocol"] == protocol]
    groups = cached.margins(protocol, frame.choose("model", models))
    # a protocol that changed in what its multiples mean has several groups
    since = {group["first_test"][:10] + " · " + tables.conditions(group): group for group in groups}
    group = groups[-1]
    if len(since) > 1:
        group = since[frame.choose("conditions", list(since), list(since)[-1])]
for statement in group["statements"]:
    st.markdown(f"**{words.plain(statement['words'])}**", width=frame.TEXT_PX)
st.markdown(f"{group['scope']}  \n{tables.conditions(group)}.", width=frame.TEXT_PX)
st.markdown("\n".join(f"- {row['words']}" for row in group["drawn"]), width=frame.TEXT_PX)
frame.caution()
papers.of_impact(group["protocol"], group["model"])
of = f"{protocol} {group['model']} {group['first_test']}"
frame.show(margin.figure(group, frame.look()), margin.alt_text(group), f"margin {of}")
if len(group["tests"]) > margin.MOST_TESTS:
    st.markdown(f"Drawn are the {margin.MOST_TESTS} weakest of {len(group['tests']):,} tests.")
with st.expander(f"The {len(group['tests']):,} tests as a table"):
    shown = frame.lately(group["tests"], "tests", "`rimqc export margins`")
    frame.table([tables.test_row(test) for test in shown], "Impact tests")
if group["survival"]:
    frame.show(survival.figure(group, frame.look()), survival.alt_text(group), "survival")
    said = [row["words"] for row in group["bears_90"]] + [group["fit"]["words"]]
    st.markdown("\n".join(f"- {words.plain(line)}" for line in said), width=frame.TEXT_PX)

st.header("Where the damage began")
tests = [(test["serial"], test["test"]) for test in group["tests"]]
drops = cached.impact_drops(tests)
if drops["tests"] < drops["of_tests"]:
    st.markdown(f"Drawn are the newest {drops['tests']} of {drops['of_tests']} tests.")
frame.show(impact.figure(drops, frame.look()), impact.alt_text(drops), f"impact {of}")
rows = [picture_tables.place_row(place) for place in drops["places"]]
frame.table(rows, "Damage by place")

st.header("Batch by batch")
st.markdown("With 95 % confidence, of parts drawn at random:", width=frame.TEXT_PX)
batches = frame.lately(group["batches"], "batches", "`rimqc margins`")
frame.table([tables.margin_row(batch) for batch in batches], "Statements per batch")
st.header("Compared")
lines = [group["comparisons_words"]]
lines += [row["words"] for row in group["comparisons"] if row["differs"]]
lines += [row["words"] for row in group["strike_comparison"]]
st.markdown("\n".join(f"- {words.plain(line)}" for line in lines), width=frame.TEXT_PX)
st.header("Early failures")
if group["early"]:
    early = group["early"][: frame.MOST_ROWS]
    if len(early) < len(group["early"]):
        st.markdown(f"Shown are the {len(early)} earliest of {len(group['early']):,}.")
    frame.table([tables.early_row(row) for row in early], "Early failures")
else:
    st.markdown("None: no part was damaged before the required multiple.")
frame.terms(
    *("survived multiple", "failed by", "at least … survive", "unfinished", "survival curve"),
    *("p", "struck before", "impact map", "required position", "first damage"),
)
