"""Who looks at this screen: asked of the database at every run, never remembered."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import streamlit as st
from sqlalchemy import Connection

from qc.catalog.entries import Entry
from qc.errors import RimqcError
from qc.people.who import Person, may
from qc.stations import desk
from qc.stations.gate import cookie_name
from qc.stations.here import here


def person() -> Person:
    """The person signed in now; without one the screen ends here."""
    cookies = st.context.cookies
    token = cookies.get(cookie_name(True)) or cookies.get(cookie_name(False))
    found = here().person(token)
    if found is None:
        st.error("You are signed out. Sign in again to go on.")
        st.link_button("Sign in", "/sign-in")
        st.stop()
    return found


def allowed(action: str) -> bool:
    """Whether to offer something. The guard is where it is done, not here."""
    return may(person(), action)


def submit(lines: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Hand records in as the person signed in now; answered as an import of one file."""
    who, own = person(), here()
    return desk.submit(own.ledger, own.writer, who, lines)


def submit_entries(entries: Sequence[Entry]) -> dict[str, Any]:
    """Hand catalog entries in as the person signed in now."""
    who = person()
    return desk.submit_entries(here().ledger, who, entries)


def manage(change: Callable[[Connection], str | None]) -> str | None:
    """Change something about people, as the owner signed in now. RimqcError for anybody else."""
    if not may(person(), "manage-people"):
        raise RimqcError("only an owner manages people")
    with here().ledger.writing() as connection:
        return change(connection)
