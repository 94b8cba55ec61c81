"""Proof that the journal is what was taken in: digests, seals, places, triggers."""

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection, func, select

from qc.catalog.entries import CatalogEntry
from qc.ledger import triggers
from qc.ledger.journal import COLUMNS, FIRST_DIGEST, seal_digest, subject_of
from qc.ledger.projections import moment
from qc.ledger.tables import Head, Identity, Journal, Seal
from qc.records.canonical import body, digest, from_body
from qc.records.kinds import Record, kind_of

_catalog_entry = msgspec.json.Decoder(CatalogEntry)


class Proof(NamedTuple):
    """How many records were looked at, and the first that is not as it was."""

    records: int
    first_bad: str | None


def verify(connection: Connection, noted_seal: str | None = None) -> Proof:
    """Walk the whole journal. `noted_seal` is a seal's digest that was noted elsewhere.

    Found are: a record changed, taken out, put in or moved; a changed or missing seal; a missing
    trigger; with a noted seal also an end that was cut off.
    """
    with connection.execute(_JOURNAL.execution_options(yield_per=1000)) as journal:
        try:
            return _walk(connection, iter(journal), noted_seal)
        except (ValueError, TypeError):  # SQLite keeps any value in any column
            return Proof(0, "a row of the journal or its seals holds what cannot be read")


def _walk(connection: Connection, rows: Iterator[Any], noted_seal: str | None) -> Proof:
    count = 0
    previous, position = FIRST_DIGEST, 0
    noted = noted_seal is None
    number = 0
    for number, seal in enumerate(connection.execute(_SEALS).all(), 1):
        said, first, size, before, sealed, at = seal
        if said != number or first != position + 1 or before != previous or size < 1:
            return Proof(count, f"seal {number}: missing, added or out of order")
        digests = []
        for row in islice(rows, size):
            position += 1
            count += 1
            wrong = _wrong(row, position)
            if wrong:
                return Proof(count, wrong)
            digests.append(row.digest)
        if len(digests) != size:
            return Proof(count, f"position {position + 1}: missing from seal {number}")
        if seal_digest(number, moment(at) or at, before, digests) != sealed:
            return Proof(count, f"seal {number}: its digest is not that of its records")
        previous = sealed
        noted = noted or sealed == noted_seal
    extra = next(rows, None)
    if extra is not None:
        return Proof(count, f"position {extra.position}: record {extra.record_id} is not sealed")
    return Proof(count, next(_end_faults(connection, position, number, previous, noted), None))


def _identity_faults(connection: Connection, records: int) -> Iterator[str]:
    """What is not found by its identity would be taken in twice; one too many would be refused."""
    query = (
        select(Journal.position, Journal.record_id)
        .outerjoin(Identity, Identity.record_id == Journal.record_id)
        .where(func.coalesce(Identity.position, 0) != Journal.position)
        .order_by(Journal.position)
        .limit(1)
    )
    for position, record_id in connection.execute(query):
        yield f"position {position}: record {record_id} is not found by its identity: {_AGAIN}"
    noted = connection.execute(select(func.count()).select_from(Identity)).scalar_one()
    if noted != records:
        yield f"{noted} identities are noted of {records} records: an end was cut off, or {_AGAIN}"


_AGAIN = "rimqc rebuild notes identities anew"
_JOURNAL = select(*(getattr(Journal, name) for name in COLUMNS)).order_by(Journal.position)
_SEALS = select(
    *(Seal.number, Seal.first_position, Seal.records, Seal.previous, Seal.digest, Seal.sealed_at)
).order_by(Seal.number)


def _wrong(row: Sequence[Any], position: int) -> str | None:
    """What is wrong with a journal row at its place."""
    said, record_id, kind, taken_at, serial, batch, gauge, checked, noted, text = row
    if said != position:
        return f"position {position}: missing (the next one held is {said})"
    name = f"position {position}: record {record_id}"
    if not isinstance(text, str) or digest(text.encode()) != noted:
        return f"{name} was changed"
    try:
        record: Record | CatalogEntry = (
            _catalog_entry.decode(text) if kind == "catalog" else from_body(text)
        )
    except msgspec.MsgspecError:
        return f"{name} cannot be read"
    if body(record).decode() != text:
        return f"{name} is not in its canonical form"
    says_kind = kind_of(record) if isinstance(record, Record) else "catalog"
    says_time = record.taken_at if isinstance(record, Record) else None
    columns = (record.record_id, says_kind, says_time, *subject_of(record))
    if columns != (record_id, kind, moment(taken_at), serial, batch, gauge, checked):
        return f"{name} is filed under something else than it says"
    return None


def _end_faults(
    connection: Connection, position: int, number: int, previous: str, noted: bool
) -> Iterator[str]:
    row = connection.execute(select(Head.position, Head.seal, Head.seal_digest)).one_or_none()
    head = tuple(row) if row is not None else (0, 0, FIRST_DIGEST)
    if head != (position, number, previous):
        yield f"the journal ends at position {position}, its end was noted at {head[0]}"
    missing = sorted(triggers.wanted(connection.dialect.name).keys() - triggers.present(connection))
    if missing:
        yield f"trigger {missing[0]} is missing: the journal could be changed"
    yield from _identity_faults(connection, position)
    if not noted:
        yield "the noted seal is not in this journal: its end was cut off, or it is another one"
