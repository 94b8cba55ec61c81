"""What a screen hands in: who, where and when are filled in here, the answer is said in words."""

import datetime as dt
import json
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

import cached
import frame
import signed_in
import streamlit as st
import words

# the same words handed in again within this time are the same record: a key pressed twice
_SAME = dt.timedelta(seconds=60)


def station() -> str | None:
    """Where this is entered: the session's station, else one that is chosen and stays chosen."""
    if (own := signed_in.person().station) is not None:
        return own
    known = [found["code"] for found in cached.settings()["stations"]]
    if known:
        chosen: str | None = st.selectbox("Entered at station", known, key="station", width=240)
        return chosen
    return st.text_input("Entered at station", key="station", width=240).strip() or None


def hand_in(lines: Sequence[Mapping[str, Any]], done: str) -> None:
    """Hand records in. All taken: the screen is drawn anew and says `done`; else says why not."""
    answer = signed_in.submit([_stamped(line) for line in lines])
    if not answer["refused"]:
        st.session_state["done"] = done
        st.session_state["handed"] = st.session_state.get("handed", 0) + 1
        st.rerun()
    if answer["accepted"]:
        st.warning(f"{answer['accepted']} of {len(lines)} were taken, the others were not:")
    for refusal in answer["refusals"]:
        field = f"**{words.plain(refusal['field'])}**: " if refusal["field"] else ""
        value = f" ({words.plain(refusal['value'])})" if refusal["value"] else ""
        st.error(f"✕ Not taken. {field}{words.plain(refusal['reason'])}{value}")


def _stamped(line: Mapping[str, Any]) -> dict[str, Any]:
    """The line with its identity and time, kept a while so that handing it in twice is once."""
    text = json.dumps(line, sort_keys=True, default=str)
    now = dt.datetime.now(dt.UTC)
    stamps = st.session_state.setdefault("stamps", {})
    stamp = stamps.get(text)
    if stamp is None or now - stamp[1] > _SAME:
        stamp = stamps[text] = (str(uuid.uuid4()), now)
    return {"record_id": stamp[0], "taken_at": stamp[1].isoformat(), **line}


def done() -> None:
    """What the last hand-in did, once."""
    if said := st.session_state.pop("done", None):
        st.success(f"✓ {words.plain(said)}")


def fresh(name: str) -> str:
    """The key of an input that is empty again once something was handed in."""
    return f"{name}-{st.session_state.get('handed', 0)}"


def reason(label: str) -> str:
    """Why, in a person's words; every decision and correction wants it."""
    return st.text_input(
        label, key=fresh("reason"), max_chars=200, width=frame.TEXT_PX, autocomplete="off"
    ).strip()
