"""Holds, decisions and the release of a part or a batch."""

import datetime as dt
from typing import Any

import cached
import frame
import hand_in
import keeping
import papers
import signed_in
import streamlit as st
import words

from qc.people.roles import ACTIONS, decision_action

PAGE = 25


def waiting() -> None:
    """Everything on which somebody's decision is still to come."""
    out = cached.shipped_anyway(PAGE)
    batches, parts = cached.batches_waiting(), cached.parts_waiting(PAGE)
    if out["count"]:
        shipped_anyway(out)
    if not batches and not parts["count"] and not out["count"]:
        st.info(
            "Scan or type the serial of a part or the code of a batch. Nothing is on hold, in "
            "rework or repaired. To have something to decide on, `rimqc import` the logs first."
        )
        return
    st.subheader(f"Batches that wait for a decision: {len(batches) or 'none'}")
    if batches:
        frame.table([keeping.batch_row(row) for row in batches], "Batches that wait")
    st.subheader(f"Parts that wait for a decision: {parts['count'] or 'none'}")
    if parts["count"]:
        first = frame.page(parts["count"], PAGE)
        shown = cached.parts_waiting(PAGE, first)["rows"]
        frame.table([keeping.part_row(row) for row in shown], "Parts that wait")
    st.markdown("Critical flags hold their part too: they stand first on the screen of today.")


def shipped_anyway(out: dict[str, Any]) -> None:
    """What is out there though something keeps it: before anything else."""
    st.subheader(f"Shipped already, in spite of what keeps them: {out['count']}")
    keeping.shipped_first(out["count"])
    rows = [keeping.touched_row(row, cached.zone()) for row in out["rows"]]
    frame.table(rows, "Parts that are out there though something keeps them")
    if out["count"] > len(rows):
        st.markdown(f"{len(rows)} of {out['count']}: the next come up as you decide on these.")


def gate(found: dict[str, Any], flags: list[dict[str, Any]], frees: str) -> None:
    """What a release would settle, and what would still be in the way."""
    if found["keeps"]:
        _listed(f"**✕ A release now would not {frees}.** Still in the way:", found["keeps"])
    elif found["settles"]:
        _listed(f"**✓ A release now would {frees}.** It would settle:", found["settles"])
    elif any(row["severity"] == "major" for row in flags):
        st.markdown("**▲ Nothing is on hold, but a major flag wants a decision before release.**")
    else:
        st.markdown("**✓ No decision is wanted.**")
    if found["run_out"]:
        _listed("**✕ A concession covers no further part.** Decide anew:", found["run_out"])


def _listed(head: str, reasons: list[str]) -> None:
    st.markdown("\n".join([head, "", *(f"- {words.plain(reason)}" for reason in reasons)]))


def decided(decisions: list[dict[str, Any]]) -> None:
    """The decisions so far, newest first."""
    st.subheader(f"Decisions so far: {len(decisions) or 'none'}")
    if decisions:
        rows = [keeping.decision_row(row, cached.zone()) for row in reversed(decisions)]
        frame.table(rows, "Decisions so far")


def form(about: dict[str, str]) -> None:
    """A new decision, of those that this person may give."""
    st.subheader("Decide")
    may = [d for d in words.DECISIONS if signed_in.allowed(decision_action(d))]
    others = [d for d in words.DECISIONS if d not in may]
    for action in dict.fromkeys(decision_action(d) for d in others):
        named = ", ".join(d.replace("-", " ") for d in others if decision_action(d) == action)
        who = " or ".join(sorted(ACTIONS[action]))
        st.markdown(f"{named.capitalize()}: only for the {who}.")
    if not may:
        return
    label = {d: d.replace("-", " ") for d in may}
    decision = st.selectbox(
        "Decision", may, None, label.__getitem__, key=hand_in.fresh("decision"), width=300
    )
    if decision is None:
        return
    st.markdown(words.DECISIONS[decision], width=frame.TEXT_PX)
    with st.form("decide", border=True):
        line: dict[str, Any] = {"kind": "disposition", "decision": decision, **about}
        line["reason"] = hand_in.reason("Reason")
        if decision == "regrade":
            line["grade"] = st.text_input("New grade", max_chars=200, width=300).strip()
        if decision == "concession":
            line["quantity"] = st.number_input("For how many parts", 1, value=None, width=200)
            until = st.date_input("Or until which day", None, min_value="today", width=200)
            line["until"] = until.isoformat() if isinstance(until, dt.date) else None
        line["station"] = hand_in.station()
        name = next(iter(about.values()))
        pressed = st.form_submit_button(f"{label[decision].capitalize()}: {name}")
    if pressed and not line["reason"]:
        st.error("✕ A decision needs a reason: say why in a few words.")
    elif pressed:
        hand_in.hand_in([line], f"Decided on {name}: {label[decision]}.")


def look_at(batch: str) -> None:
    st.session_state.update({"on": batch, "as": "batch"})


def part(serial: str) -> None:
    """One part: what keeps it, then the decision."""
    found = cached.trace(serial)
    st.header(words.plain(f"Part {serial}"))
    if found["status"] == "shipped":
        st.error("✕ This part was shipped already. A decision here does not bring it back.")
    frame.status(found)
    flags = [row for row in found["flags"] if row["state"] == "open"]
    gate(cached.part_gate(serial), flags, "let it leave")
    if any(row["severity"] != "critical" for row in flags):
        st.markdown("A release also closes the flags below that are not critical: read them first.")
    for row in flags:
        frame.flag(row, on_part=True)
    form({"serial": serial})
    decided(found["dispositions"])
    with st.container(horizontal=True):
        frame.link("part", "Everything recorded of it", {"serial": serial})
        frame.link("mend", "Correct a record of it", {"code": serial})
        if found["batch"]:
            st.button(f"Its batch {found['batch']}", on_click=look_at, args=(found["batch"],))


def batch(code: str) -> None:
    """One batch: what was shipped of it first, then what keeps it, then the decision."""
    found = cached.batch_gate(code, PAGE)
    places = found["places"]
    st.header(words.plain(f"Batch {code}"))
    keeping.shipped_first(places.get("shipped", 0))
    st.markdown(keeping.places(found), width=frame.TEXT_PX)
    papers.of_batch(code, found["count"])
    gate(found, found["flags"], "free the batch; each part still wants what is its own")
    if found["held_by_name"]:
        st.markdown(
            f"{found['held_by_name']} of its parts wait for a decision by name: a decision on the "
            "batch does not free them."
        )
    for row in found["flags"]:
        frame.flag(row)
    form({"batch": code})
    decided(found["dispositions"])
    st.subheader(f"Its parts: {found['count']}")
    if found["count"]:
        first = frame.page(found["count"], PAGE)
        rows = cached.batch_gate(code, PAGE, first)["rows"]
        frame.table([keeping.batch_part_row(row, cached.zone()) for row in rows], "Its parts")


st.title("Holds and decisions")
hand_in.done()
code = st.text_input(
    "Serial or batch", key="on", bind="query-params", placeholder="scan or type it", width=360
).strip()
if not code:
    waiting()
else:
    known = cached.known(code)
    kinds = [kind for kind in ("part", "batch") if known[kind]]
    if not kinds:
        st.warning(f"Neither a part nor a batch is called {words.plain(code)}.")
        for near in known["near"]:
            st.button(near, on_click=st.session_state.__setitem__, args=("on", near))
    else:
        kind = frame.choose("as", kinds) if len(kinds) > 1 else kinds[0]
        {"part": part, "batch": batch}[kind](code)
frame.terms("held", "hold, release, rework, repair", "concession, regrade, scrap", "flag")
frame.caution()
