"""The ledger: one open database, and the ways in.

`Ledger.accept` takes records in a transaction of its own. Everything that waits for the journal's
lock is done before it is taken; within it come the journal, the seal, and the judgement of what
the records touch.
"""

import datetime as dt
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import Connection, Engine, event, select

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.entries import CatalogEntry, Entry
from qc.ledger import migrate, months
from qc.ledger.engine import open_engine, plain_faults, read_url, writing
from qc.ledger.journal import (
    End,
    Prepared,
    append,
    held_digests,
    lock_end,
    note_new,
    places,
    prepare,
)
from qc.ledger.ready import rows_of
from qc.ledger.tables import Head, Journal
from qc.records.canonical import from_body, same_content
from qc.records.kinds import Record

# whoever only reads flags waits for nothing that judges, nor for NumPy below it
if TYPE_CHECKING:
    from qc.ledger.follow import Known

MONTH_AGAIN_SECONDS = 60.0
ACCEPTED, HELD, CONFLICT = "accepted", "held", "conflict"


class Answer(NamedTuple):
    """What became of one record; a conflict names the field that differs."""

    outcome: str
    field: str | None = None


_CHANGED = select(Head.catalog_position, Head.checks_position)
_TAKEN, _HELD = Answer(ACCEPTED), Answer(HELD)


class Ledger:
    """An open database. Use as a context manager, or call `close`."""

    def __init__(self, url: str, *, create: bool = False) -> None:
        self.url = read_url(url)
        self.engine: Engine = open_engine(self.url)
        try:
            migrate.check_ready(self.engine, create=create)
        except BaseException:
            self.engine.dispose()
            raise
        # what is known, and the last catalog entry and gauge check it is known from: always set
        # together, since threads share it
        self._known: tuple[tuple[int, int], Known] | None = None
        # the newest month that the journal is known to have, and when to ask again
        self._month: str | None = None
        self._month_again = 0.0
        event.listen(self.engine, "invalidate", self._forget)

    def __enter__(self) -> "Ledger":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self.engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that only reads: one state of the database, whatever is written beside."""
        level = {} if self.engine.dialect.name == "sqlite" else {
            "isolation_level": "REPEATABLE READ"
        }  # fmt: skip
        with (
            plain_faults(self.url),
            self.engine.connect().execution_options(**level) as connection,
            connection.begin(),
        ):
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that writes; what was learnt in it is forgotten when it fails."""
        self._begin_month()
        try:
            with plain_faults(self.url), writing(self.engine) as connection:
                yield connection
        except BaseException:
            self._known = None
            raise

    def _begin_month(self) -> None:
        """Let the journal's month begin, where this process has not seen to that yet."""
        if self.engine.dialect.name == "sqlite" or self._month == months.month_of(now()):
            return
        if time.monotonic() >= self._month_again:
            self._month = months.open_month(self.engine)
            self._month_again = time.monotonic() + MONTH_AGAIN_SECONDS

    def catalog(self) -> Catalog:
        """The catalog as it is now."""
        with self.reading() as connection:
            return self.known(connection).catalog

    def _forget(self, *_: object) -> None:
        """A connection broke: a standby may have taken over that had not received everything, and
        its positions then stand for other entries than those known here."""
        self._known = None

    def known(self, connection: Connection, end: End | None = None) -> "Known":
        """The catalog and the gauges in doubt, read again only when they changed.

        `end` where it was read in this transaction already.
        """
        if end is None:
            at = next(iter(rows_of(connection, _CHANGED)), (0, 0))
        else:
            at = (end.catalog_position, end.checks_position)
        known = self._known
        if known is None or known[0] != at:
            from qc.ledger.catalog_entries import load_catalog
            from qc.ledger.follow import load_known

            known = (at, load_known(connection, load_catalog(connection)))
            self._known = known
        return known[1]

    def accept(self, records: Sequence[Record]) -> list[Answer]:
        """Take records in; one answer each, in their order."""
        prepared = [prepare(record) for record in records]
        with self.writing() as connection:
            answers = self.accept_into(connection, prepared)
        self.settle()
        return answers

    def settle(self) -> None:
        """Judge what waits for it since records came in: streams of batch means, for drift."""
        for _ in self.settling():
            pass

    def settling(self) -> Iterator[None]:
        """The same a stream at a time, each in a transaction of its own: no record waits long."""
        from qc.ledger.summaries import stale_streams

        with self.reading() as connection:
            streams = stale_streams(connection)
        if not streams:
            return
        from qc.ledger.drift_flags import settle_streams

        for stream in streams:
            with self.writing() as connection:
                lock_end(connection)
                settle_streams(connection, self.known(connection).catalog, {stream})
            yield

    def accept_into(self, connection: Connection, items: Sequence[Prepared]) -> list[Answer]:
        """Take prepared records in, within a transaction that writes."""
        from qc.ledger.follow import follow

        end = lock_end(connection)
        noted = note_new(connection, end, [item.record.record_id for item in items])
        answers, fresh = ([_TAKEN] * len(items), items) if noted else _sort_out(connection, items)
        if fresh:
            known = self.known(connection, end)
            new = append(connection, end, fresh, now(), noted)
            follow(connection, known, fresh, end.position + 1)
            self._learnt(new, known)
        return answers

    def accept_catalog(
        self, connection: Connection, entries: Sequence[Entry], entered_by: str | None = None
    ) -> list[Answer]:
        """Take catalog entries in: an unchanged one is held, a changed one is a new version."""
        from qc.ledger.catalog_entries import prepare_entries, rejudge_for
        from qc.ledger.follow import Known
        from qc.ledger.seen import forget

        end = lock_end(connection)
        known = self.known(connection)
        before = known.catalog
        prepared = prepare_entries(before, entries, entered_by)
        fresh = [item for item in prepared if item is not None]
        if fresh:
            at = now()
            new = append(connection, end, fresh, at)
            recorded = [
                Recorded(item.record.record_id, position, at, item.record.entry)
                for position, item in enumerate(fresh, end.position + 1)
                if isinstance(item.record, CatalogEntry)
            ]
            catalog = Catalog([*before.recorded, *recorded])
            known = Known(catalog, known)
            rejudge_for(connection, known, before, [item.entry for item in recorded])
            forget(connection)
            self._learnt(new, known)
        return [Answer(HELD if item is None else ACCEPTED) for item in prepared]

    def _learnt(self, end: End, known: "Known") -> None:
        self._known = ((end.catalog_position, end.checks_position), known)


