"""Answers of the views, kept as long as they hold: what a screen asks, in two lines each."""

import datetime as dt
import os
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import streamlit as st
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Gauge
from qc.ledger.ledger import Ledger
from qc.ledger.replica import NAME, Moment, Reads
from qc.views import claim_parts, factor_runs, impact_map, newest, shared_turn
from qc.views import claims as claim_view
from qc.views import decide as decide_view
from qc.views import drift as drift_view
from qc.views import entry as entry_view
from qc.views import findings as finding_view
from qc.views import first_pass as pass_view
from qc.views import flags as flag_view
from qc.views import gauges as gauge_view
from qc.views import margins as margin_view
from qc.views import mend as mend_view
from qc.views import shipping as shipping_view
from qc.views import today as today_view
from qc.views import touched as touched_view
from qc.views import trace as trace_view
from qc.views import weighed as weighed_view
from qc.views import work as work_view

Rows = list[dict[str, Any]]
T = TypeVar("T")

# an answer is known again by all that was asked, but for what begins with an underscore: there `of`
# says which it is
QUESTIONS: dict[str, Any] = {
    "claims": claim_view.claims,
    "masses": claim_parts.masses,
    "batch_masses": claim_parts.batch_masses,
    "margins": margin_view.margins,
    "tested": lambda connection, _: margin_view.kinds_tested(connection),
    "levels": drift_view.levels,
    "explained": lambda connection, catalog, of, _level: drift_view.explained(
        connection, catalog, _level
    ),
    "factor_runs": lambda _, catalog, of, _batches: factor_runs.factor_runs(catalog, _batches),
    "shared_turns": shared_turn.shared_turns,
    "impact_map": lambda connection, catalog, of, _tests: impact_map.drops_of(
        connection, catalog, _tests
    ),
    "part_tests": impact_map.part_tests,
    "findings": finding_view.findings,
    "first_pass": pass_view.first_pass,
    "batch_codes": lambda _, catalog, model: newest.batch_codes(catalog, model),
    "trace": trace_view.trace,
    "touched": lambda connection, catalog, since, until, **what: touched_view.page(
        connection, catalog, stretch=touched_view.stretch_of(catalog.zone, since, until), **what
    ),
    "shared": lambda _, catalog: (
        touched_view.factors(catalog) | {touched_view.GAUGE: sorted(catalog.codes(Gauge))}
    ),
    "known": decide_view.known,
    "parts_waiting": lambda connection, _, **page: decide_view.parts_waiting(connection, **page),
    "shipped_anyway": lambda connection, _, most: shipping_view.shipped_anyway(connection, most),
    "batches_waiting": lambda connection, _: decide_view.batches_waiting(connection),
    "part_gate": lambda connection, catalog, serial: decide_view.part_gate(
        connection, catalog, serial, dt.datetime.now(dt.UTC)
    ),
    "batch_gate": lambda connection, catalog, code, **page: decide_view.batch(
        connection, catalog, code, dt.datetime.now(dt.UTC), **page
    ),
    "records_about": lambda connection, _, **what: mend_view.records(connection, **what),
    "record": lambda connection, _, of: mend_view.one(connection, of),
    "gauges": lambda connection, catalog, today: gauge_view.gauges(
        connection, catalog, dt.date.fromisoformat(today)
    ),
    "gauge": gauge_view.gauge,
    "in_doubt": lambda connection, _, **what: gauge_view.in_doubt(connection, **what),
    "settings": lambda connection, catalog, today: entry_view.settings(
        connection, catalog, today=dt.date.fromisoformat(today)
    ),
    "zone": lambda _, catalog: catalog.zone and str(catalog.zone),
    "counts": lambda connection, _: today_view.counts(connection),
    "flags": lambda connection, _, **only: flag_view.flags(connection, **only),
    "parts_in_doubt": lambda connection, _, gauge: today_view.parts_in_doubt(connection, gauge),
    "still_missing": work_view.still_missing,
    "changed": work_view.changed,
    "held_and_why": lambda connection, _: work_view.held_and_why(connection),
    "early_failures": lambda connection, _: work_view.early_failures(connection),
    "newest_weighed": lambda connection, _: weighed_view.newest(connection),
    "weighed": weighed_view.weighed,
    "nearest": lambda connection, _, serial: trace_view.nearest_serials(connection, serial),
}


