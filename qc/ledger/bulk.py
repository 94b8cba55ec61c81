"""Many rows in by each database's fast road."""

import datetime as dt
from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import Connection

from qc.ledger.tables import Base

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
    connection.exec_driver_sql(statement, [_for_sqlite(row) for row in rows])


def _for_sqlite(row: tuple[Any, ...]) -> tuple[Any, ...]:
    return tuple(
        value.replace(tzinfo=None).isoformat(" ", "microseconds")
        if type(value) is dt.datetime
        else value
        for value in row
    )


def pieces(items: Sequence[T], size: int = IN_LIST) -> Iterator[list[T]]:
    """Lists of at most `size` items."""
    walk = iter(items)
    while piece := list(islice(walk, size)):
        yield piece
