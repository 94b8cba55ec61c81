"""Many rows in and out by each database's fast road, a column at a time.

SQLAlchemy says what a column holds; the rows themselves go to the driver and come from it bare.
"""

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import chain, islice
from typing import Any, NamedTuple, TypeVar

from sqlalchemy import Connection

from qc.ledger.base import Base
from qc.ledger.types import UTC, Digest, RecordId, id_bytes, id_text, moment_text

T = TypeVar("T")
# what SQLite takes a statement
PARAMETERS = 32_766
IN_LIST = 500
ROWS_AT_ONCE = 3000
LOOKED_UP_AT_ONCE = 5000


class _Kept(NamedTuple):
    """How a type's values stand in a table, where the driver cannot tell."""

    encode: Callable[[Any], Any]
    decode: Callable[[Any], Any]


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
    kept = _encoded(rows, _kept(connection.dialect.name, table, tuple(columns)))
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name == "postgresql":
        statement = f'COPY "{table.__tablename__}" ({names}) FROM STDIN'
        with driver.cursor() as cursor, cursor.copy(statement) as copy:
            for row in kept:
                copy.write_row(row)
        return
    # FAIL: a row refused is a transaction undone, so nothing has to be copied aside for it;
    # many rows a statement, for each statement has a beginning and an end
    into = f'INSERT OR FAIL INTO "{table.__tablename__}" ({names}) VALUES '  # noqa: S608 - our names
    marks = f"({', '.join('?' * len(columns))})"
    for piece in pieces(kept, min(ROWS_AT_ONCE, PARAMETERS // len(columns))):
        values = list(chain.from_iterable(piece))
        driver.execute(into + ", ".join([marks] * len(piece)), values)


def select_in(
    connection: Connection,
    table: type[Base],
    columns: Sequence[str],
    column: str,
    values: Iterable[Any],
    since: int | None = None,
) -> Iterator[tuple[Any, ...]]:
    """The rows whose column holds one of the values, in no order; moments are aware UTC.

    `since`: of the journal, only those from this position on.
    """
    names = ", ".join(f'"{name}"' for name in columns)
    query = f'SELECT {names} FROM "{table.__tablename__}" WHERE "{column}"'  # noqa: S608 - our names
    dialect = connection.dialect.name
    kept = _kept(dialect, table, tuple(columns))
    sought = [(value,) for value in values]
    sought = list(_encoded(sought, _kept(dialect, table, (column,)))) if sought else []
    newer = "" if since is None else f" AND position >= {since:d}"
    driver: Any = connection.connection.driver_connection
    for piece in pieces([value for (value,) in sought], LOOKED_UP_AT_ONCE):
        if dialect == "postgresql":
            rows = driver.execute(
                f"{query} = ANY(%s::{_array_of(piece)}[]){newer}", (_array(piece),)
            ).fetchall()
        else:
            marks = ", ".join("?" * len(piece))
            rows = driver.execute(f"{query} IN ({marks}){newer}", piece).fetchall()
        yield from _decoded(rows, kept)


def _array_of(values: Sequence[Any]) -> str:
    kinds = {bytes: "bytea", str: "text", int: "bigint"}
    return kinds[type(values[0])]


def _array(values: Sequence[Any]) -> str:
    """A list in PostgreSQL's own writing, which takes the driver a tenth of an import to write."""
    if isinstance(values[0], bytes):
        quoted = [f'"\\\\x{value.hex()}"' for value in values]
    elif isinstance(values[0], int):
        quoted = list(map(str, values))
    else:
        quoted = ['"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"' for value in values]
    return "{" + ",".join(quoted) + "}"


@lru_cache(maxsize=100)
def _kept(dialect: str, table: type[Base], columns: tuple[str, ...]) -> list[tuple[int, _Kept]]:
    """Which of the columns need a hand, by their place."""
    types = table.__table__.columns
    hands: list[tuple[type, _Kept]] = [
        (RecordId, _Kept(id_bytes, id_text)),
        (Digest, _Kept(bytes.fromhex, bytes.hex)),
    ]
    if dialect == "sqlite":
        hands.append((UTC, _Kept(moment_text, _moment)))
    return [
        (i, kept)
        for i, name in enumerate(columns)
        for kind, kept in hands
        if isinstance(types[name].type, kind)
    ]


def _encoded(
    rows: Sequence[tuple[Any, ...]], hands: Sequence[tuple[int, _Kept]]
) -> Iterable[tuple[Any, ...]]:
    if not hands:
        return rows
    if len(hands) == 1:
        ((i, (encode, _)),) = hands
        return [
            row if row[i] is None else (*row[:i], encode(row[i]), *row[i + 1 :]) for row in rows
        ]
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True))
    for i, (encode, _) in hands:
        columns[i] = [None if value is None else encode(value) for value in columns[i]]
    return zip(*columns, strict=True)


def _decoded(
    rows: Sequence[tuple[Any, ...]], hands: Sequence[tuple[int, _Kept]]
) -> Iterable[tuple[Any, ...]]:
    if not hands or not rows:
        return rows
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True))
    for i, (_, decode) in hands:
        columns[i] = [None if value is None else decode(value) for value in columns[i]]
    return zip(*columns, strict=True)


def _moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text + "+00:00")


def pieces(items: Iterable[T], size: int = IN_LIST) -> Iterator[list[T]]:
    """Lists of at most `size` items."""
    walk = iter(items)
    while piece := list(islice(walk, size)):
        yield piece
