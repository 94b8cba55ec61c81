"""Whether somebody may hand in a record: by their role, by whom a gauge is kept for, or to undo."""

import datetime as dt
from collections.abc import Collection, Mapping

from sqlalchemy import Connection, select

from qc.ledger.journal import places, sealed_at
from qc.ledger.ledger import now
from qc.ledger.tables import Journal
from qc.people.roles import action_of
from qc.people.who import Person, may
from qc.records.canonical import from_body, replacement_of
from qc.records.kinds import Correction, Disposition, Drop, Record, Shipment, kind_of
from qc.records.parsing import Refused
from qc.views.shipping import reasons_to_keep

# a person may take back what they entered themselves for so long
UNDO_WITHIN = dt.timedelta(minutes=15)

ACTION_WORDS = {
    "correct": "correct records of others, or what was entered a while ago",
    "accept-suspect": "accept readings of a gauge that was found off",
    "hold": "put parts or batches on hold",
    "dispose": "decide on parts or batches",
    "concede": "grant concessions",
    "set-limits": "change this table of the catalog",
    "freeze-baseline": "set a baseline",
    "set-claims": "set claims",
    "manage-people": "manage people",
    "record": "record",
    "undo": "take back",
    "see": "see",
}


def forbidden(person: Person, action: str, field: str, value: str) -> Refused:
    """The refusal of what a role may not do."""
    reason = f"a {person.role} may not {ACTION_WORDS[action]}; ask somebody who may"
    return Refused(field, value, reason)


def check_record(
    connection: Connection,
    person: Person,
    record: Record,
    grants: Mapping[str, Collection[str]],
) -> None:
    """Raises `Refused` where the person may not hand the record in.

    `grants` names who may use a gauge or rig that is not open to all; whoever logged the reading
    counts, for a rig does not use itself.
    """
    gauge: str = getattr(record, "gauge", "")
    if gauge in grants and record.inspector not in grants[gauge]:
        what = "rig" if isinstance(record, Drop) else "gauge"
        reason = f"{record.inspector} is not among those who may use this {what}; ask the owner"
        raise Refused("gauge", gauge, reason)
    if isinstance(record, Correction):
        _check_correction(connection, person, record, grants)
    elif not may(person, action_of(record)):
        field = "decision" if isinstance(record, Disposition) else "kind"
        raise forbidden(person, action_of(record), field, getattr(record, field, kind_of(record)))
    elif isinstance(record, Disposition) and _is_unbounded(record):
        reason = "a concession needs a bound: how many parts, or the last day it holds"
        raise Refused("quantity or until", None, reason)


def check_may_leave(connection: Connection, record: Record) -> None:
    """Raises `Refused` for a shipment of a part that may not leave.

    What has left all the same is a fact, and is taken from a log or a station; one that is kept
    already is not asked about again.
    """
    if not isinstance(record, Shipment):
        return
    if places(connection, [record.record_id]):
        return
    reasons = reasons_to_keep(connection, record.serial)
    if reasons:
        raise Refused("serial", record.serial, f"it may not leave: {'; '.join(reasons)}")


def _is_unbounded(decision: Disposition) -> bool:
    bounded = decision.quantity is not None or decision.until is not None
    return decision.decision == "concession" and not bounded


def _check_correction(
    connection: Connection,
    person: Person,
    correction: Correction,
    grants: Mapping[str, Collection[str]],
) -> None:
    """Undoing one's own; else the right to correct, and to what stood there and what shall."""
    at = places(connection, [correction.of]).get(correction.of)
    query = select(Journal.body, sealed_at()).where(
        Journal.position == at, Journal.kind != "catalog"
    )
    row = connection.execute(query).one_or_none()
    mended = from_body(row[0]) if row is not None else None
    if mended is not None and row is not None and correction.void and may(person, "undo"):
        own = mended.entered_by == person.code and abs(now() - row[1]) <= UNDO_WITHIN
        if own and not isinstance(mended, Correction):
            return
    if not may(person, action_of(correction)):
        raise forbidden(person, action_of(correction), "kind", "correction")
    if mended is not None and not may(person, action_of(mended)):
        raise forbidden(person, action_of(mended), "of", correction.of)
    if correction.replacement is not None:
        check_record(connection, person, replacement_of(correction), grants)
