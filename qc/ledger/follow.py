"""After the journal grew: judge what was touched, and only that."""

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field

from sqlalchemy import Connection, func, literal, select

from qc.catalog.catalog import Catalog
from qc.judgement.gauges import Calibration, calibrations, doubts, overdue_from
from qc.judgement.part import judge_batch, judge_part
from qc.judgement.readings import Around, Doubt, Held
from qc.ledger import fresh, gauge_flags, pairs
from qc.ledger.bulk import pieces
from qc.ledger.corrections import (
    any_corrections,
    begins,
    histories,
    note_links,
    override,
    roots_of,
)
from qc.ledger.journal import Prepared, Subject
from qc.ledger.projections import write_batches, write_parts
from qc.ledger.tables import Head, Journal, Mends, Override, Part
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
    """What judging needs from the whole database: the catalog and what checks say of gauges."""

    def __init__(self, catalog: Catalog, before: "Known | None" = None) -> None:
        """`before`: what is known of the gauges so far."""
        self.catalog = catalog
        self.in_doubt: dict[str, Sequence[Doubt]] = dict(before.in_doubt) if before else {}
        self.calibrations: dict[str, Sequence[Calibration]] = (
            dict(before.calibrations) if before else {}
        )
        # whether there is any correction: mostly there is none, and no part has to be asked
        self.corrected: bool = before is not None and before.corrected
        self._overdue_from: dict[str, dt.datetime | None] = {}

    def learn(self, gauge: str, checks: Sequence[Held]) -> None:
        """What all checks of a gauge come to."""
        self.in_doubt.pop(gauge, None)
        if found := doubts(gauge, checks):
            self.in_doubt[gauge] = found
        self.calibrations[gauge] = calibrations(gauge, checks)
        self._overdue_from.pop(gauge, None)

    @property
    def around(self) -> Around:
        return Around(self.catalog, self.in_doubt)

    def in_calibration(self, code: str, at: dt.datetime) -> bool:
        """Whether use of a gauge at this moment flags nothing, whatever else it was used for."""
        if code not in self._overdue_from:
            gauge, passed = self.catalog.gauge(code), self.calibrations.get(code, ())
            zone = self.catalog.zone
            self._overdue_from[code] = overdue_from(gauge, passed, zone) if gauge else None
        starts = self._overdue_from[code]
        return starts is None or at < starts


def load_known(connection: Connection, catalog: Catalog) -> Known:
    """The catalog, with every gauge that was ever checked."""
    known = Known(catalog)
    known.corrected = any_corrections(connection)
    gauges = sorted(names_in(connection, "checked"))
    for gauge, held in histories(connection, "checked", gauges).items():
        known.learn(gauge, held)
    return known


def follow(connection: Connection, known: Known, items: Sequence[Prepared], first: int) -> None:
    """Judge everything that these new items touch, in the same transaction.

    They stand in the journal from position `first` on.
    """
    records = [item.record for item in items if isinstance(item.record, Record)]
    touched = Touched()
    corrected = _corrected(connection, known, records, touched)
    touched.checked |= {item.subject.checked for item in items if item.subject.checked}
    done: Set[str] = set()
    if not touched.checked:
        done = fresh.judge_fresh(connection, known.around, records, touched.serials, first)
    for item in items:
        if item.subject.serial not in done:
            touched.add(item.subject._replace(gauge=None))
    if touched.checked:
        _recheck(connection, known, touched, corrected)
    judge(connection, known, touched, corrected, dict.fromkeys(touched.serials, first))
    uses: dict[str, list[dt.datetime]] = {}
    for item in items:
        gauge, at = item.subject.gauge, item.taken_at
        if gauge and at and gauge not in touched.gauges and not known.in_calibration(gauge, at):
            uses.setdefault(gauge, []).append(at)
    gauge_flags.note_uses(connection, known, uses)
    gauge_flags.write(connection, known, touched.gauges, corrected)


def judge(
    connection: Connection,
    known: Known,
    touched: Touched,
    corrected: bool,
    since: Mapping[str, int],
) -> None:
    """Judge parts and batches, and write what follows for them.

    `since`: where the records of each part begin that the database does not know yet.
    """
    for piece in pieces(sorted(touched.serials), PARTS_AT_ONCE):
        begin = {serial: since[serial] for serial in piece} | begins(connection, piece)
        held = histories(connection, "serial", piece, corrected, begin)
        there, gone = _divided(held)
        judged = {serial: judge_part(serial, held[serial], known.around) for serial in there}
        wheels = {serial: pair for serial in piece if (pair := pair_of(held[serial]))}
        stale = pairs.pairs_of(connection, piece)
        write_parts(connection, judged, wheels, begin, gone)
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


def _corrected(
    connection: Connection, known: Known, records: Sequence[Record], touched: Touched
) -> bool:
    """Let corrections take effect; returns whether the database has any."""
    corrections = [record for record in records if isinstance(record, Correction)]
    note_links(connection, corrections)
    known.corrected = known.corrected or bool(corrections)
    if not known.corrected:
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
        before = known.in_doubt.get(gauge, [])
        known.learn(gauge, checks)
        now = known.in_doubt.get(gauge, [])
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

    def following(last: str) -> dict[str, int]:
        query = select(Part.serial, Part.since).where(Part.serial > last).order_by(Part.serial)
        if models is not None:
            query = query.where(Part.model.in_(models))
        return {row[0]: row[1] for row in connection.execute(query.limit(PARTS_AT_ONCE))}

    _judge_each(connection, known, following)


def judge_journal(connection: Connection, known: Known) -> None:
    """Judge all that the journal holds, when nothing that follows from it is there yet."""
    _judge_each(connection, known, lambda last: _next_serials(connection, last))


def _judge_each(
    connection: Connection, known: Known, following: Callable[[str], dict[str, int]]
) -> None:
    """Judge the parts that come `following` one another, then all batches and gauges."""
    corrected = any_corrections(connection)
    last = ""
    while serials := following(last):
        judge(connection, known, Touched(serials=set(serials)), corrected, serials)
        last = max(serials)
    touched = Touched(batches=names_in(connection, "batch"), gauges=names_in(connection, "gauge"))
    judge(connection, known, touched, corrected, {})
    gauge_flags.write(connection, known, touched.gauges, corrected)


def _next_serials(connection: Connection, last: str) -> dict[str, int]:
    """With where the records of each begin; a serial that only a correction names has none."""
    end = connection.execute(select(Head.position)).scalar_one()
    mended = select(Override.serial, literal(end)).where(Override.serial > last).distinct()
    own = select(Journal.serial, func.min(Journal.position)).where(Journal.serial > last)
    found: dict[str, int] = {}
    for query, name in (
        (mended, Override.serial), (own.group_by(Journal.serial), Journal.serial)
    ):  # fmt: skip
        rows = connection.execute(query.order_by(name).limit(PARTS_AT_ONCE))
        found |= {serial: position for serial, position in rows if serial}
    return {serial: found[serial] for serial in sorted(found)[:PARTS_AT_ONCE]}


def names_in(connection: Connection, column: str) -> set[str]:
    """Every serial, batch, gauge in use or gauge checked that any record was ever about."""
    names: set[str] = set()
    for table in (Journal, Override):
        about = getattr(table, column)
        query = select(about).where(about.is_not(None)).distinct()
        names |= {name for (name,) in connection.execute(query) if name}
    return names
