"""From what parts share (a batch's factor, or a gauge in a stretch of time) to every part touched
and where it is; what has been shipped stands first."""

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Connection, Select, bindparam, case, func, or_, select, union

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Batch, Gauge
from qc.errors import RimqcError
from qc.judgement.standing import Standing, not_looked_at_since, reasons_against, status
from qc.ledger.bulk import pieces
from qc.ledger.corrections import any_corrections, histories
from qc.ledger.projections import standing_from
from qc.ledger.tables import Journal, Override, Part
from qc.records.kinds import Shipment
from qc.records.moments import EXPECTED_MOMENT, moment_reader, read_day
from qc.records.parsing import nearest
from qc.views.batch_standing import decisions, standings
from qc.views.of_kind import of_kind
from qc.views.plain import moment

GAUGE = "gauge"
# as `standing_text` writes it
_SHIPPED = Part.standing.like('%"shipped":true%')
_SHIPPED_FIRST = (case((_SHIPPED, 0), else_=1), Part.batch, Part.serial)

Row = dict[str, Any]
Stretch = tuple[dt.datetime | None, dt.datetime | None]
ALWAYS: Stretch = (None, None)


def where(
    connection: Connection, catalog: Catalog, factor: str, level: str, stretch: Stretch = ALWAYS
) -> list[Row]:
    """Every part touched, and where it is now.

    `factor` is any further key of the batches, or `batch`, `model` or `gauge`; for a gauge a
    `stretch` of time says when it was used. RimqcError for a factor nobody knows.
    """
    chosen = _chosen(connection, catalog, factor, level, stretch)
    return _placed(connection, connection.execute(_parts(chosen)).all())


def page(
    connection: Connection,
    catalog: Catalog,
    factor: str,
    level: str,
    most: int,
    skip: int = 0,
    stretch: Stretch = ALWAYS,
) -> Row:
    """A page of the parts touched, with how many there are in all, and in which places."""
    chosen = _chosen(connection, catalog, factor, level, stretch)
    places = _places(connection, chosen)
    found = connection.execute(_parts(chosen).limit(most).offset(skip)).all()
    return {
        "count": sum(places.values()),
        "places": places,
        "rows": _placed(connection, found),
    }


def placed(connection: Connection, serials: Sequence[str]) -> list[Row]:
    """Where each of these parts is."""
    found: list[Any] = []
    for piece in pieces(serials):
        found += connection.execute(_parts(Part.serial.in_(piece))).all()
    return _placed(connection, found)


def stretch_of(zone: ZoneInfo | None, since: str | None, until: str | None) -> Stretch:
    """A stretch of time from two dates or moments as typed, both ends included."""
    return _moment(zone, since, last=False), _moment(zone, until, last=True)


def _moment(zone: ZoneInfo | None, text: str | None, *, last: bool) -> dt.datetime | None:
    if not text:
        return None
    try:
        day = read_day(text)
    except ValueError:
        day = None
    if day is not None:  # the whole day by the shop's clock
        local = dt.datetime.combine(day + dt.timedelta(days=last), dt.time(), zone or dt.UTC)
        return local.astimezone(dt.UTC) - dt.timedelta(microseconds=last)
    try:
        return moment_reader(zone)(text)
    except ValueError:
        raise RimqcError(f"{text!r}: expected a date or {EXPECTED_MOMENT}", 2) from None


def factors(catalog: Catalog) -> dict[str, list[str]]:
    """Every factor by which parts can be found, with its levels in order of making."""
    found: dict[str, dict[str, None]] = {}
    for batch in sorted(catalog.entries(Batch), key=lambda b: (b.made_on, b.code)):
        for factor in ("batch", "model", *sorted(batch.factors)):
            level = _level(batch, factor)
            levels = found.setdefault(factor, {})
            if level is not None:
                levels[level] = None
    return {factor: list(levels) for factor, levels in found.items()}


def _level(batch: Batch, factor: str) -> str | None:
    if factor == "batch":
        return batch.code
    return batch.model if factor == "model" else batch.factors.get(factor)


def _chosen(
    connection: Connection, catalog: Catalog, factor: str, level: str, stretch: Stretch
) -> ColumnElement[bool]:
    """Which rows of the parts' table are meant."""
    if factor == GAUGE:
        codes = catalog.codes(Gauge)
        if level not in codes:
            raise RimqcError(f"no gauge {level} in the catalog{nearest(level, list(codes))}", 2)
        return _measured_with(level, stretch, any_corrections(connection))
    if stretch != ALWAYS:
        raise RimqcError("a stretch of time goes with gauge=CODE only", 2)
    batches = catalog.entries(Batch)
    known = sorted({"batch", "model", GAUGE}.union(*(batch.factors for batch in batches)))
    if factor not in known:
        raise RimqcError(
            f"no batch has a factor {factor}; known: {', '.join(known)}{nearest(factor, known)}", 2
        )
    return _in_batches([batch.code for batch in batches if _level(batch, factor) == level])


