"""Batch summaries, kept up to date on the way in, and which streams they make stale.

A summary row is what one batch came to with one gauge in the hands of one inspector, so that drift
can ask whether the parts moved or the gauge without touching a reading.
"""

import datetime as dt
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, delete, func, select, update

from qc.ledger.bulk import insert_rows, pieces, select_in
from qc.ledger.ready import carry_out
from qc.ledger.tables import Quantity, Stream, Summary
from qc.statistics.summary import micro

# model, stage, characteristic, protocol
StreamKey = tuple[str, str, str, str]
# batch, stage, characteristic, protocol, gauge, station, inspector
CellKey = tuple[str, str, str, str, str, str, str]

_KEY = ("batch", "stage", "characteristic", "protocol", "gauge", "station", "inspector")
_COLUMNS = (*_KEY, "model", "n", "total", "squares", "seconds", "over", "under", "least", "most")
_DELETE = delete(Summary).where(
    *(getattr(Summary, name) == bindparam(f"of_{name}") for name in _KEY)
)
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_SECOND = dt.timedelta(seconds=1)
# weights of one model are some hundred different numbers
_micro = lru_cache(maxsize=10_000)(micro)


class Change(NamedTuple):
    """What goes into a cell (or out of it): whole numbers, and the values for its extremes."""

    sums: list[int]
    came: list[float]
    went: list[float]


def change_summaries(
    connection: Connection, before: Sequence[tuple[Any, ...]], after: Sequence[tuple[Any, ...]]
) -> None:
    """Take the old quantities out of their summaries and the new ones in, exactly.

    Both are rows of `quantity` in the order of `projections.QUANTITY_COLUMNS`; the table holds
    the new ones already.
    """
    models: dict[CellKey, str] = {}
    changes = _changes(before, after, models)
    if not changes:
        return
    old = _held(connection, {key[0] for key in changes})
    rows, stale = [], []
    for key, change in changes.items():
        cell = old.get(key)
        if cell:
            stale.append(dict(zip((f"of_{name}" for name in _KEY), key, strict=True)))
        now = [a + b for a, b in zip(change.sums, cell.sums if cell else [0] * 6, strict=True)]
        if now[0]:
            n, total, squares, seconds, over, under = now
            least, most = _extremes(connection, key, cell, change, models[key])
            numbers = (n, str(total), str(squares), str(seconds), over, under, least, most)
            rows.append((*key, models[key], *numbers))
    carry_out(connection, _DELETE, stale)
    insert_rows(connection, Summary, _COLUMNS, rows)
    mark_stale(connection, {(models[key], *key[1:4]) for key in changes if key[1] != "pair"})


def _changes(
    before: Sequence[tuple[Any, ...]],
    after: Sequence[tuple[Any, ...]],
    models: dict[CellKey, str],
) -> dict[CellKey, Change]:
    changes: dict[CellKey, Change] = {}
    for sign, rows in ((-1, before), (1, after)):
        by_cell: dict[CellKey, list[tuple[Any, ...]]] = {}
        for row in rows:
            if not row[8]:
                by_cell.setdefault((row[5], *row[1:4], *row[12:15]), []).append(row)
        for key, of_cell in by_cell.items():
            models[key] = of_cell[0][4]
            change = changes.setdefault(key, Change([0] * 6, [], []))
            values = [row[6] for row in of_cell]
            units, beyond = list(map(_micro, values)), [row[11] for row in of_cell]
            sums = (
                *(len(values), sum(units), sum([unit * unit for unit in units])),
                sum([seconds_of(row[9]) for row in of_cell]),
                *(beyond.count("over"), beyond.count("under")),
            )
            change.sums[:] = [old + sign * new for old, new in zip(change.sums, sums, strict=True)]
            (change.came if sign > 0 else change.went).extend(values)
    # what went out and came in again unchanged leaves its cell alone
    return {
        key: change
        for key, change in changes.items()
        if any(change.sums) or sorted(change.came) != sorted(change.went)
    }


def seconds_of(at: dt.datetime) -> int:
    """Whole seconds since 1970: moments that add up exactly."""
    return (at - _EPOCH) // _SECOND


class _Cell(NamedTuple):
    sums: list[int]
    least: float
    most: float


def _held(connection: Connection, batches: set[str]) -> dict[CellKey, _Cell]:
    found: dict[CellKey, _Cell] = {}
    for row in select_in(connection, Summary, _COLUMNS, "batch", sorted(batches)):
        n, total, squares, seconds, over, under, least, most = row[8:]
        sums = [n, int(total), int(squares), int(seconds), over, under]
        found[tuple(row[:7])] = _Cell(sums, least, most)
    return found


def _extremes(
    connection: Connection, key: CellKey, cell: _Cell | None, change: Change, model: str
) -> tuple[float, float]:
    """Least and most of a cell; looked up again only where an extreme went out."""
    if cell and any(value in (cell.least, cell.most) for value in change.went):
        names = ("batch", "stage", "characteristic", "protocol", "gauge", "station", "inspector")
        match = [getattr(Quantity, name) == part for name, part in zip(names, key, strict=True)]
        least, most = connection.execute(
            select(func.min(Quantity.value), func.max(Quantity.value)).where(
                Quantity.model == model, Quantity.suspect.is_(False), *match
            )
        ).one()
        return least, most
    known = [cell.least, cell.most] if cell else []
    return min([*known, *change.came]), max([*known, *change.came])


def mark_stale(connection: Connection, streams: Iterable[StreamKey]) -> None:
    """Have the drift of these streams judged again before long."""
    wanted = set(streams)
    columns = ("model", "stage", "characteristic", "protocol")
    models = sorted({key[0] for key in wanted})
    rows = select_in(connection, Stream, (*columns, "stale"), "model", models)
    known = {(a, b, c, d): stale for a, b, c, d, stale in rows}
    new = [(*key, True) for key in sorted(wanted - known.keys())]
    insert_rows(connection, Stream, (*columns, "stale"), new)
    rest = [key for key in sorted(wanted & known.keys()) if not known[key]]
    if rest:
        match = [getattr(Stream, name) == bindparam(f"of_{name}") for name in columns]
        connection.execute(
            update(Stream).where(*match).values(stale=True),
            [dict(zip((f"of_{name}" for name in columns), key, strict=True)) for key in rest],
        )


def mark_models_stale(connection: Connection, models: Iterable[str] | None) -> None:
    """Have every stream of these models judged again; of all models where None."""
    everything = update(Stream).values(stale=True)
    if models is None:
        connection.execute(everything)
        return
    for piece in pieces(sorted(models)):
        connection.execute(everything.where(Stream.model.in_(piece)))


def mark_batches_stale(connection: Connection, batches: Sequence[str]) -> None:
    """Have every stream that these batches are part of judged again."""
    streams: set[StreamKey] = set()
    for piece in pieces(batches):
        query = select(
            Summary.model, Summary.stage, Summary.characteristic, Summary.protocol
        ).where(Summary.batch.in_(piece), Summary.stage != "pair")
        streams |= {(a, b, c, d) for a, b, c, d in connection.execute(query.distinct())}
    mark_stale(connection, streams)


def stale_streams(connection: Connection) -> list[StreamKey]:
    """The streams whose drift has not been judged since their batches changed."""
    query = select(Stream.model, Stream.stage, Stream.characteristic, Stream.protocol)
    return [(a, b, c, d) for a, b, c, d in connection.execute(query.where(Stream.stale))]
