"""Gauges: what is due, what was found off, and the parts measured with it meanwhile."""

from typing import Any

import cached
import frame
import hand_in
import keeping
import papers
import signed_in
import streamlit as st
import words

from qc.figures import gauge as gauge_figure
from qc.figures.words import amount

PAGE, MOST_CHECKS = 25, 300


def failure(gauge: dict[str, Any]) -> None:
    """One failed check: what it put in doubt, what was cleared since, what still waits."""
    zone, unit = cached.zone(), gauge["unit"]
    failures = {words.when(row["at"], zone): row for row in gauge["failures"]}
    if not failures:
        return
    st.subheader("Found off")
    row = failures[frame.choose("failed check", list(failures))]
    since = f"since the last good check ({words.when(row['since'], zone)})" if row["since"] else (
        "since it was first used: no good check stands before it"
    )  # fmt: skip
    until = f"until it was good again ({words.when(row['until'], zone)})" if row["until"] else (
        "and it has not been good since: do not use it"
    )  # fmt: skip
    st.markdown(
        f"**✕ Off by {amount(abs(row['error']), unit)}, {amount(row['limit'], unit)} allowed.** In "
        f"doubt is what was measured {words.plain(since)}, {words.plain(until)}: "
        f"**{row['touched']}** readings, **{row['cleared']}** cleared, **{row['waiting']}** still "
        "to measure again or to accept with a reason.",
        width=frame.TEXT_PX,
    )
    ends = {"from": row["since"], "to": row["until"]}
    query = {name: at for name, at in ends.items() if at}
    frame.link(
        "touched", "Every part measured with it meanwhile, and where it is",
        {"factor": "gauge", "level": gauge["gauge"], **query},
    )  # fmt: skip
    if row["waiting"]:
        waiting(gauge["gauge"], row)
    if row["cleared"] and st.toggle(f"Show the {row['cleared']} readings cleared since"):
        found = cached.in_doubt(gauge["gauge"], row["at"], PAGE, cleared=True)
        frame.table([keeping.doubt_row(r, zone) for r in found], "Readings cleared since")
        if row["cleared"] > len(found):
            st.markdown(f"and {row['cleared'] - len(found)} more.")


def waiting(gauge: str, row: dict[str, Any]) -> None:
    """The readings that still wait, and accepting some of them with one reason."""
    first = frame.page(row["waiting"], PAGE)
    found = cached.in_doubt(gauge, row["at"], PAGE, first)
    frame.table([keeping.doubt_row(r, cached.zone()) for r in found], "Readings that wait")
    st.markdown("Measuring a part again on a sound gauge clears its reading by itself.")
    if not signed_in.allowed("accept-suspect"):
        st.markdown("Accepting readings in doubt is for an engineer or the owner.")
        return
    names: dict[str, str] = {
        r["record"]["record_id"]: keeping.record_name(r["record"], cached.zone()) for r in found
    }
    with st.expander("Accept readings in spite of the gauge"), st.form("accept", border=False):
        chosen = st.multiselect("Readings", list(names), format_func=names.__getitem__)
        why = hand_in.reason("Why they can be relied on all the same")
        where = hand_in.station()
        pressed = st.form_submit_button("Accept these readings")
    if pressed and not (chosen and why):
        st.error("✕ Choose the readings, and say in a few words why they can be relied on.")
    elif pressed:
        lines = [
            {"kind": "correction", "of": of, "reason": why, "accept": True, "station": where}
            for of in chosen
        ]
        hand_in.hand_in(lines, f"{len(lines)} accepted with your reason.")


st.title("Gauges")
hand_in.done()
rows = cached.gauges()
if not rows:
    st.info(
        "No gauge is known yet. Gauges are entries `[[gauge]]` of `catalog.toml`: write them in, "
        "then `rimqc import` it."
    )
    st.stop()
counts = {name: sum(row["when"] == name for row in rows) for name in keeping.DUE}
doubt = sum(bool(row["in_doubt"]) for row in rows)
st.subheader(
    f"{counts['overdue'] or 'None'} overdue, {counts['this-month'] or 'none'} due this month, "
    f"{doubt or 'none'} with readings in doubt"
)
frame.table([keeping.gauge_row(row, cached.zone()) for row in rows], "Gauges")
frame.link("enter", "Enter a check", {"record": "Check a gauge"})
papers.of_gauges(cached.today())
code = frame.choose("gauge", [row["gauge"] for row in rows])
st.header(words.plain(f"Gauge {code}"))
found = cached.gauge(code, MOST_CHECKS)
failure(found)
frame.show(gauge_figure.figure(found, frame.look()), gauge_figure.alt_text(found), "checks")
if found["checks"]:
    with st.expander(f"The newest {min(PAGE, len(found['checks']))} checks as a table"):
        newest = found["checks"][: -PAGE - 1 : -1]
        told = [keeping.check_row(check, found["unit"], cached.zone()) for check in newest]
        frame.table(told, "Checks, newest first")
    frame.link("mend", "Correct a check", {"code": code})
frame.terms("as found, as left", "in doubt", "master rim")
frame.caution()