def _in_batches(codes: Sequence[str]) -> ColumnElement[bool]:
    """Codes hold letters, digits and `-_./` only; as text there may be any number of them."""
    return Part.batch.in_(bindparam(None, codes, expanding=True, literal_execute=True))


def _measured_with(gauge: str, stretch: Stretch, corrected: bool) -> ColumnElement[bool]:
    """Parts with a reading of the gauge, and all of a batch that was measured as such."""

    def used(table: type[Journal] | type[Override], column: str) -> Select[Any]:
        about = getattr(table, column)
        query = select(about).where(table.gauge == gauge, about.is_not(None))
        since, until = stretch
        if since is not None:
            query = query.where(table.taken_at >= since)
        if until is not None:
            query = query.where(table.taken_at <= until)
        if table is Override:
            return query.where(Override.last)
        if corrected:
            mended = select(Override.record_id).where(Override.record_id == Journal.record_id)
            return query.where(~mended.exists())
        return query

    def either(column: str) -> Any:
        own = used(Journal, column)
        return union(own, used(Override, column)) if corrected else own

    return or_(Part.serial.in_(either("serial")), Part.batch.in_(either("batch")))


def _parts(chosen: ColumnElement[bool]) -> Select[str, str | None, str | None, str]:
    query = select(Part.serial, Part.model, Part.batch, Part.standing)
    return query.where(chosen).order_by(*_SHIPPED_FIRST)


def _places(connection: Connection, chosen: ColumnElement[bool]) -> dict[str, int]:
    """How many parts are where, counted by the database: parts in the shop stand alike."""
    query = select(Part.batch, Part.standing, Part.model.is_not(None), func.count()).where(chosen)
    counted = connection.execute(
        query.group_by(Part.batch, Part.standing, Part.model.is_not(None))
    ).all()
    of_batch = standings(connection, (row[0] for row in counted))
    found: dict[str, int] = {}
    for batch, text, received, count in counted:
        name = place(standing_from(text), of_batch.get(batch or "", Standing()), received)
        found[name] = found.get(name, 0) + count
    return dict(sorted(found.items(), key=lambda item: (item[0] != "shipped", item[0])))


def place(own: Standing, of_batch: Standing, received: bool) -> str:
    """Where a part is: what was shipped and has not come back is out there, whatever was decided
    on it or its batch since."""
    return "shipped" if own.shipped else status(own, of_batch, received)


def _placed(connection: Connection, found: Sequence[Any]) -> list[Row]:
    standing = {row[0]: standing_from(row[3]) for row in found}
    of_batch = standings(connection, (row[2] for row in found))
    shipped = _shipped_on(connection, [s for s, own in standing.items() if own.order])
    waiting = _waiting_for_a_look(connection, found, of_batch)
    rows = []
    for serial, model, batch, _ in found:
        own, whole = standing[serial], of_batch.get(batch or "", Standing())
        reasons = reasons_against(own, whole, model is not None)
        if serial in waiting:
            reasons.append("its batch was reworked: it wants a new inspection")
        rows.append(
            {
                "serial": serial,
                "model": model,
                "batch": batch,
                "status": place(own, whole, model is not None),
                "order": own.order or None,
                "to": own.to or None,
                "shipped_on": moment(shipped[serial]) if serial in shipped else None,
                "reasons": reasons,
            }
        )
    return rows


def _waiting_for_a_look(
    connection: Connection, found: Sequence[Any], of_batch: Mapping[str, Standing]
) -> set[str]:
    """The parts of batches in rework that nobody has looked at since; mostly there is none."""
    serials = {row[0]: row[2] for row in found if of_batch.get(row[2] or "", Standing()).rework}
    if not serials:
        return set()
    decided = decisions(connection, sorted(set(serials.values())))
    held = histories(connection, "serial", sorted(serials))
    return {
        serial
        for serial, batch in serials.items()
        if not_looked_at_since(
            decided[batch], [r for item in held[serial] if (r := item.final()) is not None]
        )
    }


def shipped_since(connection: Connection, batch: str, since: dt.datetime) -> int:
    """How many parts of a batch are out there that left after a moment."""
    out = select(Part.serial).where(Part.batch == batch, _SHIPPED)
    left = _shipped_on(connection, [row[0] for row in connection.execute(out)])
    return sum(at > since for at in left.values())


def _shipped_on(connection: Connection, serials: Sequence[str]) -> dict[str, dt.datetime]:
    """The moment of each part's newest shipment, as it stands after corrections."""
    return {one.serial: one.taken_at for one in of_kind(connection, Shipment, serials)}
