"""Appending to the journal: what is held already, positions, seals."""

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from hashlib import sha256
from itertools import count
from typing import Any, NamedTuple

from sqlalchemy import Connection, ScalarSelect, bindparam, delete, insert, select, text, update

from qc.catalog.entries import CatalogEntry
from qc.ledger.bulk import insert_new, insert_rows, pieces, select_in
from qc.ledger.ready import carry_out, rows_of
from qc.ledger.tables import Head, Identity, Journal, Seal
from qc.records.canonical import body, digest
from qc.records.kinds import Correction, GaugeCheck, Receipt, Record, kind_of

FIRST_DIGEST = "0" * 64
END = ("position", "seal", "seal_digest", "catalog_position", "checks_position")
_HEAD = select(*(getattr(Head, name) for name in END))
# statements of every acceptance, built once
_LOCKED_HEAD = _HEAD.with_for_update()
_MOVE_HEAD = update(Head).values({name: bindparam(name) for name in END})
_FIRST_HEAD = text(
    "INSERT INTO head (id, position, seal, seal_digest, catalog_position, checks_position) "
    "VALUES (1, 0, 0, :digest, 0, 0) ON CONFLICT DO NOTHING"
)
COLUMNS = ("position", "record_id", "kind", "taken_at", "serial", "batch", "gauge", "checked",
           "digest", "body")  # fmt: skip


class Prepared(NamedTuple):
    """A record or catalog entry ready for the journal: its row but for the position."""

    record: Record | CatalogEntry
    kind: str
    taken_at: dt.datetime | None
    subject: "Subject"
    digest: str
    body: str


class Subject(NamedTuple):
    """What a record is about, as the journal's columns say it."""

    serial: str | None = None
    batch: str | None = None
    gauge: str | None = None
    checked: str | None = None


_NOTHING = Subject()


class End(NamedTuple):
    """Where the journal ends."""

    position: int
    seal: int
    seal_digest: str
    catalog_position: int
    checks_position: int


def prepare(record: Record | CatalogEntry) -> Prepared:
    """The canonical form of a record and its digest."""
    content = body(record)
    stated = (subject_of(record), digest(content), content.decode())
    if isinstance(record, CatalogEntry):
        return Prepared(record, "catalog", None, *stated)
    return Prepared(record, kind_of(record), record.taken_at, *stated)


def prepare_all(records: Sequence[Record]) -> list[Prepared]:
    """The same of many records of one kind."""
    if not records:
        return []
    kind, subject = kind_of(records[0]), _subject_reader(type(records[0]))
    bodies = list(map(body, records))
    return [
        Prepared(record, kind, record.taken_at, subject(record), digest(content), content.decode())
        for record, content in zip(records, bodies, strict=True)
    ]


def subject_of(record: Record | CatalogEntry | None) -> Subject:
    """The columns of a record: its serial or batch, and the gauge it used or checked."""
    return _NOTHING if record is None else _subject_reader(type(record))(record)


@lru_cache(maxsize=100)
def _subject_reader(kind: type[Record | CatalogEntry]) -> Callable[[Any], Subject]:
    """How a record of this kind says what it is about."""
    has = kind.__struct_fields__
    if issubclass(kind, CatalogEntry | Correction):
        return lambda record: _NOTHING
    if issubclass(kind, GaugeCheck):
        return lambda record: Subject(checked=record.gauge)
    with_gauge = "gauge" in has
    if "serial" in has and "batch" in has and kind is not Receipt:
        return lambda record: Subject(
            record.serial,
            record.batch if record.serial is None else None,
            record.gauge if with_gauge else None,
        )
    if with_gauge:
        return lambda record: Subject(record.serial, None, record.gauge)
    return lambda record: Subject(record.serial)


def lock_end(connection: Connection) -> End:
    """Where the journal ends; nobody else can append until this transaction is over.

    SQLite took its lock with BEGIN IMMEDIATE; PostgreSQL takes the row's.
    """
    rows = rows_of(connection, _LOCKED_HEAD)
    if not rows:
        # two may find it missing at once: the second waits here for the first one's end
        connection.execute(_FIRST_HEAD, {"digest": FIRST_DIGEST})
        rows = rows_of(connection, _LOCKED_HEAD)
    return End._make(rows[0])


