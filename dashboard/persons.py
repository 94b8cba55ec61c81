"""What each person looks for when the day begins: one function a role."""

import datetime as dt

import cached
import claim_tables
import frame
import streamlit as st
import words

from qc.figures.words import parts
from qc.people.roles import ENGINEER, OWNER, TECHNICIAN
from qc.views.gauges import OVERDUE, THIS_MONTH

SOON = (OVERDUE, THIS_MONTH)


def technician() -> None:
    """The work that waits: readings that plans still want, tests begun, gauges to check."""
    st.header("What waits to be done")
    lacking = cached.still_missing()
    if lacking:
        frame.table(
            [
                {
                    "Batch": words.plain(row["batch"]),
                    "Model": words.plain(row["model"]),
                    "Parts not finished": row["parts"],
                    "Still wanted": ", ".join(
                        f"{n} × {item}" for item, n in row["missing"].items()
                    ),
                }
                for row in lacking
            ],
            "Batches with parts whose plan still lacks something",
        )
        frame.link("intake", "Take in", {})
    else:
        st.markdown("✓ No part of the newest batches lacks a reading that its plan wants.")
    begun = cached.flags(10, flag="impact-incomplete")
    for row in begun:
        with st.container(horizontal=True):
            st.markdown(f"Test {words.plain(row['test'])} of {words.plain(row['serial'])} goes on.")
            frame.link("strike", f"Strike {row['serial']}", {"serial": row["serial"]})
    wanting = [g for g in cached.gauges() if g["in_doubt"] or g["when"] in SOON]
    for gauge in wanting:
        due = f"calibration due {gauge['due']}" if gauge["when"] in SOON else ""
        doubt = f"{gauge['in_doubt']} readings in doubt" if gauge["in_doubt"] else ""
        with st.container(horizontal=True):
            said = "; ".join(filter(None, (due, doubt)))
            st.markdown(f"Gauge {words.plain(gauge['gauge'])}: {said}.")
            frame.link("gauges", f"Gauge {gauge['gauge']}", {"gauge": gauge["gauge"]})
    if not begun and not wanting:
        st.markdown("✓ No test is half done, and no gauge is due this month or in doubt.")


def engineer() -> None:
    """What changed since a day, and what waits for a decision."""
    today = dt.date.fromisoformat(cached.today())
    st.header("What changed, and what waits for a decision")
    since = st.date_input(
        "Since", today - dt.timedelta(days=7), max_value=today, key="since", bind="query-params",
        width=160,
    )  # fmt: skip
    rows = cached.changed(since.isoformat())
    if rows:
        frame.table(
            [
                {
                    "Flag": row["flag"],
                    "Means": words.FLAGS.get(row["flag"], (row["flag"], ""))[0],
                    "Raised since": row["raised"],
                    "Closed since": row["closed"],
                }
                for row in rows
            ],
            f"Flags raised and closed since {since.isoformat()}",
        )
    else:
        st.markdown(f"✓ No flag was raised or closed since {since.isoformat()}.")
    kept, batches = cached.held_and_why(), cached.batches_waiting()
    st.markdown(
        f"{parts(kept['parts'])} held by name, in rework or repaired; "
        f"{len(batches)} {'batch' if len(batches) == 1 else 'batches'} kept as a whole."
    )
    with st.container(horizontal=True):
        frame.link("decide", "Decide", {})
        frame.link("drift", "What moved", {})
        frame.link("margins", "Impact margins", {})
        frame.link("gauges", "Gauges", {})


def owner() -> None:
    """What may be published, how much is held and why, and what early failures cost in parts."""
    st.header("What can be stood behind")
    rows = cached.claims()
    if rows:
        frame.table([claim_tables.claim_row(row) for row in rows], "Claimed and measured mass")
        frame.link("claims", "How these were found", {})
    kept, failures = cached.held_and_why(), cached.early_failures()
    st.header("How much is held, and why")
    if kept["reasons"]:
        frame.table(
            [
                {"Parts": row["parts"], "Why": words.plain(row["reason"])}
                for row in kept["reasons"][:12]
            ],
            "Parts held by name, by reason",
        )
    else:
        st.markdown("✓ No part is held by name.")
    for batch in cached.batches_waiting():
        with st.container(horizontal=True):
            why = "; ".join(words.plain(reason) for reason in batch["reasons"])
            st.markdown(f"Batch {words.plain(batch['batch'])}: {why}.")
            frame.link("decide", f"Batch {batch['batch']}", {"on": batch["batch"]})
    st.header("What early impact failures cost, in parts")
    if not failures:
        st.markdown("✓ No test failed before the required multiple.")
        return
    frame.table(
        [
            {
                "Batch": words.plain(row["batch"]),
                "Model": words.plain(row["model"]),
                "Tests failed early": row["failed"],
                "Parts in it": row["parts"],
                "Struck": row["struck"],
                "Scrapped or sent back": row["given_up"],
                "Kept back": row["kept"],
                "Shipped": row["shipped"],
            }
            for row in failures
        ],
        "What early failures cost per batch",
    )


OF_ROLE = {TECHNICIAN: technician, ENGINEER: engineer, OWNER: owner}
