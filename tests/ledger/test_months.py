"""The journal's months: partitions on PostgreSQL."""

import datetime as dt
import threading

import pytest
from sqlalchemy import select, text
from sqlalchemy.engine import make_url

from qc.errors import RimqcError
from qc.ledger import ledger as ledger_module
from qc.ledger.backup import backup, restore
from qc.ledger.ledger import Ledger
from qc.ledger.months import month_of
from qc.ledger.tables import Identity, Journal, Part
from qc.ledger.verify import verify
from tests.maker import accept, correction, follows, record, take_catalog

pytestmark = [pytest.mark.postgres, pytest.mark.owner]
NOW = f"journal_{month_of(dt.datetime.now(dt.UTC))}"
ROWS = "SELECT relid::regclass::text, (SELECT count(*) FROM journal WHERE tableoid = relid) "


@pytest.fixture
def shop(postgresql, tmp_path):
    with Ledger(postgresql.new()) as ledger:
        take_catalog(ledger, tmp_path)
        yield ledger


def months(ledger):
    """Each month with how many records it holds, oldest first."""
    with ledger.reading() as connection:
        query = ROWS + "FROM pg_partition_tree('journal') WHERE isleaf ORDER BY 1"
        return [tuple(row) for row in connection.execute(text(query))]


def has_passed(ledger, month):
    """Let what the journal holds have arrived in another month, and the program ask anew."""
    with ledger.engine.begin() as connection:
        connection.execute(text(f"ALTER TABLE {NOW} RENAME TO journal_{month}"))
    ledger._month, ledger._month_again = None, 0.0


def holds(ledger):
    with ledger.reading() as connection:
        return verify(connection).first_bad is None


def test_a_new_month_begins_with_its_first_record(shop):
    ((_, before),) = months(shop)
    has_passed(shop, "2020_01")
    assert months(shop) == [("journal_2020_01", before)]
    assert accept(shop, [record("receipt"), record("weighing")]) == ["accepted"] * 2
    assert months(shop) == [("journal_2020_01", before), (NOW, 2)]
    has_passed(shop, "2020_02")
    assert accept(shop, [record("receipt"), record("runout")]) == ["held", "accepted"]
    assert months(shop) == [("journal_2020_01", before), ("journal_2020_02", 2), (NOW, 1)]
    assert holds(shop)


def test_a_month_in_which_nothing_arrived_leaves_no_partition(shop):
    ((_, before),) = months(shop)
    has_passed(shop, "2020_01")
    assert accept(shop, []) == []
    assert months(shop) == [("journal_2020_01", before), (NOW, 0)]
    has_passed(shop, "2020_05")
    accept(shop, [record("receipt")])
    assert months(shop) == [("journal_2020_01", before), (NOW, 1)]


def test_a_journal_that_was_never_written_to_has_the_month_of_its_first_record(postgresql):
    with Ledger(postgresql.new()) as ledger:
        has_passed(ledger, "2020_01")
        accept(ledger, [])
        assert months(ledger) == [(NOW, 0)]


def test_a_clock_that_went_back_begins_no_month(shop):
    with shop.engine.begin() as connection:
        connection.execute(text(f"ALTER TABLE {NOW} RENAME TO journal_2999_12"))
    accept(shop, [record("receipt")])
    assert [name for name, _ in months(shop)] == ["journal_2999_12"]


@pytest.fixture
def grown(shop):
    """Two months: R1 received in the first, weighed and corrected in the second."""
    accept(shop, [record("receipt")])
    has_passed(shop, "2020_01")
    weighing = record("weighing", gross_g=470)
    accept(shop, [weighing, record("receipt", serial="R2")])
    accept(shop, [correction(weighing, void=True)])
    return shop


@pytest.mark.parametrize("table", ["journal_2020_01", NOW, "journal"])
@pytest.mark.parametrize(
    "change", ["UPDATE {} SET body = 'x'", "DELETE FROM {}", "TRUNCATE {}", "TRUNCATE {} CASCADE"]
)
def test_every_month_refuses_every_change(grown, table, change):
    with pytest.raises(RimqcError, match="is never changed"), grown.writing() as connection:
        connection.execute(text(change.format(table)))
    assert holds(grown)


@pytest.mark.parametrize("table", ["journal_2020_01", NOW])
@pytest.mark.parametrize("trigger", ["journal_no_change", "journal_no_truncate"])
def test_a_trigger_put_out_of_force_in_one_month_is_found(grown, table, trigger):
    with grown.writing() as connection:
        connection.execute(text(f"ALTER TABLE {table} DISABLE TRIGGER {trigger}"))
    with grown.reading() as connection:
        assert trigger in verify(connection).first_bad


def test_a_month_that_was_taken_away_is_found(grown):
    with grown.engine.begin() as connection:
        connection.execute(text("ALTER TABLE journal DETACH PARTITION journal_2020_01"))
    assert not holds(grown)


