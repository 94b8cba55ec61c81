"""A backup: the journal and its seals as they are, in one file that either database restores.

Only the truth is kept, and rows that stand beside it (accounts): everything else follows from it
and is derived again on restoring, so a backup is as good for a later schema as for its own, and
for PostgreSQL as for SQLite. The file is gzipped JSON Lines: a head, seals and records in order,
an end that counts them, so that a file cut short is found out.
"""

import datetime as dt
import gzip
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection, delete, func, insert, select

from qc.catalog.entries import CatalogEntry
from qc.errors import RimqcError
from qc.ledger.base import Base
from qc.ledger.bulk import insert_rows
from qc.ledger.journal import COLUMNS, Prepared, prepare
from qc.ledger.ledger import Ledger, now
from qc.ledger.migrate import newest
from qc.ledger.months import begin_month, lay_out
from qc.ledger.rebuild import rebuild
from qc.ledger.tables import Head, Journal, Seal
from qc.ledger.verify import verify
from qc.records.canonical import from_body

FORM = 1
CHUNK = 5000
_SEAL = ("number", "first_position", "records", "previous", "digest", "sealed_at")
_catalog_entry = msgspec.json.Decoder(CatalogEntry)


class Kept(NamedTuple):
    """What a backup holds: how many records, and the digest of its last seal."""

    records: int
    seal_digest: str


def backup(ledger: Ledger, file: Path, beside: Sequence[type[Base]] = ()) -> Kept:
    """Write one moment of the database to a file, whatever is written meanwhile.

    `beside` are tables that are no part of the truth and are kept as they are. The file appears
    whole or not at all; RimqcError where it cannot be written.
    """
    aside = file.with_name(file.name + ".part")
    try:
        with ledger.reading() as connection, gzip.open(aside, "wb", compresslevel=6) as out:
            head = connection.execute(select(Head.position, Head.seal_digest)).one_or_none()
            kept = Kept(head[0], head[1]) if head else Kept(0, "")
            count = 0
            for line in _lines(connection, kept, beside):
                out.write(msgspec.json.encode(line) + b"\n")
                count += 1
            out.write(msgspec.json.encode({"end": count}) + b"\n")
        with aside.open("rb") as written:
            os.fsync(written.fileno())
        aside.replace(file)
    except OSError as fault:
        aside.unlink(missing_ok=True)
        raise RimqcError(f"the backup {file} cannot be written: {fault.strerror}") from None
    return kept


def _lines(
    connection: Connection, kept: Kept, beside: Sequence[type[Base]]
) -> Iterator[dict[str, Any] | list[Any]]:
    yield {"rimqc-backup": FORM, "schema": newest(), "made_at": now().isoformat()} | {
        "records": kept.records, "seal_digest": kept.seal_digest,
    }  # fmt: skip
    for table in beside:
        for beside_row in connection.execute(select(*table.__table__.columns)).mappings():
            values = {name: _plain(value) for name, value in beside_row.items()}
            yield ["beside", table.__tablename__, values]
    seals = select(*(getattr(Seal, name) for name in _SEAL)).order_by(Seal.number)
    for seal in connection.execute(seals.execution_options(yield_per=CHUNK)):
        yield ["seal", *seal[:5], _plain(seal[5])]
    journal = select(Journal.position, Journal.digest, Journal.body).order_by(Journal.position)
    for row in connection.execute(journal.execution_options(yield_per=CHUNK)):
        yield ["record", *row]


def _plain(value: Any) -> Any:
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat()
    return value


def restore(
    ledger: Ledger, file: Path, beside: Sequence[type[Base]] = (), noted: str | None = None
) -> Kept:
    """Fill an empty database from a backup, derive what follows, and prove it.

    `noted` is the digest of its last seal as noted elsewhere.

    Everything in one transaction. RimqcError where the database is not empty, or the file is none
    of ours, cut short or changed.
    """
    with ledger.writing() as connection:
        if connection.execute(select(func.count()).select_from(Journal)).scalar():
            raise RimqcError("this database holds records; restore into an empty one", 2)
        try:
            kept = _read_in(connection, file, {table.__tablename__: table for table in beside})
        except (OSError, EOFError, ValueError, KeyError, TypeError, msgspec.MsgspecError) as fault:
            raise RimqcError(f"{file} is no whole backup: {fault}") from None
        rebuild(connection)
        proof = verify(connection, noted or kept.seal_digest or None)
        if proof.first_bad is not None:
            raise RimqcError(f"{file} does not hold what was sealed: {proof.first_bad}")
    return kept


def _read_in(connection: Connection, file: Path, beside: dict[str, type[Base]]) -> Kept:
    with gzip.open(file, "rb") as lines:
        head = msgspec.json.decode(lines.readline())
        if not isinstance(head, dict) or head.get("rimqc-backup") != FORM:
            raise RimqcError(f"{file} is no backup that this program can read", 2)
        rows: dict[str, list[tuple[Any, ...]]] = {"seal": [], "record": []}
        count, seals, ended, catalog, checks = 1, 0, False, 0, 0
        for text in lines:
            line = msgspec.json.decode(text)
            if isinstance(line, dict):
                ended = line["end"] == count
                break
            count += 1
            match line:
                case ["seal", *seal, sealed_at]:
                    rows["seal"].append((*seal, dt.datetime.fromisoformat(sealed_at)))
                    seals += 1
                case ["record", int(position), str(digest), str(body)]:
                    item = prepared(body)
                    rows["record"].append(_row(position, digest, item, body))
                    catalog = position if item.kind == "catalog" else catalog
                    checks = position if item.kind in ("gauge-check", "correction") else checks
                case ["beside", str(name), dict(row)]:
                    if name in beside:
                        _put_beside(connection, beside[name], row)
                case _:
                    raise ValueError(f"line {count} is of no known kind")
            if len(rows["record"]) >= CHUNK:
                _put(connection, rows)
        if not ended:
            raise ValueError("it was cut short")
    _put(connection, rows)
    kept = Kept(head["records"], head["seal_digest"])
    connection.execute(delete(Head))
    if kept.records:
        connection.execute(
            insert(Head).values(
                id=1, position=kept.records, seal=seals, seal_digest=kept.seal_digest,
                catalog_position=catalog, checks_position=checks,
            )
        )  # fmt: skip
    begin_month(connection)
    return kept


def _put(connection: Connection, rows: dict[str, list[tuple[Any, ...]]]) -> None:
    """Seals come first, for they say when the records after them arrived."""
    lay_out(connection, ((seal[1], seal[5]) for seal in rows["seal"]))
    insert_rows(connection, Seal, _SEAL, rows["seal"])
    insert_rows(connection, Journal, COLUMNS, rows["record"])
    for kept in rows.values():
        kept.clear()


def prepared(body: str) -> Prepared:
    """A record or catalog entry of the journal from its body, as it was prepared then."""
    kind = msgspec.json.decode(body)["kind"]
    return prepare(_catalog_entry.decode(body) if kind == "catalog" else from_body(body))


def _row(position: int, digest: str, item: Prepared, body: str) -> tuple[Any, ...]:
    about = (item.record.record_id, item.kind, item.taken_at, *item.subject)
    return (position, *about, digest, body)


def _put_beside(connection: Connection, table: type[Base], row: dict[str, Any]) -> None:
    columns = table.__table__.columns
    values = {
        name: dt.datetime.fromisoformat(value)
        if isinstance(value, str) and columns[name].type.python_type is dt.datetime
        else value
        for name, value in row.items()
        if name in columns
    }
    connection.execute(insert(table).values(**values))
