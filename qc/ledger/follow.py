"""After the journal grew: judge what was touched, and only that."""

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.judgement.gauges import doubts, overdue_from
from qc.judgement.part import judge_batch, judge_part
from qc.judgement.readings import Around, Doubt, Held
from qc.ledger import fresh, gauge_flags, pairs
from qc.ledger.bulk import pieces
from qc.ledger.corrections import (
    any_corrections,
    histories,
    note_links,
    override,
    roots_of,
)
from qc.ledger.journal import Prepared, Subject
from qc.ledger.projections import write_batches, write_parts
from qc.ledger.tables import Journal, Mends, Override, Part
from qc.records.kinds import Build, Correction, Record

# parts judged at once: bounds the memory of a re-judgement of everything
PARTS_AT_ONCE = 2000


@dataclass
class Touched:
    """The subjects that new records are about."""

    serials: set[str] = field(default_factory=set)
    batches: set[str] = field(default_factory=set)
    gauges: set[str] = field(default_factory=set)
    checked: set[str] = field(default_factory=set)

    def add(self, subject: Subject) -> None:
        for name, value in zip(("serials", "batches", "gauges", "checked"), subject, strict=True):
            if value is not None:
                getattr(self, name).add(value)


class Known:
    """What judging needs from the whole database: the catalog and the gauges in doubt."""

    def __init__(self, catalog: Catalog, in_doubt: Mapping[str, Sequence[Doubt]]) -> None:
        self.catalog = catalog
        self.in_doubt = dict(in_doubt)
        self._overdue_from: dict[str, dt.datetime | None] = {}

    @property
    def around(self) -> Around:
        return Around(self.catalog, self.in_doubt)

    def in_calibration(self, connection: Connection, code: str, at: dt.datetime | None) -> bool:
        """Whether use of a gauge at this moment flags nothing, whatever else it was used for."""
        if code not in self._overdue_from:
            gauge = self.catalog.gauge(code)
            held = histories(connection, "checked", [code]).get(code, [])
            zone = self.catalog.zone
            self._overdue_from[code] = overdue_from(gauge, held, zone) if gauge else None
        starts = self._overdue_from[code]
        return starts is None or (at is not None and at < starts)

    def checked_again(self, code: str) -> None:
        """A gauge's checks changed."""
        self._overdue_from.pop(code, None)


def load_doubts(connection: Connection) -> dict[str, list[Doubt]]:
    """Every gauge that a failed check ever put in doubt."""
    gauges = sorted(names_in(connection, "checked"))
    found = {}
    for gauge, held in histories(connection, "checked", gauges).items():
        in_doubt = doubts(gauge, held)
        if in_doubt:
            found[gauge] = in_doubt
    return found


def follow(connection: Connection, known: Known, items: Sequence[Prepared]) -> None:
    """Judge everything that these new items touch, in the same transaction."""
    records = [item.record for item in items if isinstance(item.record, Record)]
    touched = Touched()
    corrected = _corrected(connection, records, touched)
    touched.checked |= {item.subject.checked for item in items if item.subject.checked}
    done: Set[str] = set()
    if not touched.checked:
        done = fresh.judge_fresh(connection, known.around, records, touched.serials)
    for item in items:
        if item.subject.serial not in done:
            touched.add(item.subject)
    touched.gauges |= {
        item.subject.gauge
        for item in items
        if item.subject.gauge
        and (
            item.subject.serial not in done
            or not known.in_calibration(connection, item.subject.gauge, item.taken_at)
        )
    }
    if touched.checked:
        _recheck(connection, known, touched, corrected)
    judge(connection, known, touched, corrected)
    gauge_flags.write(connection, known.catalog, known.in_doubt, touched.gauges, corrected)


def judge(connection: Connection, known: Known, touched: Touched, corrected: bool) -> None:
    """Judge parts and batches, and write what follows for them."""
    for piece in pieces(sorted(touched.serials), PARTS_AT_ONCE):
        held = histories(connection, "serial", piece, corrected)
        there, gone = _divided(held)
        judged = {serial: judge_part(serial, held[serial], known.around) for serial in there}
        wheels = {serial: pair for serial in piece if (pair := pair_of(held[serial]))}
        stale = pairs.pairs_of(connection, piece)
        write_parts(connection, judged, wheels, gone)
        touched.gauges |= {s.gauge for part in judged.values() for s in part.suspects}
        codes = stale | {code for code, _ in wheels.values()}
        if codes:
            changed = {serial: (judged[serial], held[serial]) for serial in there}
            pairs.judge_pairs(connection, known.around, sorted(codes), changed, corrected)
    for piece in pieces(sorted(touched.batches), PARTS_AT_ONCE):
        held = histories(connection, "batch", piece, corrected)
        there, gone = _divided(held)
        batches = {batch: judge_batch(batch, held[batch], known.around) for batch in there}
        write_batches(connection, batches, gone)
        touched.gauges |= {s.gauge for batch in batches.values() for s in batch.suspects}


