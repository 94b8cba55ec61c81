"""What a few rows are found by among millions is used: asked of SQLite's own plan."""

import pytest
from sqlalchemy import select, text
from sqlalchemy.dialects import sqlite

from qc.ledger.catalog_entries import load_catalog
from qc.ledger.ledger import Ledger
from qc.ledger.marks import IN_CATALOG, OUT, WAITS
from qc.ledger.tables import Journal, Part
from tests.maker import take_catalog


@pytest.fixture
def ledger(sqlite):
    """SQLite alone: PostgreSQL weighs an index against the size of the table."""
    with Ledger(sqlite.new()) as opened:
        yield opened


@pytest.mark.parametrize(
    ("query", "index"),
    [
        (select(Part.serial).where(WAITS), "ix_part_waits"),
        (select(Part.serial).where(OUT), "ix_part_out"),
        (select(Journal.body).where(IN_CATALOG), "ix_journal_catalog"),
    ],
)
def test_rows_with_a_mark_are_found_by_the_index_of_that_mark(ledger, query, index):
    words = str(query.compile(dialect=sqlite.dialect()))
    with ledger.reading() as connection:
        plan = connection.execute(text(f"EXPLAIN QUERY PLAN {words.replace(':', chr(92) + ':')}"))
        assert index in " ".join(row[3] for row in plan)


def test_the_catalog_is_loaded_without_walking_the_journal(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    told = []
    with ledger.reading() as connection:
        driver = connection.connection.driver_connection
        driver.set_trace_callback(told.append)
        load_catalog(connection)
        driver.set_trace_callback(None)
        (query,) = told
        plan = " ".join(row[3] for row in driver.execute(f"EXPLAIN QUERY PLAN {query}"))
    assert "ix_journal_catalog" in plan
    assert "SEARCH seal USING INDEX" in plan
