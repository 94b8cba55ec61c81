"""Gauges: what falls due, what was found off, and what was measured with it meanwhile."""

import datetime as dt
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, func, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Gauge
from qc.errors import RimqcError
from qc.judgement.gauges import doubts, passes
from qc.judgement.readings import Held
from qc.ledger.corrections import histories, load_held
from qc.ledger.tables import SuspectRow
from qc.physics.exact import EXACT
from qc.records.kinds import GaugeCheck
from qc.records.parsing import nearest
from qc.views import touched
from qc.views.plain import moment, number, record

Row = dict[str, Any]

OVERDUE, THIS_MONTH, LATER, UNDATED = "overdue", "this-month", "later", "undated"


def gauges(connection: Connection, catalog: Catalog, today: dt.date) -> list[Row]:
    """Every gauge: when it falls due, whether readings of it are in doubt, its newest check.

    `today` is the site's day. What wants something first: in doubt, overdue, due this month.
    """
    entries = catalog.entries(Gauge)
    checks = histories(connection, "checked", [g.code for g in entries])
    open_doubt = select(SuspectRow.gauge, func.count()).where(SuspectRow.settled_at.is_(None))
    in_doubt = {row[0]: row[1] for row in connection.execute(open_doubt.group_by(SuspectRow.gauge))}
    rows = []
    for entry in entries:
        own = _checks(entry.code, checks[entry.code])
        due = _due(entry, own)
        newest = own[-1] if own else None
        rows.append(
            {
                "gauge": entry.code,
                "measures": entry.measures,
                "unit": entry.unit,
                "due": due.isoformat() if due else None,
                "when": _when_due(due, today),
                "in_doubt": in_doubt.get(entry.code, 0),
                "newest_check": check_row(newest) if newest else None,
            }
        )
    order = (OVERDUE, THIS_MONTH, LATER, UNDATED)
    return sorted(
        rows,
        key=lambda r: (not r["in_doubt"], order.index(r["when"]), r["due"] or "", r["gauge"]),
    )


def _checks(gauge: str, held: Sequence[Held]) -> list[GaugeCheck]:
    """The gauge's checks as they stand after corrections, in order of time; at one moment what it
    read as found comes before what it read as left."""
    finals = (item.final() for item in held)
    own = [check for check in finals if isinstance(check, GaugeCheck) and check.gauge == gauge]
    return sorted(own, key=lambda c: (c.taken_at, c.found == "as-left", c.record_id))


def _due(entry: Gauge, checks: Sequence[GaugeCheck]) -> dt.date | None:
    """What its newest passed calibration says, else the catalog."""
    passed = [c.due for c in checks if c.check == "calibration" and c.due and passes(c)]
    due = passed[-1] if passed else entry.due
    return None if due == dt.date.max else due


def _when_due(due: dt.date | None, today: dt.date) -> str:
    if due is None:
        return UNDATED
    if due < today:
        return OVERDUE
    return THIS_MONTH if (due.year, due.month) == (today.year, today.month) else LATER


def check_row(check: GaugeCheck) -> Row:
    """A check with its error and whether it passed, in the gauge's unit."""
    return {
        "record_id": check.record_id,
        "at": moment(check.taken_at),
        "check": check.check,
        "found": check.found,
        "reference": check.reference,
        "nominal": number(check.nominal),
        "reading": number(check.reading),
        "error": number(EXACT.subtract(check.reading, check.nominal)),
        "limit": number(check.limit),
        "passes": passes(check),
        "inspector": check.inspector,
    }


def gauge(connection: Connection, catalog: Catalog, code: str, most: int) -> Row:
    """A gauge with its newest `most` checks, oldest first, and each of its failed as-found checks.

    Of a failure: since when its readings are in doubt (`since` None: from the first), until when,
    and how many were cleared and how many still wait. RimqcError for an unknown gauge.
    """
    entry = catalog.gauge(code)
    if entry is None:
        raise RimqcError(
            f"no gauge {code} in the catalog{nearest(code, list(catalog.codes(Gauge)))}"
        )
    held = histories(connection, "checked", [code])[code]
    checks = _checks(code, held)
    return {
        "gauge": code,
        "unit": entry.unit,
        "count": len(checks),
        "checks": [check_row(check) for check in checks[-most:]],
        "failures": _failures(connection, code, held),
    }


def _failures(connection: Connection, code: str, held: Sequence[Held]) -> list[Row]:
    """Failed checks that hold, the newest first; several references of one moment are one."""
    settled = func.count(SuspectRow.settled_at)
    query = (
        select(SuspectRow.known_from, func.count(), settled)
        .where(SuspectRow.gauge == code)
        .group_by(SuspectRow.known_from)
    )
    counted = {row[0]: (row[1], row[2]) for row in connection.execute(query)}
    found: dict[dt.datetime, Row] = {}
    for doubt in doubts(code, held):
        if doubt.known_until is not None:
            continue
        before = found.get(doubt.known_from)
        if before and abs(before["error"]) >= abs(doubt.error):
            continue
        every, cleared = counted.get(doubt.known_from, (0, 0))
        found[doubt.known_from] = {
            "at": moment(doubt.known_from),
            "error": number(doubt.error),
            "limit": number(doubt.limit),
            "since": moment(doubt.start) if doubt.start else None,
            "until": moment(doubt.end) if doubt.end else None,
            "touched": every,
            "cleared": cleared,
            "waiting": every - cleared,
        }
    return [found[at] for at in sorted(found, reverse=True)]


def in_doubt(
    connection: Connection, gauge: str, at: str, most: int, skip: int = 0, *, cleared: bool = False
) -> list[Row]:
    """A page of the readings that a failed check at a moment put in doubt, with where each part is.

    Those that still wait, or those `cleared` since, with when that was; what has been shipped
    stands first.
    """
    query = select(SuspectRow.record_id, SuspectRow.owner, SuspectRow.settled_at).where(
        SuspectRow.gauge == gauge,
        SuspectRow.known_from == dt.datetime.fromisoformat(at),
        SuspectRow.settled_at.is_not(None) if cleared else SuspectRow.settled_at.is_(None),
    )
    rows = list(connection.execute(query))
    serials = [owner.removeprefix("serial:") for _, owner, _ in rows if owner[:7] == "serial:"]
    places = {row["serial"]: row for row in touched.placed(connection, serials)}
    rows.sort(key=lambda row: _order(row, places))
    rows = rows[skip : skip + most]
    held = {h.record.record_id: h for h in load_held(connection, [row[0] for row in rows])}
    shown = []
    for record_id, owner, settled_at in rows:
        final = held[record_id].final()
        assert final is not None  # a void record is in no doubt
        kind, _, name = owner.partition(":")
        shown.append(
            {
                "record": record(final) | {"record_id": record_id},
                kind: name,
                "place": places.get(name) if kind == "serial" else None,
                "settled_at": moment(settled_at) if settled_at else None,
            }
        )
    return shown


def _order(row: Any, places: dict[str, Row]) -> tuple[bool, str, str]:
    serial = row[1].removeprefix("serial:")
    out = serial in places and places[serial]["status"] == "shipped"
    return not out, serial, row[0]
