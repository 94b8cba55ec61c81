"""One part: everything known of it."""

import difflib
from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.units import unit
from qc.errors import RimqcError
from qc.judgement.readings import Held
from qc.judgement.standing import not_looked_at_since, reasons_against, status
from qc.ledger.corrections import any_corrections, histories, load_held
from qc.ledger.projections import standing_from
from qc.ledger.tables import Mends, Part, Quantity, SuspectRow
from qc.records.kinds import Disposition, Record
from qc.records.parsing import nearest
from qc.views import batch_standing
from qc.views import flags as flag_view
from qc.views.plain import moment, number, record


def trace(connection: Connection, catalog: Catalog, serial: str) -> dict[str, Any]:
    """Everything known of a serial, its records in order of time, with corrections and doubts."""
    query = select(Part.model, Part.batch, Part.standing).where(Part.serial == serial)
    row = connection.execute(query).one_or_none()
    if row is None:
        raise RimqcError(f"no record of serial {serial}{_near(connection, serial)}")
    model, batch, text = row
    standing = standing_from(text)
    of_batch = batch_standing.standing(connection, batch)
    corrected = any_corrections(connection)
    held = histories(connection, "serial", [serial], corrected)[serial]
    own = [final for item in held if (final := item.final()) is not None]
    batch_decisions = batch_standing.decisions(connection, [batch])[batch] if batch else []
    in_doubt = doubted(connection, f"serial:{serial}")
    reasons = reasons_against(standing, of_batch, model is not None)
    if not_looked_at_since(batch_decisions, own):
        reasons.append("its batch was reworked: it wants a new inspection")
    entry = catalog.batch(batch) if batch else None
    return {
        "serial": serial,
        "model": model,
        "batch": batch,
        "made_on": entry.made_on.isoformat() if entry else None,
        "factors": dict(entry.factors) if entry else {},
        "status": status(standing, of_batch, model is not None),
        "may_leave": not reasons,
        "reasons": reasons,
        "missing": list(standing.missing),
        "grade": standing.grade or None,
        "records": shown_records(connection, held, in_doubt),
        "flags": flag_view.flags(connection, everything=True, serial=serial),
        "dispositions": _dispositions(own, batch_decisions),
        "quantities": _quantities(connection, catalog, serial),
    }


def _near(connection: Connection, serial: str) -> str:
    return nearest(serial, nearest_serials(connection, serial))


def nearest_serials(connection: Connection, serial: str, most: int = 3) -> list[str]:
    """Known serials that look like this one, the likest first; sought among its neighbours."""
    found: set[str] = set()
    for like in {serial, serial.upper()}:
        after = select(Part.serial).where(Part.serial >= like).order_by(Part.serial)
        before = select(Part.serial).where(Part.serial < like).order_by(Part.serial.desc())
        for query in (after, before):
            found.update(row[0] for row in connection.execute(query.limit(300)))
    likeness = {known.upper(): known for known in sorted(found)}
    close = difflib.get_close_matches(serial.upper(), likeness, most, 0.5)
    return [likeness[name] for name in close]


def doubted(connection: Connection, owner: str) -> dict[str, bool]:
    """Records that are or were in doubt, and whether they still are."""
    query = select(SuspectRow.record_id, SuspectRow.settled_at).where(SuspectRow.owner == owner)
    found: dict[str, bool] = {}
    for record_id, settled_at in connection.execute(query):
        found[record_id] = found.get(record_id, False) or settled_at is None
    return found


def shown_records(
    connection: Connection, held: list[Held], in_doubt: dict[str, bool]
) -> list[dict[str, Any]]:
    """Records with what corrections made of them, and those corrections, in order of time."""
    shown = []
    for item in held:
        row = record(item.record)
        final = item.final()
        if item.changes:
            row["standing"] = "void" if final is None else "as-recorded"
            if final is not None and final != item.record:
                row["standing"], row["now"] = "corrected", record(final)
        if item.record.record_id in in_doubt:
            row["suspect"] = in_doubt[item.record.record_id]
        shown.append(row)
    shown += [record(item.record) for item in _mending(connection, held)]
    return sorted(shown, key=lambda row: (row["taken_at"], row["record_id"]))


def _mending(connection: Connection, held: list[Held]) -> list[Held]:
    """The corrections of these records, and the corrections of those."""
    waiting = [item.record.record_id for item in held if item.changes]
    found: dict[str, Held] = {}
    while waiting:
        query = select(Mends.record_id).where(Mends.of.in_(waiting))
        fresh = [row[0] for row in connection.execute(query) if row[0] not in found]
        for item in load_held(connection, fresh):
            found[item.record.record_id] = item
        waiting = fresh
    return list(found.values())


def _dispositions(own: list[Record], of_batch: list[Disposition]) -> list[dict[str, Any]]:
    """The decisions on the part by name and on its batch, in order of time."""
    decisions = [r for r in own if isinstance(r, Disposition)] + of_batch
    return [record(d) for d in sorted(decisions, key=lambda d: (d.taken_at, d.record_id))]


def _quantities(connection: Connection, catalog: Catalog, serial: str) -> list[dict[str, Any]]:
    query = (
        select(Quantity.stage, Quantity.characteristic, Quantity.protocol, Quantity.value,
               Quantity.u, Quantity.suspect, Quantity.at, Quantity.verdict, Quantity.beyond)
        .where(Quantity.serial == serial)
        .order_by(Quantity.stage, Quantity.characteristic, Quantity.protocol)
    )  # fmt: skip
    rows = []
    for row in connection.execute(query).mappings():
        shown = {"value": number(row["value"]), "at": moment(row["at"])}
        rows.append(dict(row) | shown | {"unit": unit(catalog, row["characteristic"])})
    return rows
