"""Correct a record, or take it back: the original stays in view."""

from typing import Any

import cached
import frame
import hand_in
import keeping
import signed_in
import streamlit as st
import words

from qc.errors import RimqcError
from qc.views.mend import replacement

PAGE = 20
WAYS = {
    "replace": "It says something wrong: put it right",
    "void": "It should not be there: make it void",
    "accept": "Its gauge was found off: accept it all the same",
}


def choose() -> str | None:
    """The record to correct, by its link or out of those of a part, a batch or a gauge."""
    if of := st.query_params.get("of"):
        return of
    code = st.text_input(
        "Serial, batch or gauge", key="code", bind="query-params", width=360,
        placeholder="scan or type it",
    ).strip()  # fmt: skip
    if not code:
        st.info(
            "Scan or type what the wrong record is about. If there is nothing to correct yet: "
            "`rimqc import` the logs of your stations first."
        )
        return None
    known = cached.known(code)
    kinds = [kind for kind in ("part", "batch", "gauge") if known[kind]]
    if not kinds:
        st.warning(f"No part, batch or gauge is called {words.plain(code)}.")
        return None
    about = frame.choose("about", kinds) if len(kinds) > 1 else kinds[0]
    count = cached.records_about(about, code, PAGE)["count"]
    if not count:
        st.info(f"Nothing is recorded of {about} {words.plain(code)} as such.")
        return None
    first = frame.page(count, PAGE)
    rows = {r["record_id"]: r for r in cached.records_about(about, code, PAGE, first)["rows"]}
    frame.table([keeping.record_row(r, cached.zone()) for r in rows.values()], f"Records: {code}")
    chosen: str | None = st.selectbox(
        "Record to correct, newest first", list(rows), None,
        lambda of: keeping.record_name(rows[of], cached.zone()),
    )  # fmt: skip
    return chosen


def replace(of: str, found: dict[str, Any]) -> None:
    """The record's fields as a form, filled with what holds now."""
    if found["now"] is None:
        st.markdown("It is void now. What you hand in here holds again.")
    with st.form("replace"):
        given = {field["name"]: typed(of, field) for field in found["form"]}
        why = hand_in.reason("Reason for the correction")
        where = hand_in.station()
        pressed = st.form_submit_button("Put it right")
    if not pressed:
        return
    if not why:
        st.error("✕ A correction needs a reason: say why in a few words.")
        return
    try:
        whole = replacement(found["now"] or found["record"], found["form"], given)
    except RimqcError as fault:
        st.error(f"✕ {fault}")
        return
    hand_in.hand_in([correction(of, why, where, replacement=whole)], "Corrected.")


def typed(of: str, field: dict[str, Any]) -> Any:
    """One field as an input; numbers stay text, so that they are kept as written."""
    unit = f", {field['unit']}" if field.get("unit") else ""
    label, key = field["label"] + unit, hand_in.fresh(f"{of}-{field['name']}")
    if field["type"] in ("choice", "several"):
        names = {option["value"]: option["label"] for option in field["options"]}
        if field["type"] == "several":
            return st.multiselect(label, list(names), field["value"], names.__getitem__, key=key)
        values = list(names) if field["required"] else ["", *names]
        start = values.index(field["value"]) if field["value"] in values else 0
        shown = st.selectbox(label, values, start, lambda v: names.get(v, "–"), key=key, width=360)
        return str(shown)
    return st.text_input(label, field["value"], key=key, width=frame.TEXT_PX).strip()


def void(of: str) -> None:
    """Taking a record back asks once."""
    with st.form("void"):
        why = hand_in.reason("Reason for making it void")
        where = hand_in.station()
        pressed = st.form_submit_button("Make it void")
    if pressed and not why:
        st.error("✕ Making a record void needs a reason: say why in a few words.")
    elif pressed:
        st.session_state["asked"] = of
    if st.session_state.get("asked") != of or not why:
        return
    st.warning("It stays readable, struck through, and counts for nothing from now on. Void it?")
    with st.container(horizontal=True):
        if st.button("Yes, make it void"):
            del st.session_state["asked"]
            hand_in.hand_in([correction(of, why, where, void=True)], "Made void.")
        st.button("No, leave it", on_click=st.session_state.pop, args=("asked",))


def accept(of: str) -> None:
    """A reading counts again although its gauge was found off."""
    with st.form("accept"):
        why = hand_in.reason("Why the reading can be relied on all the same")
        where = hand_in.station()
        pressed = st.form_submit_button("Accept the reading")
    if pressed and not why:
        st.error("✕ Accepting a reading in doubt needs a reason: say why in a few words.")
    elif pressed:
        hand_in.hand_in([correction(of, why, where, accept=True)], "Accepted with your reason.")


def correction(of: str, why: str, where: str | None, **what: Any) -> dict[str, Any]:
    return {"kind": "correction", "of": of, "reason": why, "station": where, **what}


def show(of: str) -> None:
    """One record with all that became of it, and the ways to correct it."""
    found = cached.record(of)
    record = found["record"]
    serial = record.get("serial")
    st.header(words.plain(f"{record['kind'].capitalize()} of {about(record)}"))
    rows = [record, *found["corrections"]]
    frame.table([keeping.record_row(row, cached.zone()) for row in rows], "The record")
    ways = ["replace"] if found["form"] else []
    ways += ["void"] if found["now"] is not None else []
    ways += ["accept"] if found["suspect"] else []
    if not signed_in.allowed("correct"):
        ways = [way for way in ways if way == "void"]
        st.markdown(
            "Corrections are for an engineer or the owner. What you entered yourself you may make "
            "void within 15 minutes.", width=frame.TEXT_PX,
        )  # fmt: skip
    if ways:
        way = st.radio(
            "What is to be done", ways, None, WAYS.__getitem__, key=hand_in.fresh(f"way-{of}")
        )
        if way == "replace":
            replace(of, found)
        elif way:
            {"void": void, "accept": accept}[way](of)
    if serial:
        frame.link("part", f"Part {serial}", {"serial": serial})


def about(record: dict[str, Any]) -> str:
    """What a record is about, in words."""
    for name, word in (("serial", "part"), ("batch", "batch"), ("gauge", "gauge")):
        if record.get(name):
            return f"{word} {record[name]}"
    return "another record"


st.title("Correct a record")
hand_in.done()
if chosen := choose():
    show(chosen)
frame.terms("correction, void", "in doubt")
