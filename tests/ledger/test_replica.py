"""Where screens read: never older than the database itself, whatever becomes of the replica.

Here a replica is another database with the same rows; `tests.faults.cluster` has real ones.
"""

import psycopg
import pytest
from sqlalchemy import insert, select

from qc.errors import RimqcError
from qc.ledger import replica
from qc.ledger.engine import DatabaseError
from qc.ledger.ledger import Ledger
from qc.ledger.replica import Reads, check_replica, moment
from qc.ledger.tables import Head, Journal, Seal
from tests.maker import accept, record, run, take_catalog

# a replica is written to behind its back
pytestmark = [pytest.mark.postgres, pytest.mark.owner]


@pytest.fixture
def shop(postgresql, tmp_path):
    """A database, and one that follows it when told to."""
    with Ledger(postgresql.new()) as own, Ledger(postgresql.new()) as copy:
        take_catalog(own, tmp_path)
        accept(own, [record("receipt"), record("weighing")])
        follow(own, copy)
        yield own, copy


@pytest.fixture
def reading():
    """Makes what reads of a database and of its replica."""
    made = []

    def reads(own, url=None):
        made.append(Reads(own, url))
        return made[-1]

    yield reads
    for one in made:
        one.close()


def follow(own, copy):
    """The replica receives what it lacks."""
    with own.reading() as there, copy.writing() as here:
        for table, number in ((Journal, Journal.position), (Seal, Seal.number), (Head, Head.id)):
            if table is Head:
                here.execute(Head.__table__.delete())
            held = set(here.execute(select(number)).scalars())
            rows = there.execute(select(*table.__table__.columns)).mappings()
            lacking = [dict(row) for row in rows if row[number.name] not in held]
            if lacking:
                here.execute(insert(table), lacking)


def address(ledger):
    return ledger.url.render_as_string(hide_password=False)


def where(reads):
    """Which database answers, and how many records it holds."""

    def question(ledger, connection):
        return ledger.url.database, connection.execute(select(Head.position)).scalar()

    return reads.ask(reads.moment(), question)


def test_screens_read_from_a_replica_that_holds_what_the_database_holds(shop, capfd, reading):
    own, copy = shop
    database, position = where(reading(own, address(copy)))
    assert (database, position > 2) == (copy.url.database, True)
    assert where(reading(own)) == (own.url.database, position)
    assert capfd.readouterr().err == ""


def test_what_was_just_written_is_read_where_it_stands_and_said_once(shop, capfd, reading):
    own, copy = shop
    reads = reading(own, address(copy))
    _, before = where(reads)
    accept(own, [record("inspection")])
    assert where(reads) == where(reads) == (own.url.database, before + 1)
    said = capfd.readouterr().err
    assert said.count("\n") == 1
    assert "screens read from --db itself: the replica has not reached seal" in said


def test_a_replica_that_has_caught_up_is_read_from_again(shop, capfd, monkeypatch, reading):
    own, copy = shop
    reads = reading(own, address(copy))
    monkeypatch.setattr(replica, "LEFT_ALONE_S", 0)
    accept(own, [record("inspection")])
    assert where(reads)[0] == own.url.database
    follow(own, copy)
    assert where(reads)[0] == copy.url.database
    assert capfd.readouterr().err.endswith("rimqc: screens read from the replica again\n")


def test_a_replica_that_fails_amid_a_question_leaves_it_to_the_database(shop, capfd, reading):
    own, copy = shop
    reads = reading(own, address(copy))
    with copy.writing() as connection:
        connection.exec_driver_sql("DROP TABLE flag")

    def question(ledger, connection):
        connection.exec_driver_sql("SELECT count(*) FROM flag")
        return ledger.url.database

    assert reads.ask(reads.moment(), question) == own.url.database
    assert 'relation "flag" does not exist' in capfd.readouterr().err


def test_a_fault_of_the_question_is_none_of_the_replica(shop, reading):
    own, copy = shop
    reads = reading(own, address(copy))

    def question(ledger, connection):
        raise RimqcError(f"asked of {ledger.url.database}")

    with pytest.raises(RimqcError, match=str(copy.url.database)):
        reads.ask(reads.moment(), question)
    assert where(reads)[0] == copy.url.database


def test_a_replica_that_is_away_costs_nobody_an_answer(shop, capfd, reading):
    own, _ = shop
    away = own.url.set(port=1).render_as_string(hide_password=False)
    check_replica(own, away)
    assert where(reading(own, away))[0] == own.url.database
    said = capfd.readouterr().err.splitlines()
    assert len(said) == 2
    assert all("Connection refused" in line for line in said)


