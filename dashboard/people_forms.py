"""The forms of the people screen; each asks again whether an owner is there before it changes."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import cached
import signed_in
import streamlit as st
import words

from qc.catalog.entries import Gauge
from qc.errors import RimqcError
from qc.ledger.ledger import now
from qc.people import accounts, sessions, tokens
from qc.people.roles import ROLES
from qc.stations.here import here
from qc.views.plain import moment

Rows = Sequence[Mapping[str, Any]]
_DONE = "people-done"


def say_what_was_done() -> None:
    """The answer of the form that was sent last; what is shown once is shown here, and gone."""
    done = st.session_state.pop(_DONE, None)
    if done is None:
        return
    said, secret = done
    st.success(words.plain(said))
    if secret:
        st.code(secret, language=None)


def account_rows(everybody: Rows, signed: Rows) -> list[dict[str, str]]:
    """Accounts as a table says them."""
    last: dict[str, str] = {}
    for one in signed:
        last.setdefault(one["code"], _when(one["seen_at"]))
    return [
        {
            "Code": one["code"],
            "Name": words.plain(one["name"]),
            "Role": one["role"],
            "Signs in with": accounts.means(one),
            "Last seen": last.get(one["code"], "–"),
            "State": "✕ ended" if one["revoked_at"] else "✓ open",
        }
        for one in everybody
    ]


def session_rows(signed: Rows) -> list[dict[str, str]]:
    """Sessions as a table says them."""
    return [
        {
            "Person": one["code"],
            "Station": one["station"] or "–",
            "Since": _when(one["began_at"]),
            "Last seen": _when(one["seen_at"]),
        }
        for one in signed
    ]


def grant_rows(granted: Mapping[str, Sequence[str]]) -> list[dict[str, str]]:
    """Gauges that are kept for some, and for whom."""
    return [{"Gauge or rig": g, "May be used by": ", ".join(p)} for g, p in granted.items()]


def station_rows(stations: Rows) -> list[dict[str, str]]:
    """Tokens as a table says them."""
    uses = {tokens.SEND: "sends records", tokens.SCREEN: "is a tablet where a PIN signs in"}
    return [
        {
            "Station": one["station"],
            "Token": uses[one["use"]],
            "With the rights of": one["role"] if one["use"] == tokens.SEND else "–",
            "Given": _when(one["made_at"]),
            "State": "✕ ended" if one["revoked_at"] else "✓ good",
        }
        for one in stations
    ]


def add() -> None:
    """A new account."""
    with st.form("add-person", border=False, clear_on_submit=True):
        code = st.text_input("Code, as it shall stand in records", max_chars=64)
        name = st.text_input("Name", max_chars=accounts.MOST_NAME)
        role = st.selectbox("Role", ROLES)
        if st.form_submit_button("Make the account"):
            _do(
                lambda connection: accounts.add_person(connection, code.strip(), name, role, now()),
                f"{code.strip()} sets a password at /sign-in/code with this code, once:",
            )


def change(everybody: Rows) -> None:
    """Another role, a new code, an end."""
    by_code = {one["code"]: one for one in everybody}
    code = st.selectbox("Account", list(by_code))
    one = by_code[code]
    with st.form(f"role-{code}", border=False):
        role = st.selectbox("Role", ROLES, ROLES.index(one["role"]))
        if st.form_submit_button("Give this role"):
            _do(lambda c: accounts.set_role(c, code, role), f"{code} is {role} from now on.")
    if here().provider is not None or one["linked_to"]:
        _link(code, one["linked_to"])
    if st.button("Sign out everywhere"):
        _do(lambda c: sessions.end_all(c, code, now()), f"{code} is signed out.")
    if st.button("A new one-time code in place of the password"):
        said = f"{code} sets a password at /sign-in/code with this code, once:"
        _do(lambda c: accounts.reset(c, code, now()), said)
    if one["revoked_at"]:
        if st.button("Open the account again"):
            _do(lambda c: accounts.reinstate(c, code), f"{code} can sign in again.")
    elif st.button("End the account"):
        said = f"{code} can no longer sign in. What they entered stays."
        _do(lambda c: accounts.revoke(c, code, now()), said)


def _link(code: str, now_linked: str | None) -> None:
    with st.form(f"link-{code}", border=False):
        name = st.text_input(
            "What the provider calls this person (empty: it vouches for them no more)",
            now_linked or "", max_chars=accounts.MOST_LINKED,
        )  # fmt: skip
        if st.form_submit_button("Link the account"):
            said = f"{code} is signed out, and " + (
                f"signs in as {name.strip()} of the provider."
                if name.strip()
                else "linked no more."
            )
            _do(lambda c: accounts.link(c, code, name, now()), said)


def keep_gauge(everybody: Rows, granted: Mapping[str, Sequence[str]]) -> None:
    """Who may use a gauge or rig."""
    gauges = sorted(here().ledger.catalog().codes(Gauge))
    if not gauges or not everybody:
        st.markdown("This needs a gauge in the catalog, and an account.")
        return
    gauge = st.selectbox("Gauge or rig", gauges)
    with st.form(f"keep-{gauge}", border=False):
        codes = [one["code"] for one in everybody]
        named = [code for code in granted.get(gauge, ()) if code in codes]
        chosen = st.multiselect("May be used by (nobody named: by everybody)", codes, named)
        if st.form_submit_button("Keep it so"):
            said = f"{gauge} may be used by {', '.join(chosen) or 'everybody'}."
            _do(lambda connection: accounts.grant_gauge(connection, gauge, chosen), said)


def add_station() -> None:
    """A token for a rig."""
    with st.form("add-station", border=False, clear_on_submit=True):
        name = st.text_input("Station's code", max_chars=64)
        role = st.selectbox("It hands in what may be entered by a", ROLES)
        if st.form_submit_button("Make its token"):
            _do(
                lambda connection: tokens.add_station(connection, name.strip(), now(), role),
                f"Token of {name.strip()}, shown this once; an earlier one has ended:",
            )


def end_station(standing: Sequence[str]) -> None:
    """No more sending, no more PINs."""
    with st.form("end-station", border=False):
        name = st.selectbox("Station", standing)
        if st.form_submit_button("End its tokens"):
            _do(lambda c: tokens.revoke_station(c, name, now()), f"{name} can no longer send.")


def _do(change: Callable[[Any], str | None], said: str) -> None:
    """Do it as the owner signed in now, then show the screen as it is afterwards."""
    try:
        secret = signed_in.manage(change)
    except RimqcError as fault:
        st.error(words.plain(str(fault)))
        return
    st.session_state[_DONE] = (said, secret)
    st.rerun()


def _when(at: Any) -> str:
    return words.when(moment(at), cached.zone())