@st.cache_resource(show_spinner=False)
def _reads(db: str, replica: str | None) -> Reads:
    """One engine a database, for every session of this process."""
    return Reads(Ledger(db), replica)


def _own() -> Reads:
    """The database that is shown, and its replica."""
    return _reads(os.environ["RIMQC_DB"], os.environ.get(NAME) or None)


def read(question: Callable[[Connection, Catalog], T]) -> T:
    """An answer as it is now, which nobody keeps."""
    return _own().ask(_own().moment(), _with_catalog(question))


def _with_catalog(question: Callable[[Connection, Catalog], T]) -> Callable[..., T]:
    return lambda ledger, connection: question(connection, ledger.known(connection).catalog)


@st.cache_data(ttl="1h", max_entries=500, show_spinner="Reading the records …")
def _answer(db: str, as_of: Moment, question: str, **what: Any) -> Any:
    """An answer holds until something else is taken in, or drift is judged anew."""
    return _own().ask(as_of, _with_catalog(partial(QUESTIONS[question], **what)))


@st.cache_data(ttl="20s", max_entries=20, show_spinner=False)
def _moment_lately(db: str) -> Moment:
    return _own().moment()


def _ask(question: str, **what: Any) -> Any:
    """What changes with each record: always as it is now."""
    return _answer(os.environ["RIMQC_DB"], _own().moment(), question, **what)


def _ask_lately(question: str, **what: Any) -> Any:
    """What sums over the whole shop: up to 20 seconds old, so that a busy day does not stall it."""
    db = os.environ["RIMQC_DB"]
    return _answer(db, _moment_lately(db), question, **what)


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


def still_missing() -> Rows:
    found: Rows = _ask_lately("still_missing")
    return found


def changed(since: str) -> Rows:
    """Flags raised and closed since a day of the site."""
    found: Rows = _ask_lately("changed", day=since)
    return found


def held_and_why() -> dict[str, Any]:
    found: dict[str, Any] = _ask_lately("held_and_why")
    return found


def early_failures() -> Rows:
    found: Rows = _ask_lately("early_failures")
    return found


def newest_weighed() -> str | None:
    found: str | None = _ask("newest_weighed")
    return found


def weighed(serial: str) -> dict[str, Any] | None:
    found: dict[str, Any] | None = _ask("weighed", serial=serial)
    return found


def nearest(serial: str) -> list[str]:
    found: list[str] = _ask("nearest", serial=serial)
    return found


def shared() -> dict[str, list[str]]:
    """By what parts can be found, gauges included, with the levels of each."""
    found: dict[str, list[str]] = _ask_lately("shared")
    return found


def touched(
    factor: str, level: str, since: str, until: str, most: int, skip: int = 0
) -> dict[str, Any]:
    found: dict[str, Any] = _ask(
        "touched", factor=factor, level=level, since=since, until=until, most=most, skip=skip
    )
    return found


def known(code: str) -> dict[str, Any]:
    found: dict[str, Any] = _ask("known", code=code)
    return found