def held_digests(connection: Connection, record_ids: Iterable[str]) -> dict[str, str]:
    """Of these identities, those that the journal holds, with the digest of what it holds."""
    held = places(connection, record_ids)
    rows = select_in(connection, Journal, ("position", "digest"), "position", held.values())
    digests = dict(rows)
    return {record_id: digests[position] for record_id, position in held.items()}


def places(connection: Connection, record_ids: Iterable[str]) -> dict[str, int]:
    """Where these records stand in the journal, as far as they are held."""
    return dict(select_in(connection, Identity, ("record_id", "position"), "record_id", record_ids))


def sealed_at() -> ScalarSelect[dt.datetime]:
    """When a record of the journal arrived, as a column of a query of the journal."""
    seal = select(Seal.sealed_at).where(Seal.first_position <= Journal.position)
    return seal.order_by(Seal.first_position.desc()).limit(1).correlate(Journal).scalar_subquery()


def note_new(connection: Connection, end: End, record_ids: Sequence[str]) -> bool:
    """Note where these records will stand, next after the end; nothing where one is held already.

    False also where two of them are one. Most of what comes is new, and so it is told and noted
    in one step. In the order of the identities, so that neighbours are written.
    """
    if len(set(record_ids)) < len(record_ids):
        return False
    placed = sorted(zip(record_ids, count(end.position + 1), strict=False))
    noted = insert_new(connection, Identity, ("record_id", "position"), placed)
    if 0 < noted < len(placed):
        for piece in pieces(record_ids):
            ours = Identity.record_id.in_(piece), Identity.position > end.position
            connection.execute(delete(Identity).where(*ours))
    return noted == len(placed)


def note_identities(connection: Connection, after: int) -> None:
    """Note where all that stands after a position is; in order, so that neighbours are written."""
    new = select(Journal.record_id, Journal.position).where(Journal.position > after)
    statement = insert(Identity).from_select(
        ("record_id", "position"), new.order_by(Journal.record_id)
    )
    connection.execute(statement)


def append(
    connection: Connection,
    end: End,
    items: Sequence[Prepared],
    now: dt.datetime,
    noted: bool = False,
) -> End:
    """Write the items at the journal's end under one seal; returns the new end.

    `noted`: their identities are, by `note_new`.
    """
    rows = [
        (position, record.record_id, kind, taken_at, *subject, item_digest, text)
        for position, (record, kind, taken_at, subject, item_digest, text) in enumerate(
            items, end.position + 1
        )
    ]
    catalog_position = _last(items, ("catalog",), end) or end.catalog_position
    checks_position = _last(items, ("gauge-check", "correction"), end) or end.checks_position
    insert_rows(connection, Journal, COLUMNS, rows)
    if not noted:
        note_identities(connection, end.position)
    number = end.seal + 1
    sealed = seal_digest(number, now, end.seal_digest, (item.digest for item in items))
    seal = (number, end.position + 1, len(items), end.seal_digest, sealed, now)
    insert_rows(
        connection,
        Seal,
        ("number", "first_position", "records", "previous", "digest", "sealed_at"),
        [seal],
    )
    new = End(end.position + len(items), number, sealed, catalog_position, checks_position)
    carry_out(connection, _MOVE_HEAD, [new._asdict()])
    return new


def _last(items: Sequence[Prepared], kinds: Sequence[str], end: End) -> int | None:
    """The position that the last item of these kinds gets."""
    if not {item.kind for item in items}.intersection(kinds):
        return None
    last = (i for i in range(len(items), 0, -1) if items[i - 1].kind in kinds)
    at = next(last, None)
    return None if at is None else end.position + at


def seal_digest(number: int, sealed_at: dt.datetime, previous: str, digests: Iterable[str]) -> str:
    """SHA-256 over the seal's number and time, the seal before, and the records' digests."""
    chain = sha256(f"{number}\n{sealed_at.isoformat()}\n{previous}\n".encode())
    chain.update("".join(digests).encode())
    return chain.hexdigest()