def now() -> dt.datetime:
    """The time at which the journal takes something in."""
    return dt.datetime.now(dt.UTC)


def _sort_out(
    connection: Connection, items: Sequence[Prepared]
) -> tuple[list[Answer], Sequence[Prepared]]:
    """Which items are new, which are held, and which say something else than what is held."""
    held = held_digests(connection, {item.record.record_id for item in items})
    answers, fresh = [], []
    for item in items:
        record_id = item.record.record_id
        digest = held.get(record_id)
        if digest is None:
            held[record_id] = item.digest
            fresh.append(item)
            answers.append(_TAKEN)
        elif digest == item.digest:
            answers.append(_HELD)
        else:
            answers.append(_compare(connection, item, fresh))
    return answers, fresh


def _compare(connection: Connection, item: Prepared, fresh: Sequence[Prepared]) -> Answer:
    record_id = item.record.record_id
    before = next((f.record for f in fresh if f.record.record_id == record_id), None)
    if before is None:
        at = places(connection, [record_id])[record_id]
        query = select(Journal.kind, Journal.body).where(Journal.position == at)
        kind, text = connection.execute(query).one()
        if kind == "catalog":
            return Answer(CONFLICT, "record_id")
        before = from_body(text)
    if not isinstance(before, Record) or not isinstance(item.record, Record):
        return Answer(CONFLICT, "record_id")
    if type(before) is not type(item.record):
        return Answer(CONFLICT, "kind")
    if same_content(before, item.record):
        return Answer(HELD)
    names = [name for name in before.__struct_fields__ if name not in ("entered_by", "other")]
    differs = next(n for n in names if getattr(before, n) != getattr(item.record, n))
    return Answer(CONFLICT, differs)
