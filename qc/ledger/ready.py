"""Statements that go with every record, made ready for the driver once.

SQLAlchemy says them; carried out through it each would cost several times what the database
takes. Only for columns and values that the driver takes as they are: words and numbers.
"""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import Connection, Dialect
from sqlalchemy.sql.expression import ClauseElement

Values = Mapping[str, Any]


class _Ready(NamedTuple):
    """A statement as a driver takes it; the order of its values where they have no names."""

    text: str
    order: Sequence[str] | None

    def bound(self, values: Values) -> Any:
        return values if self.order is None else [values[name] for name in self.order]


@lru_cache(maxsize=200)
def _ready(statement: ClauseElement, dialect: Dialect) -> _Ready:
    compiled: Any = statement.compile(dialect=dialect)
    return _Ready(str(compiled), compiled.positiontup if compiled.positional else None)


def rows_of(connection: Connection, statement: ClauseElement, **values: Any) -> list[Any]:
    """The rows that a query finds, each a tuple."""
    ready = _ready(statement, connection.dialect)
    driver: Any = connection.connection.driver_connection
    rows: list[Any] = driver.execute(ready.text, ready.bound(values)).fetchall()
    return rows


def carry_out(connection: Connection, statement: ClauseElement, each: Sequence[Values]) -> None:
    """Carry a statement out with each of these values."""
    if not each:
        return
    ready = _ready(statement, connection.dialect)
    driver: Any = connection.connection.driver_connection
    if len(each) == 1:
        driver.execute(ready.text, ready.bound(each[0]))
    elif ready.order is None:
        with driver.cursor() as cursor:
            cursor.executemany(ready.text, each)
    else:
        driver.executemany(ready.text, map(ready.bound, each))