def test_the_replica_of_another_journal_is_found_out(shop, postgresql, tmp_path, capfd, reading):
    own, _ = shop
    with Ledger(postgresql.new()) as other:
        take_catalog(other, tmp_path)
        accept(other, [record("receipt", serial="X"), record("weighing", serial="X")])
        accept(other, [record("inspection", serial="X")])
        with pytest.raises(DatabaseError, match="is another one there") as refused:
            check_replica(own, address(other))
        assert refused.value.exit_code == 2
        assert where(reading(own, address(other)))[0] == own.url.database
    assert "no replica of --db" in capfd.readouterr().err


def test_what_cannot_be_a_replica_is_refused_by_name(shop, postgresql, sqlite):
    own, copy = shop
    with pytest.raises(RimqcError, match="names --db itself"):
        check_replica(own, address(own))
    with pytest.raises(RimqcError, match="for a replica of a PostgreSQL database"):
        check_replica(own, sqlite.new())
    empty = postgresql.empty().replace("postgres@", "postgres:a-secret@")
    with pytest.raises(RimqcError, match="has schema none, and this program") as refused:
        check_replica(own, empty)
    assert "a-secret" not in str(refused.value)
    with psycopg.connect(address(copy).replace("+psycopg", "")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0001'")
    with pytest.raises(RimqcError, match="has schema 0001, and this program"):
        check_replica(own, address(copy))


def test_one_list_of_servers_serves_for_both_where_another_of_them_is_asked_for(shop, capfd):
    own, _ = shop
    servers = f"postgresql://postgres@/{own.url.database}?host=127.0.0.1:1,127.0.0.1:5432"
    with Ledger(f"{servers}&target_session_attrs=read-write") as writes:
        check_replica(writes, f"{servers}&target_session_attrs=prefer-standby")
        with pytest.raises(RimqcError, match="names --db itself"):
            check_replica(writes, f"{servers}&target_session_attrs=read-write")
    assert capfd.readouterr().err == ""


def test_a_server_that_stands_by_takes_no_writes_and_is_named_as_such(shop):
    own, _ = shop
    where = address(own).replace("@127.0.0.1:5432/", "@/")
    with pytest.raises(DatabaseError, match="not in hot standby mode"):
        Ledger(f"{where}?host=127.0.0.1:5432,127.0.0.1:5432&target_session_attrs=standby")
    read_only = f"{where}?host=127.0.0.1:5432&options=-c%20default_transaction_read_only%3Don"
    with (
        Ledger(read_only) as standby,
        pytest.raises(DatabaseError, match="this server is a standby; name the one that takes"),
    ):
        accept(standby, [record("inspection")])


def test_every_server_of_a_list_that_is_away_is_named():
    with pytest.raises(DatabaseError) as fault:
        Ledger("postgresql://me@/rims?host=127.0.0.1:1,127.0.0.1:2")
    assert "port 1 failed: Connection refused; connection to" in str(fault.value)
    assert "port 2 failed: Connection refused; none of them serves this now" in str(fault.value)


def test_an_answer_is_asked_anew_when_drift_was_judged(shop, reading):
    own, _ = shop
    reads = reading(own)
    before = reads.moment()
    with own.writing() as connection:
        accept(connection, [record("weighing", record_id=None, gross_g=451)], own)
    unsettled = reads.moment()
    own.settle()
    settled = reads.moment()
    assert (before.settled, unsettled.settled, settled.settled) == (True, False, True)
    assert unsettled.seal == settled.seal == before.seal + 1


def test_after_the_database_was_away_the_next_question_is_answered_and_the_catalog_read_anew(shop):
    """A standby that took over may lack an entry, and hold another one at its place."""
    own, copy = shop
    catalog = own.catalog()
    assert own.catalog() is catalog
    with copy.writing() as connection:
        connection.exec_driver_sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s",
            (own.url.database,),
        )
    assert own.catalog() is not catalog


def test_an_empty_database_is_read_from_its_empty_replica(postgresql, reading):
    with Ledger(postgresql.new()) as own, Ledger(postgresql.new()) as copy:
        reads = reading(own, address(copy))
        assert reads.ask(reads.moment(), lambda ledger, _: ledger.url.database) == copy.url.database
        with own.reading() as connection:
            assert moment(connection) == (0, "", True)


def test_a_server_does_not_begin_with_its_own_database_as_its_replica(postgresql):
    db = postgresql.new()
    code, out, err = run("--db", db, "serve", "--port", "0", "--read-db", db)
    assert (code, out) == (2, "")
    assert "RIMQC_READ_DB names --db itself" in err
