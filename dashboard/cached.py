"""Answers of the views, kept as long as they hold: what a screen asks, in two lines each."""

import os
from typing import Any

import streamlit as st

from qc.ledger.ledger import Ledger
from qc.views import claims as claim_view
from qc.views import drift as drift_view
from qc.views import flags as flag_view
from qc.views import margins as margin_view
from qc.views import today as today_view
from qc.views import trace as trace_view

Rows = list[dict[str, Any]]

QUESTIONS: dict[str, Any] = {
    "claims": claim_view.claims,
    "masses": claim_view.masses,
    "margins": margin_view.margins,
    "drift": drift_view.drift,
    "trace": trace_view.trace,
    "where": trace_view.where,
    "factors": lambda _, catalog: trace_view.factors(catalog),
    "zone": lambda _, catalog: catalog.zone and str(catalog.zone),
    "counts": lambda connection, _: today_view.counts(connection),
    "flags": lambda connection, _, **only: flag_view.flags(connection, **only),
    "parts_in_doubt": lambda connection, _, gauge: today_view.parts_in_doubt(connection, gauge),
    "nearest": lambda connection, _, serial: trace_view.nearest_serials(connection, serial),
}


@st.cache_resource(show_spinner=False)
def _ledger(db: str) -> Ledger:
    """One engine a database, for every session of this process."""
    return Ledger(db)


@st.cache_data(ttl="1h", max_entries=500, show_spinner="Reading the records …")
def _answer(db: str, position: int, question: str, **what: Any) -> Any:
    """An answer holds until something else is taken in: `position` is where the journal ends."""
    ledger = _ledger(db)
    with ledger.reading() as connection:
        return QUESTIONS[question](connection, ledger.known(connection).catalog, **what)


@st.cache_data(ttl="20s", max_entries=20, show_spinner=False)
def _position_lately(db: str) -> int:
    return _position_now(db)


def _position_now(db: str) -> int:
    with _ledger(db).reading() as connection:
        return today_view.position(connection)


def _ask(question: str, **what: Any) -> Any:
    """What changes with each record: always as it is now."""
    db = os.environ["RIMQC_DB"]
    return _answer(db, _position_now(db), question, **what)


def _ask_lately(question: str, **what: Any) -> Any:
    """What sums over the whole shop: up to 20 seconds old, so that a busy day does not stall it."""
    db = os.environ["RIMQC_DB"]
    return _answer(db, _position_lately(db), question, **what)


def counts() -> dict[str, Any]:
    found: dict[str, Any] = _ask("counts")
    return found


def zone() -> str | None:
    found: str | None = _ask("zone")
    return found


def flags(most: int, skip: int = 0, **only: str | None) -> Rows:
    found: Rows = _ask("flags", most=most, skip=skip, **only)
    return found


def parts_in_doubt(gauge: str) -> list[str]:
    found: list[str] = _ask("parts_in_doubt", gauge=gauge)
    return found


def trace(serial: str) -> dict[str, Any]:
    found: dict[str, Any] = _ask("trace", serial=serial)
    return found


def nearest(serial: str) -> list[str]:
    found: list[str] = _ask("nearest", serial=serial)
    return found


def factors() -> dict[str, list[str]]:
    found: dict[str, list[str]] = _ask_lately("factors")
    return found


def where(factor: str, level: str) -> Rows:
    found: Rows = _ask_lately("where", factor=factor, level=level)
    return found


def claims() -> Rows:
    found: Rows = _ask_lately("claims")
    return found


def masses(model: str, stage: str) -> Rows:
    found: Rows = _ask_lately("masses", model=model, stage=stage)
    return found


def margins() -> Rows:
    found: Rows = _ask_lately("margins")
    return found


def drift() -> Rows:
    found: Rows = _ask_lately("drift")
    return found
