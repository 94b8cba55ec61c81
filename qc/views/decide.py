"""What waits for a decision, and what a release of a part or a batch would settle and what not."""

import datetime as dt
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
from qc.ledger.corrections import any_corrections, histories
from qc.ledger.projections import standing_from
from qc.ledger.tables import WAITS, BatchStanding, Part, Test
from qc.records.kinds import Disposition
from qc.views import batch_standing, touched
from qc.views import flags as flag_view
from qc.views.plain import record
from qc.views.trace import nearest_serials

Row = dict[str, Any]


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
    return reasons_against(Standing(), standing, received=True)


def known(connection: Connection, catalog: Catalog, code: str) -> Row:
    """Whether a code is that of a part, a batch, a gauge, and which serials look like it."""
    part = connection.execute(select(Part.serial).where(Part.serial == code)).first()
    batches = touched.factors(catalog).get("batch", [])
    near = [] if part or code in batches else nearest_serials(connection, code)
    gauge = catalog.gauge(code) is not None
    return {"part": part is not None, "batch": code in batches, "gauge": gauge, "near": near}


def part_gate(connection: Connection, serial: str, now: dt.datetime) -> Row:
    """What a release of the part at this moment would settle, and what would still keep it."""
    row = connection.execute(
        select(Part.model, Part.batch, Part.standing).where(Part.serial == serial)
    ).one()
    model, batch, own = row[0], row[1], standing_from(row[2])
    whole = batch_standing.standing(connection, batch)
    held = histories(connection, "serial", [serial], any_corrections(connection))[serial]
    records = [final for item in held if (final := item.final()) is not None]
    decisions = [r for r in records if isinstance(r, Disposition)]
    release = Disposition(
        taken_at=now, station="-", inspector="-", serial=serial, decision="release", reason="-"
    )
    counts = release_counts(release, decisions, records)
    after = replace(own, held="", rework=False) if counts else own
    received = model is not None
    reasons = reasons_against(own, whole, received)
    left = reasons_against(after, whole, received)
    if batch and not_looked_at_since(batch_standing.decisions(connection, [batch])[batch], records):
        left.append("its batch was reworked: it wants a new inspection")
    return {"settles": [reason for reason in reasons if reason not in left], "keeps": left}


def batch(connection: Connection, catalog: Catalog, code: str, most: int, skip: int = 0) -> Row:
    """A batch with its decisions, its own open flags, and a page of its parts, shipped ones first.

    RimqcError for a batch that is not in the catalog.
    """
    entry = catalog.batch(code)
    if entry is None:
        raise RimqcError(f"no batch {code} in the catalog")
    standing = batch_standing.standing(connection, code)
    parts = touched.page(connection, catalog, "batch", code, most, skip)
    decisions = batch_standing.decisions(connection, [code])[code]
    return {
        "batch": code,
        "model": entry.model,
        "made_on": entry.made_on.isoformat(),
        "quantity": entry.quantity,
        "reasons": reasons_of_batch(standing),
        "settles": reasons_of_batch(standing),
        "keeps": reasons_of_batch(replace(standing, held="", rework=False)),
        "dispositions": [
            record(d) for d in sorted(decisions, key=lambda d: (d.taken_at, d.record_id))
        ],
        "flags": flag_view.flags(connection, owner=f"batch:{code}"),
        "held_by_name": _count(connection, (Part.batch == code) & WAITS),
        **parts,
    }