def parts_waiting(most: int, skip: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = _ask("parts_waiting", most=most, skip=skip)
    return found


def shipped_anyway(most: int) -> dict[str, Any]:
    found: dict[str, Any] = _ask("shipped_anyway", most=most)
    return found


def batches_waiting() -> Rows:
    found: Rows = _ask("batches_waiting")
    return found


def part_gate(serial: str) -> dict[str, Any]:
    found: dict[str, Any] = _ask("part_gate", serial=serial)
    return found


def batch_gate(code: str, most: int, skip: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = _ask("batch_gate", code=code, most=most, skip=skip)
    return found


def records_about(about: str, code: str, most: int, skip: int = 0) -> dict[str, Any]:
    found: dict[str, Any] = _ask("records_about", about=about, code=code, most=most, skip=skip)
    return found


def record(of: str) -> dict[str, Any]:
    found: dict[str, Any] = _ask("record", of=of)
    return found


def gauges() -> Rows:
    found: Rows = _ask("gauges", today=today())
    return found


def gauge(code: str, most: int) -> dict[str, Any]:
    found: dict[str, Any] = _ask("gauge", code=code, most=most)
    return found


def in_doubt(gauge: str, at: str, most: int, skip: int = 0, *, cleared: bool = False) -> Rows:
    found: Rows = _ask("in_doubt", gauge=gauge, at=at, most=most, skip=skip, cleared=cleared)
    return found


def today() -> str:
    """The site's day."""
    return dt.datetime.now(ZoneInfo(zone() or "UTC")).date().isoformat()


def settings() -> dict[str, Any]:
    """What the entry screens offer to choose from, as of today."""
    found: dict[str, Any] = _ask("settings", today=today())
    return found


def claims() -> Rows:
    found: Rows = _ask_lately("claims")
    return found


def masses(model: str, stage: str) -> Rows:
    found: Rows = _ask_lately("masses", model=model, stage=stage)
    return found


def batch_masses(model: str, stage: str) -> Rows:
    found: Rows = _ask_lately("batch_masses", model=model, stage=stage)
    return found


def margins(protocol: str, model: str) -> Rows:
    found: Rows = _ask_lately("margins", protocol=protocol, model=model)
    return found


def tested() -> Rows:
    found: Rows = _ask_lately("tested")
    return found


def levels() -> Rows:
    """Every stream that drift watches, without what changed when it moved."""
    found: Rows = _ask_lately("levels")
    return found


def explained(level: dict[str, Any]) -> dict[str, Any]:
    """A stream with what changed when it moved, and all of it in sentences."""
    found: dict[str, Any] = _ask_lately("explained", of=_stream(level), _level=level)
    return found


def factor_runs_of(level: dict[str, Any], batches: list[str]) -> Rows:
    """What the batches of a stream in order of making share, as stretches."""
    found: Rows = _ask_lately("factor_runs", of=_stream(level), _batches=batches)
    return found


def _stream(level: dict[str, Any]) -> tuple[str, ...]:
    """Which stream it is: enough to know an answer again by, where its thousands of batches would
    take longer than the answer."""
    return tuple(level.get(name, "") for name in ("model", "stage", "characteristic", "protocol"))


def shared_turns(model: str, stage: str, direction: str) -> Rows:
    """What the parts of the newest batches have in common round the turn."""
    found: Rows = _ask_lately("shared_turns", model=model, stage=stage, direction=direction)
    return found


def impact_drops(tests: list[tuple[str, str]]) -> dict[str, Any]:
    """The drops of a group's tests, each named by its serial and test.

    No test is in two groups, so the first one tells which it is.
    """
    found: dict[str, Any] = _ask_lately("impact_map", of=tests[0], _tests=tests)
    return found


def part_tests(serial: str) -> Rows:
    found: Rows = _ask("part_tests", serial=serial)
    return found


def findings(model: str | None, batch: str | None) -> dict[str, Any]:
    found: dict[str, Any] = _ask_lately("findings", model=model, batch=batch)
    return found


def first_pass(model: str | None) -> dict[str, Any]:
    found: dict[str, Any] = _ask_lately("first_pass", model=model)
    return found


def batch_codes(model: str | None) -> list[str]:
    found: list[str] = _ask_lately("batch_codes", model=model)
    return found
