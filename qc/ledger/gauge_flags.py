"""Flags on gauges: used after the calibration ran out, and readings in doubt."""

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import ColumnElement, Connection, delete, func, select

from qc.judgement.gauges import OVERDUE, Suspect, overdue_flags, suspect_flags
from qc.ledger.bulk import insert_rows, pieces
from qc.ledger.projections import FLAG_COLUMNS, clear_gauge_flags, flag_row
from qc.ledger.tables import FlagRow, Journal, Override, SuspectRow

if TYPE_CHECKING:
    from qc.ledger.follow import Known


def note_uses(
    connection: Connection, known: "Known", uses: Mapping[str, Sequence[dt.datetime]]
) -> None:
    """New uses of gauges of which nothing else has changed: was one overdue?

    When each was first used since it was, its flags tell; the journal need not be asked.
    """
    overdue: dict[str, list[dt.datetime]] = {}
    for piece in pieces([f"gauge:{name}" for name in uses]):
        query = select(FlagRow.owner, FlagRow.raised_at).where(
            FlagRow.owner.in_(piece), FlagRow.flag == OVERDUE
        )
        for owner, at in connection.execute(query):
            overdue.setdefault(owner, []).append(at)
    for name, moments in uses.items():
        gauge, owner = known.catalog.gauge(name), f"gauge:{name}"
        if gauge is None:
            continue
        before = overdue.get(owner, [])
        used = [*before, *moments]

        def first_use(
            since: dt.datetime, until: dt.datetime | None, used: Sequence[dt.datetime] = used
        ) -> dt.datetime | None:
            return min((m for m in used if since <= m and (not until or m < until)), default=None)

        passed = known.calibrations.get(name, ())
        flags = overdue_flags(gauge, passed, known.catalog.zone, first_use)
        if {flag.raised_at for flag in flags} != set(before):
            ours = (FlagRow.owner == owner, FlagRow.flag == OVERDUE)
            connection.execute(delete(FlagRow).where(*ours))
            rows = [flag_row(flag, owner, gauge=name) for flag in flags]
            insert_rows(connection, FlagRow, FLAG_COLUMNS, rows)


def write(connection: Connection, known: "Known", gauges: set[str], corrected: bool) -> None:
    """Judge these gauges anew and write their flags."""
    names = sorted(gauges)
    if not names:
        return
    catalog, in_doubt = known.catalog, known.in_doubt
    clear_gauge_flags(connection, names)
    suspects = _suspects(connection, names)
    rows = []
    for name in names:
        gauge = catalog.gauge(name)
        if gauge is None:
            continue

        def first_use(
            since: dt.datetime, until: dt.datetime | None, name: str = name
        ) -> dt.datetime | None:
            return _first_use(connection, name, since, until, corrected)

        passed = known.calibrations.get(name, ())
        for flag in overdue_flags(gauge, passed, catalog.zone, first_use):
            rows.append(flag_row(flag, f"gauge:{name}", gauge=name))
        for touched in suspect_flags(gauge, in_doubt.get(name, ()), suspects.get(name, [])):
            rows.append(
                flag_row(touched.flag, f"gauge:{name}", gauge=name, records=touched.records)
            )
    insert_rows(connection, FlagRow, FLAG_COLUMNS, rows)


def _suspects(connection: Connection, gauges: Sequence[str]) -> dict[str, list[Suspect]]:
    found: dict[str, list[Suspect]] = {}
    for piece in pieces(gauges):
        query = select(
            SuspectRow.record_id,
            SuspectRow.gauge,
            SuspectRow.taken_at,
            SuspectRow.known_from,
            SuspectRow.settled_at,
        ).where(SuspectRow.gauge.in_(piece))
        for row in connection.execute(query):
            found.setdefault(row[1], []).append(Suspect(*row))
    return found


def _first_use(
    connection: Connection,
    gauge: str,
    since: dt.datetime,
    until: dt.datetime | None,
    corrected: bool,
) -> dt.datetime | None:
    """The first moment in a stretch at which a record was taken with the gauge."""

    def within(table: type[Journal] | type[Override]) -> list[ColumnElement[bool]]:
        where = [table.gauge == gauge, table.taken_at >= since]
        return [*where, table.taken_at < until] if until is not None else where

    own = select(func.min(Journal.taken_at)).where(*within(Journal))
    if corrected:
        mended = select(Override.record_id).where(Override.record_id == Journal.record_id)
        own = own.where(~mended.exists())
    first = [connection.execute(own).scalar()]
    if corrected:
        query = select(func.min(Override.taken_at)).where(Override.last, *within(Override))
        first.append(connection.execute(query).scalar())
    return min((moment for moment in first if moment is not None), default=None)
