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
IN_LIST = 500
# rows a statement: more of them take longer to prepare than they save in beginnings and ends
ROWS_AT_ONCE = 250
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
    kept = _encoded(rows, _kept(connection.dialect.name, table, tuple(columns)))
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name == "postgresql":
        into = f'"{table.__tablename__}" ({", ".join(map(_quoted, columns))})'
        if len(rows) == 1:  # a copy goes to the server and back three times
            marks = ", ".join(["%s"] * len(columns))
            statement = f"INSERT INTO {into} VALUES ({marks})"  # noqa: S608 - our names
            driver.execute(statement, *kept)
            return
        with driver.cursor() as cursor, cursor.copy(f"COPY {into} FROM STDIN") as copy:
            for row in kept:
                copy.write_row(row)
        return
    for piece in pieces(kept, ROWS_AT_ONCE):
        # FAIL: a row refused is a transaction undone, so nothing has to be copied aside for it
        driver.execute(*_many("INSERT OR FAIL", table, columns, piece))


def insert_new(
    connection: Connection,
    table: type[Base],
    columns: Sequence[str],
    rows: Sequence[tuple[Any, ...]],
) -> int:
    """Insert rows whose key, the first column, is not held yet; returns how many there were.

    No two have the same key. Where one is held, SQLite has the others in, and PostgreSQL none: a
    server may not take them out again there.
    """
    if not rows:
        return 0
    dialect = connection.dialect.name
    kept = _encoded(rows, _kept(dialect, table, tuple(columns)))
    driver: Any = connection.connection.driver_connection
    new = 0
    if dialect == "sqlite":
        for piece in pieces(kept, ROWS_AT_ONCE):
            new += driver.execute(*_many("INSERT OR IGNORE", table, columns, piece)).rowcount
        return new
    # all of them in one statement, whose count is that of them all or nought
    by_column = list(zip(*kept, strict=True))
    arrays = [f"%s::{_array_of(column)}[]" for column in by_column]
    into, key = f'"{table.__tablename__}"', _quoted(columns[0])
    values = list(map(_array, by_column))
    new = driver.execute(
        f"INSERT INTO {into} ({', '.join(map(_quoted, columns))}) "  # noqa: S608 - our names
        f"SELECT * FROM unnest({', '.join(arrays)}) "
        f"WHERE NOT EXISTS (SELECT FROM {into} WHERE {key} = ANY({arrays[0]}))",
        [*values, values[0]],
    ).rowcount
    return int(new)


def _quoted(column: str) -> str:
    return f'"{column}"'


def _many(
    verb: str, table: type[Base], columns: Sequence[str], rows: Sequence[tuple[Any, ...]]
) -> tuple[str, list[Any]]:
    """One statement for many rows on SQLite, and its values.

    Most columns of neighbours hold one value (a stage, a gauge, a person): it is bound once, and
    every row names it by its number. That halves the time of an insert.
    """
    held = list(zip(*rows, strict=True))
    alike = [name for name, of in zip(columns, held, strict=True) if _one_value(of)]
    order = sorted(range(len(columns)), key=lambda i: columns[i] not in alike)
    values = [held[i][0] for i in order[: len(alike)]]
    values.extend(chain.from_iterable(zip(*(held[i] for i in order[len(alike) :]), strict=True)))
    statement = _insert(verb, table, tuple(columns[i] for i in order), len(alike), len(rows))
    return statement, values


@lru_cache(maxsize=500)
def _insert(verb: str, table: type[Base], columns: tuple[str, ...], alike: int, rows: int) -> str:
    """An insert of so many rows whose first columns are alike."""
    names = ", ".join(map(_quoted, columns))
    marks = [f"?{i}" for i in range(1, alike + 1)] + ["?"] * (len(columns) - alike)
    row = f"({', '.join(marks)})"
    return f'{verb} INTO "{table.__tablename__}" ({names}) VALUES ' + ", ".join([row] * rows)


def _one_value(column: Sequence[Any]) -> bool:
    """Whether a column holds one value throughout; not of numbers, whose equals may differ."""
    first = column[0]
    return (first is None or type(first) in (str, bool)) and column.count(first) == len(column)


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
    names = ", ".join(map(_quoted, columns))
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
    hands: list[tuple[type, _Kept]]
    if dialect == "sqlite":
        # its driver looks for an adapter of bytes at every value, and of bytearray never
        hands = [
            (RecordId, _Kept(lambda text: bytearray(id_bytes(text)), id_text)),
            (Digest, _Kept(bytearray.fromhex, bytes.hex)),
            (UTC, _Kept(moment_text, _moment)),
        ]
    else:
        hands = [
            (RecordId, _Kept(id_bytes, id_text)),
            (Digest, _Kept(bytes.fromhex, bytes.hex)),
        ]
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
