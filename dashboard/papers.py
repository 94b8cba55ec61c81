"""Papers to take away: each is made when its button is pressed."""

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import cached
import streamlit as st
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog

if TYPE_CHECKING:
    from qc.reports.page import Printing

# what every paper is made from
About = tuple[Connection, Catalog, "Printing"]


def _button(label: str, name: str, make: Callable[[About], bytes]) -> None:
    def made() -> bytes:
        from qc.reports.page import printing

        return cached.read(
            lambda connection, catalog: make((connection, catalog, printing(connection, catalog)))
        )

    st.download_button(
        label, made, f"{name.replace('/', '-')}.pdf", "application/pdf", on_click="ignore"
    )


def of_part(part: dict[str, Any]) -> None:
    """The record and the label of a part; of a struck one the label that says so."""
    serial = part["serial"]
    struck = any(reason.startswith("struck") for reason in part["reasons"])

    def record(about: About) -> bytes:
        from qc.reports import part as paper

        return paper.record(*about, serial)

    with st.container(horizontal=True):
        if part["model"] and not struck:
            _button("Its record as PDF", f"record-of-part_{serial}", record)
        name = "struck" if struck else "label"
        label = "Label: struck, not for use" if struck else "Its label"
        _button(label, f"{name}_{serial}", lambda about: _roll(about[0], serial, struck))


def _roll(connection: Connection, serial: str, struck: bool) -> bytes:
    from qc.reports.labels import STRUCK_MM, labels, roll, tags

    return labels(tags(connection, [serial]), roll(*(STRUCK_MM if struck else (62, 29))))


def of_batch(code: str, parts: int) -> None:
    """The release sheet of a batch, and a sheet of labels for its parts."""

    def release(about: About) -> bytes:
        from qc.reports import batch

        return batch.release(*about, code)

    def labels(about: About) -> bytes:
        from qc.reports import labels as paper

        connection, catalog, _ = about
        serials = paper.serials_of(connection, catalog, code)
        return paper.labels(paper.tags(connection, serials), paper.A4_24)

    with st.container(horizontal=True):
        _button("Release sheet as PDF", f"release-sheet_{code}", release)
        if parts:
            _button("Labels, 24 on an A4 sheet", f"labels_{code}", labels)


def of_claims(today: str) -> None:
    """The claims audit of a period that is asked for."""
    with st.popover("Claims audit as PDF"):
        last = dt.date.fromisoformat(today)
        since = st.date_input("Weighed from", last - dt.timedelta(days=365), max_value=last)
        until = st.date_input("To", last, max_value=last)

        def audit(about: About) -> bytes:
            from qc.reports import claims

            return claims.audit(*about, since, until)

        st.markdown("It judges every part anew: in a large shop that takes its time.")
        _button("Make it", f"claims-audit_{since}_{until}", audit)


def of_impact(protocol: str, model: str) -> None:
    """The impact report of a protocol and a model."""

    def report(about: About) -> bytes:
        from qc.reports import impact

        return impact.report(*about, protocol, model)

    _button("Impact report as PDF", f"impact-tests_{protocol}_{model}", report)


def of_gauges(today: str) -> None:
    """The list of gauges."""

    def listing(about: About) -> bytes:
        from qc.reports import gauges

        return gauges.listing(*about)

    _button("List as PDF", f"gauges_{today}", listing)