def _divided(held: Mapping[str, Sequence[Held]]) -> tuple[list[str], list[str]]:
    """Subjects with records, and those that corrections have left without any."""
    there = [name for name, records in held.items() if records]
    return there, [name for name, records in held.items() if not records]


def pair_of(held: Sequence[Held]) -> tuple[str, str] | None:
    """The wheelset that the newest build names, and the wheel's stage."""
    builds = [r for item in held if isinstance(r := item.final(), Build) and r.pair]
    if not builds:
        return None
    newest = max(builds, key=lambda build: (build.taken_at, build.record_id))
    return (newest.pair or "", newest.stage)


def _corrected(connection: Connection, records: Sequence[Record], touched: Touched) -> bool:
    """Let corrections take effect; returns whether the database has any."""
    corrections = [record for record in records if isinstance(record, Correction)]
    note_links(connection, corrections)
    if not any_corrections(connection):
        return False
    # records that come after their correction
    late = set()
    for piece in pieces([record.record_id for record in records]):
        late |= {row[0] for row in connection.execute(select(Mends.of).where(Mends.of.in_(piece)))}
    roots = roots_of(connection, {c.record_id for c in corrections} | late)
    for subject in override(connection, roots):
        touched.add(subject)
    return True


def _recheck(connection: Connection, known: Known, touched: Touched, corrected: bool) -> None:
    """Checks of gauges came or changed: whatever their doubt covers or covered is touched."""
    held = histories(connection, "checked", sorted(touched.checked), corrected)
    for gauge, checks in held.items():
        before, now = known.in_doubt.get(gauge, []), doubts(gauge, checks)
        known.in_doubt.pop(gauge, None)
        known.checked_again(gauge)
        if now:
            known.in_doubt[gauge] = now
        for doubt in {*before, *now} - ({*before} & {*now}):
            for subject in users(connection, gauge, doubt):
                touched.add(subject)
    touched.gauges |= touched.checked


def users(connection: Connection, gauge: str, doubt: Doubt) -> Iterator[Subject]:
    """The parts and batches measured with a gauge while it was in doubt."""
    for table in (Journal, Override):
        query = select(table.serial, table.batch).where(table.gauge == gauge).distinct()
        if doubt.start is not None:
            query = query.where(table.taken_at > doubt.start)
        if doubt.end is not None:
            query = query.where(table.taken_at < doubt.end)
        for serial, batch in connection.execute(query):
            yield Subject(serial, batch)


def judge_all(connection: Connection, known: Known, models: Set[str] | None = None) -> None:
    """Judge every part anew, or those of some models after their catalog changed; all batches."""

    def following(last: str) -> list[str]:
        query = select(Part.serial).where(Part.serial > last).order_by(Part.serial)
        if models is not None:
            query = query.where(Part.model.in_(models))
        return [row[0] for row in connection.execute(query.limit(PARTS_AT_ONCE))]

    _judge_each(connection, known, following)


def judge_journal(connection: Connection, known: Known) -> None:
    """Judge all that the journal holds, when nothing that follows from it is there yet."""
    _judge_each(connection, known, lambda last: _next_serials(connection, last))


def _judge_each(
    connection: Connection, known: Known, following: Callable[[str], list[str]]
) -> None:
    """Judge the parts that come `following` one another, then all batches and gauges."""
    corrected = any_corrections(connection)
    last = ""
    while serials := following(last):
        judge(connection, known, Touched(serials=set(serials)), corrected)
        last = serials[-1]
    touched = Touched(batches=names_in(connection, "batch"), gauges=names_in(connection, "gauge"))
    judge(connection, known, touched, corrected)
    gauge_flags.write(connection, known.catalog, known.in_doubt, touched.gauges, corrected)


def _next_serials(connection: Connection, last: str) -> list[str]:
    found: set[str] = set()
    for table in (Journal, Override):
        query = select(table.serial).where(table.serial > last).distinct()
        query = query.order_by(table.serial).limit(PARTS_AT_ONCE)
        found |= {name for (name,) in connection.execute(query) if name}
    return sorted(found)[:PARTS_AT_ONCE]


def names_in(connection: Connection, column: str) -> set[str]:
    """Every serial, batch, gauge in use or gauge checked that any record was ever about."""
    names: set[str] = set()
    for table in (Journal, Override):
        about = getattr(table, column)
        query = select(about).where(about.is_not(None)).distinct()
        names |= {name for (name,) in connection.execute(query) if name}
    return names
