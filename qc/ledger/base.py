"""What every table has in common: names of indexes, column types, the base class."""

import datetime as dt

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Index,
    Integer,
    MetaData,
    Table,
    TextClause,
    text,
)
from sqlalchemy.orm import DeclarativeBase

from qc.ledger.types import UTC, words

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
# SQLite counts its own row numbers only under the name INTEGER
POSITION = BigInteger().with_variant(Integer, "sqlite")


class Base(DeclarativeBase):
    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map = {str: words(), dt.datetime: UTC}  # noqa: RUF012 - read by the base class


def partial_index(table: str, column: str, *more: str) -> Index:
    """An index over the few rows that have the column."""
    where = text(f"{column} IS NOT NULL")
    return index_where(where, f"ix_{table}_{column}", column, *more)


def index_where(where: TextClause | ColumnElement[bool], name: str, *columns: str) -> Index:
    """An index over the rows for which a condition holds, in the words of a query for them."""
    return Index(name, *columns, sqlite_where=where, info={"postgresql": {"where": where}})


def with_postgresql(metadata: MetaData) -> MetaData:
    """The tables with what holds on PostgreSQL alone, for whoever compares a database with them.

    Said with the tables themselves, it would load that dialect at every start of a command.
    """
    for table in metadata.tables.values():
        items: list[Table | Index] = [table, *table.indexes]
        for item in items:
            item.dialect_options["postgresql"].update(item.info.get("postgresql", {}))
    return metadata
