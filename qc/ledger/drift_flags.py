"""Drift flags: streams whose batch means changed are judged again, after the records are in.

Accepting a record touches its part and its batch only; that its stream is stale is noted, and
whoever took records in lets `settle_streams` judge what is stale before long.
"""

import datetime as dt
import hashlib
from collections.abc import Set
from decimal import Decimal

from sqlalchemy import Connection, delete, func, select, update

from qc.catalog.catalog import Catalog
from qc.catalog.units import unit
from qc.judgement.flags import MAJOR, SETTLING, Flag, Verdict
from qc.ledger.bulk import insert_rows
from qc.ledger.corrections import any_corrections, histories
from qc.ledger.projections import FLAG_COLUMNS, flag_row
from qc.ledger.streams import judged, points_of
from qc.ledger.summaries import StreamKey, stale_streams
from qc.ledger.tables import FlagRow, Quantity, Stream
from qc.records.kinds import Disposition
from qc.statistics.drift.level import Event


def settle_streams(
    connection: Connection, catalog: Catalog, only: Set[StreamKey] | None = None
) -> None:
    """Judge every stale stream, or those of `only` that are, and write their flags.

    The caller holds the journal's lock, so that two programs do not write the same flags.
    """
    stale = set(stale_streams(connection))
    streams = sorted(stale if only is None else stale & only)
    corrected = bool(streams) and any_corrections(connection)
    for stream in streams:
        _write(connection, catalog, stream, corrected)


def _write(connection: Connection, catalog: Catalog, stream: StreamKey, corrected: bool) -> None:
    names = ("model", "stage", "characteristic", "protocol")
    only = dict(zip(names, stream, strict=True))
    points = points_of(connection, catalog, **only).get(stream, [])
    owner = "stream:" + hashlib.sha256("\n".join(stream).encode()).hexdigest()[:40]
    connection.execute(delete(FlagRow).where(FlagRow.owner == owner))
    match = [getattr(Stream, name) == part for name, part in only.items()]
    if not points:
        connection.execute(delete(Stream).where(*match))
        return
    connection.execute(update(Stream).where(*match).values(stale=False))
    rows = []
    for segment in judged(catalog, stream, points):
        for event in segment.drift.events:
            flag = _flag(connection, catalog, stream, event, corrected)
            rows.append(flag_row(flag, owner, batch=event.signal.batch, model=stream[0]))
    insert_rows(connection, FlagRow, FLAG_COLUMNS, rows)


def _flag(
    connection: Connection,
    catalog: Catalog,
    stream: StreamKey,
    event: Event,
    corrected: bool,
) -> Flag:
    """Raised when the last part of the batch was measured; a decision on the batch settles it."""
    batch = event.signal.batch
    first, last = _measured(connection, stream, batch)
    held = histories(connection, "batch", [batch], corrected)[batch]
    decided = sorted(
        (record.taken_at, record.decision)
        for item in held
        if isinstance(record := item.final(), Disposition)
        and record.decision in SETTLING
        and record.batch == batch
        and record.taken_at >= first
    )
    verdict = _verdict(catalog, stream, event)
    if decided:
        at, why = decided[0]
        return Flag(verdict, min(last, at), at, why)
    return Flag(verdict, last)


def _measured(
    connection: Connection, stream: StreamKey, batch: str
) -> tuple[dt.datetime, dt.datetime]:
    model, stage, characteristic, protocol = stream
    query = select(func.min(Quantity.at), func.max(Quantity.at)).where(
        *(Quantity.characteristic == characteristic, Quantity.model == model),
        *(Quantity.stage == stage, Quantity.batch == batch, Quantity.protocol == protocol),
        Quantity.suspect.is_(False),
    )
    first, last = connection.execute(query).one()
    return first, last


def _verdict(catalog: Catalog, stream: StreamKey, event: Event) -> Verdict:
    _, stage, characteristic, protocol = stream
    change, of_unit = event.change, unit(catalog, characteristic)
    of = f"{characteristic}" + (f" ({protocol})" if protocol else "")
    where = f" at stage {stage}" if stage else ""
    moved = "rose" if change.shift > 0 else "fell"
    message = (
        f"The level of {of}{where} {moved} by {abs(change.shift):.3g} {of_unit} "
        f"({change.lower:.3g} to {change.upper:.3g}) with batch {change.first_batch}; "
        f"found at batch {event.known_from}."
    )
    signal = event.signal
    limit = signal.upper if signal.value > signal.upper else signal.lower
    return Verdict(
        *("drift", MAJOR, " ".join(message.split())),
        value=Decimal(repr(signal.value)),
        limit=Decimal(repr(limit)),
        unit=of_unit,
        stage=stage or None,
        characteristic=characteristic,
    )