def test_while_somebody_reads_the_last_month_goes_on(shop, monkeypatch):
    ((_, before),) = months(shop)
    has_passed(shop, "2020_01")
    with shop.reading() as connection:
        connection.execute(select(Journal.position)).all()
        assert accept(shop, [record("receipt")]) == ["accepted"]
        assert months(shop) == [("journal_2020_01", before + 1)]
    assert accept(shop, [record("weighing")]) == ["accepted"]  # not asked again at once
    assert months(shop) == [("journal_2020_01", before + 2)]
    monkeypatch.setattr(shop, "_month_again", 0.0)
    assert accept(shop, [record("runout")]) == ["accepted"]
    assert months(shop) == [("journal_2020_01", before + 2), (NOW, 1)]
    assert holds(shop)


def test_programs_that_find_a_new_month_at_once_begin_it_once_and_lose_nothing(shop):
    ((_, before),) = months(shop)
    has_passed(shop, "2020_01")
    url = shop.url.render_as_string(hide_password=False)
    start = threading.Barrier(4)

    def write(station):
        with Ledger(url) as own:
            start.wait()
            for n in range(10):
                serial = f"S{station}-{n}"
                accept(own, [record("receipt", serial=serial), record("weighing", serial=serial)])

    writers = [threading.Thread(target=write, args=[n]) for n in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    found = dict(months(shop))
    assert found.keys() == {"journal_2020_01", NOW}
    assert sum(found.values()) == before + 80
    assert holds(shop)


def test_whoever_may_only_add_records_begins_a_month_too(shop, tmp_path):
    role = f"adds_{make_url(shop.url).database}"
    with shop.engine.begin() as connection:
        for statement in (
            f"CREATE ROLE {role}",
            f"GRANT USAGE ON SCHEMA public TO {role}",
            f"GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO {role}",
            f"GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO {role}",
            f"REVOKE UPDATE, DELETE ON journal, seal FROM {role}",
            f"GRANT EXECUTE ON FUNCTION rimqc_open_month() TO {role}",
        ):
            connection.execute(text(statement))
    try:
        has_passed(shop, "2020_01")
        url = shop.url.update_query_dict({"options": f"-c role={role}"})
        with Ledger(url.render_as_string(hide_password=False)) as own:
            assert accept(own, [record("receipt"), record("weighing")]) == ["accepted"] * 2
            with pytest.raises(RimqcError, match="must be owner"), own.writing() as connection:
                connection.execute(text("DROP TABLE journal_2020_01"))
        assert months(shop)[1] == (NOW, 2)
        assert holds(shop)
    finally:
        with shop.engine.begin() as connection:
            connection.execute(text(f"DROP OWNED BY {role}"))
            connection.execute(text(f"DROP ROLE {role}"))


def plan(connection, query):
    compiled = query.compile(connection, compile_kwargs={"literal_binds": True})
    return "\n".join(row[0] for row in connection.execute(text(f"EXPLAIN {compiled}")))


def test_what_stands_somewhere_is_looked_for_there_only(grown):
    with grown.reading() as connection:
        since = dict(connection.execute(select(Part.serial, Part.since)).all())
        firsts = {
            serial: connection.execute(
                select(Journal.position).where(Journal.serial == serial).order_by(Journal.position)
            ).scalars().first()
            for serial in ("R1", "R2")
        }  # fmt: skip
        # a bound, as near as the transaction that brought the first record
        assert since["R1"] == firsts["R1"]
        assert since["R2"] == firsts["R2"] - 1
        query = select(Journal.body).where(Journal.serial == "R2", Journal.position >= since["R2"])
        assert "2020_01" not in plan(connection, query)
        at = connection.execute(select(Identity.position)).scalars().all()
        newest = select(Journal.body).where(Journal.position == max(at))
        assert "2020_01" not in plan(connection, newest)


def test_a_restored_journal_has_the_months_in_which_it_was_filled(
    postgresql, tmp_path, monkeypatch
):
    """From SQLite, where the records of all months stand in one table."""
    with Ledger(f"sqlite:///{tmp_path}/old.sqlite", create=True) as old:
        for month, serial in ((11, "R1"), (11, "R2"), (12, "R3"), (14, "R4"), (13, "R5")):
            at = dt.datetime(2023 + month // 13, month % 13 + month // 13, 5, tzinfo=dt.UTC)
            monkeypatch.setattr(ledger_module, "now", lambda at=at: at)
            if serial == "R1":
                take_catalog(old, tmp_path)
            accept(old, [record("receipt", serial=serial), record("weighing", serial=serial)])
        monkeypatch.undo()
        backup(old, tmp_path / "kept.gz")
        with old.reading() as connection:
            before = follows(connection), verify(connection)
    with Ledger(postgresql.empty(), create=True) as new:
        restore(new, tmp_path / "kept.gz")
        with new.reading() as connection:
            assert (follows(connection), verify(connection)) == before
        counts = dict(months(new))
        assert list(counts) == ["journal_2023_11", "journal_2023_12", "journal_2024_02", NOW]
        assert list(counts.values())[1:] == [2, 4, 0]  # what a clock that went back brought stays
        accept(new, [record("receipt", serial="R9")])
        assert months(new)[-1] == (NOW, 1)
