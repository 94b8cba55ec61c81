"""What waits for a decision, and what a release of a part or a batch would settle and what not."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, select

from qc.catalog.catalog import Catalog
from qc.errors import RimqcError
from qc.judgement.standing import (
    Standing,
    not_looked_at_since,
    reasons_against,
    release_counts,
)
from qc.ledger.corrections import histories
from qc.ledger.marks import WAITS
from qc.ledger.projections import standing_from
from qc.ledger.tables import BatchStanding, Part, Test
from qc.records.kinds import Disposition
from qc.views import batch_standing, touched
from qc.views import flags as flag_view
from qc.views.plain import record
from qc.views.trace import nearest_serials

Row = dict[str, Any]

MOST_FLAGS = 5  # of a batch and its parts, the worst


def parts_waiting(connection: Connection, most: int, skip: int = 0) -> Row:
    """A page of the parts held by name, in rework or repaired, with how many there are."""
    query = select(Part.serial, Part.model, Part.batch, Part.standing).where(WAITS)
    found = connection.execute(query.order_by(Part.serial).limit(most).offset(skip)).all()
    of_batch = batch_standing.standings(connection, (row[2] for row in found))
    rows = []
    for serial, model, batch, text in found:
        own, whole = standing_from(text), of_batch.get(batch or "", Standing())
        rows.append(
            {
                "serial": serial,
                "model": model,
                "batch": batch,
                "status": touched.place(own, whole, model is not None),
                "reasons": reasons_against(own, whole, model is not None),
            }
        )
    return {"count": _count(connection, WAITS), "rows": rows}


def _count(connection: Connection, which: ColumnElement[bool]) -> int:
    return connection.execute(select(func.count()).select_from(Part).where(which)).scalar() or 0


def batches_waiting(connection: Connection) -> list[Row]:
    """The batches that are held, in rework or repaired, and why."""
    failed = select(Test.batch).where(Test.failed <= 1).distinct()
    decided = select(BatchStanding.batch).where(
        BatchStanding.standing.not_like('{"held":"","rework":false,"repair":false,%')
    )
    codes = {row[0] for query in (failed, decided) for row in connection.execute(query)}
    rows = []
    for batch, standing in batch_standing.standings(connection, codes).items():
        reasons = reasons_of_batch(standing)
        if reasons and not (standing.scrapped or standing.sent_back):
            rows.append({"batch": batch, "reasons": reasons})
    return rows


def reasons_of_batch(standing: Standing) -> list[str]:
    """Every reason why no part of a batch may leave; empty where the batch as such is free."""
    reasons = reasons_against(Standing(), standing, received=True)
    return [reason.removeprefix("its batch is ") for reason in reasons]


def known(connection: Connection, catalog: Catalog, code: str) -> Row:
    """Whether a code is that of a part, a batch, a gauge, and which serials look like it."""
    part = connection.execute(select(Part.serial).where(Part.serial == code)).first()
    batch = catalog.batch(code)
    near = [] if part or batch else nearest_serials(connection, code)
    gauge = catalog.gauge(code) is not None
    return {"part": part is not None, "batch": batch is not None, "gauge": gauge, "near": near}


def part_gate(connection: Connection, catalog: Catalog, serial: str, now: dt.datetime) -> Row:
    """What a release of the part at this moment would settle, and what would still keep it.

    `run_out`: a concession on which it may have counted, and which holds no longer.
    """
    row = connection.execute(
        select(Part.model, Part.batch, Part.standing).where(Part.serial == serial)
    ).one()
    model, code, own = row[0], row[1], standing_from(row[2])
    whole = batch_standing.standing(connection, code)
    held = histories(connection, "serial", [serial])[serial]
    records = [final for item in held if (final := item.final()) is not None]
    decisions = [r for r in records if isinstance(r, Disposition)]
    of_batch = batch_standing.decisions(connection, [code])[code] if code else []
    release = Disposition(
        taken_at=now, station="-", inspector="-", serial=serial, decision="release", reason="-"
    )
    counts = release_counts(release, decisions, records)
    after = replace(own, held="", rework=False) if counts else own
    received = model is not None
    reasons = reasons_against(own, whole, received)
    keeps = reasons_against(after, whole, received)
    if not_looked_at_since(of_batch, records):
        keeps.append("its batch was reworked: it wants a new inspection")
    day = catalog.local_day(now)
    run_out = [_run_out(decisions, day, 0)] + [
        f"of its batch: {said}"
        for said in [_run_out(of_batch, day, _shipped(connection, of_batch, code))]
        if said
    ]
    return {
        "settles": [reason for reason in reasons if reason not in keeps],
        "keeps": keeps,
        "run_out": [said for said in run_out if said],
    }


def batch(
    connection: Connection, catalog: Catalog, code: str, now: dt.datetime, most: int, skip: int = 0
) -> Row:
    """A batch with its decisions, the worst open flags of it and its parts, and a page of its
    parts, shipped ones first; each part's `reasons` are its own, those of the batch stand once.

    RimqcError for a batch that is not in the catalog.
    """
    entry = catalog.batch(code)
    if entry is None:
        raise RimqcError(f"no batch {code} in the catalog")
    standing = batch_standing.standing(connection, code)
    common = reasons_against(Standing(), standing, received=True)
    parts = touched.page(connection, catalog, "batch", code, most, skip)
    for row in parts["rows"]:
        row["reasons"] = [reason for reason in row["reasons"] if reason not in common]
    decisions = batch_standing.decisions(connection, [code])[code]
    keeps = reasons_of_batch(replace(standing, held="", rework=False))
    said = _run_out(decisions, catalog.local_day(now), _shipped(connection, decisions, code))
    return {
        "batch": code,
        "settles": [reason for reason in reasons_of_batch(standing) if reason not in keeps],
        "keeps": keeps,
        "run_out": [said] if said else [],
        "dispositions": [
            record(d) for d in sorted(decisions, key=lambda d: (d.taken_at, d.record_id))
        ],
        "flags": flag_view.flags(connection, batch=code, most=MOST_FLAGS),
        "held_by_name": _count(connection, (Part.batch == code) & WAITS),
        **parts,
    }


def _concession(decisions: Iterable[Disposition]) -> Disposition | None:
    """The concession by which things may leave now; none where a release came after it."""
    freeing = [d for d in decisions if d.decision in ("release", "concession")]
    newest = max(freeing, key=lambda d: (d.taken_at, d.record_id), default=None)
    return newest if newest and newest.decision == "concession" else None


def _run_out(decisions: Iterable[Disposition], day: dt.date, shipped: int) -> str | None:
    """Why the concession in force covers no further part, if so."""
    concession = _concession(decisions)
    if concession is None:
        return None
    if concession.until is not None and concession.until < day:
        return f"the concession held until {concession.until.isoformat()}"
    if concession.quantity is not None and shipped >= concession.quantity:
        return f"the concession was for {concession.quantity}, and {shipped} were shipped since"
    return None


def _shipped(connection: Connection, decisions: Iterable[Disposition], code: str | None) -> int:
    """How many parts of the batch were shipped since its concession, if that counts parts."""
    concession = _concession(decisions)
    if concession is None or concession.quantity is None or code is None:
        return 0
    return touched.shipped_since(connection, code, concession.taken_at)
