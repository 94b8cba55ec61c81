"""Many rows in by each database's fast road."""

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import Connection

from qc.ledger.tables import Base
from qc.ledger.types import UTC

T = TypeVar("T")
# SQLite takes at most 32,766 parameters a statement; more than this gains nothing
IN_LIST = 500


def insert_rows(
    connection: Connection,
    table: type[Base],
    columns: Sequence[str],
    rows: Sequence[tuple[Any, ...]],
) -> None:
    """Insert rows of plain values; moments must be aware UTC."""
    if not rows:
        return
    names = ", ".join(f'"{name}"' for name in columns)
    if connection.dialect.name == "postgresql":
        driver: Any = connection.connection.driver_connection
        statement = f'COPY "{table.__tablename__}" ({names}) FROM STDIN'
        with driver.cursor() as cursor, cursor.copy(statement) as copy:
            for row in rows:
                copy.write_row(row)
        return
    marks = ", ".join("?" * len(columns))
    statement = f'INSERT INTO "{table.__tablename__}" ({names}) VALUES ({marks})'  # noqa: S608
    moments = _moments(table, columns)
    connection.exec_driver_sql(statement, [_stored(row, moments) for row in rows])


def select_in(
    connection: Connection,
    table: type[Base],
    columns: Sequence[str],
    column: str,
    values: Iterable[str],
) -> Iterator[tuple[Any, ...]]:
    """The rows whose column holds one of the values, in no order; moments are aware UTC."""
    names = ", ".join(f'"{name}"' for name in columns)
    query = f'SELECT {names} FROM "{table.__tablename__}" WHERE "{column}"'  # noqa: S608
    moments = _moments(table, columns)
    for piece in pieces(list(values)):
        if connection.dialect.name == "postgresql":
            yield from connection.exec_driver_sql(f"{query} = ANY(%s)", (piece,))
            continue
        marks = ", ".join("?" * len(piece))
        rows = connection.exec_driver_sql(f"{query} IN ({marks})", tuple(piece))
        if not moments:
            yield from rows
        else:
            yield from (_read(row, moments) for row in rows)


def _moments(table: type[Base], columns: Sequence[str]) -> list[int]:
    """Which of the columns hold moments."""
    types = table.__table__.columns
    return [i for i, name in enumerate(columns) if isinstance(types[name].type, UTC)]


def _stored(row: tuple[Any, ...], moments: Sequence[int]) -> tuple[Any, ...]:
    """A row as SQLite keeps it: moments as the text that SQLAlchemy's own type writes."""
    if not moments:
        return row
    cells = list(row)
    for i in moments:
        if cells[i] is not None:
            cells[i] = cells[i].isoformat(" ", "microseconds")[:26]
    return tuple(cells)


def _read(row: Sequence[Any], moments: Sequence[int]) -> tuple[Any, ...]:
    cells = list(row)
    for i in moments:
        if cells[i] is not None:
            cells[i] = dt.datetime.fromisoformat(cells[i]).replace(tzinfo=dt.UTC)
    return tuple(cells)


def pieces(items: Sequence[T], size: int = IN_LIST) -> Iterator[list[T]]:
    """Lists of at most `size` items."""
    walk = iter(items)
    while piece := list(islice(walk, size)):
        yield piece
