import json
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select, text

from qc.ledger import triggers
from qc.ledger.ledger import Ledger
from qc.ledger.rebuild import rebuild
from qc.ledger.tables import Head, Journal, Seal
from qc.ledger.types import id_bytes
from qc.ledger.verify import verify
from qc.records.canonical import body, digest, from_body
from tests.maker import accept, fields, record, run, take_catalog, write_jsonl

# who tampers is one who could
pytestmark = pytest.mark.owner


@pytest.fixture
def shop(ledger, tmp_path):
    """Three seals: the catalog, R1 (received, weighed, measured), R2 (received, weighed)."""
    take_catalog(ledger, tmp_path)
    accept(ledger, [record("receipt"), record("weighing"), record("runout")])
    accept(ledger, [record("receipt", serial="R2"), record("weighing", serial="R2")])
    return ledger


def proof(ledger, seal=None):
    with ledger.reading() as connection:
        return verify(connection, seal)


def tamper(ledger, *statements, **values):
    """Change the journal behind its triggers, and put these back."""
    with ledger.writing() as connection:
        triggers.drop(connection)
        for statement in statements:
            assert connection.execute(text(statement), values).rowcount > 0
        triggers.create(connection)


def kept_digest(body_now):
    return bytes.fromhex(digest(body_now.encode()))


def rows(ledger):
    with ledger.reading() as connection:
        return connection.execute(
            select(Journal.position, Journal.kind, Journal.serial, Journal.body, Journal.record_id)
            .order_by(Journal.position)
        ).all()  # fmt: skip


def where(ledger, kind, serial="R1"):
    return next(row for row in rows(ledger) if (row.kind, row.serial) == (kind, serial))


def test_an_untouched_journal_is_as_it_was_taken_in(shop):
    assert proof(shop) == (len(rows(shop)), None)


def test_records_and_catalog_entries_are_counted_and_nothing_else(shop):
    kinds = [row.kind for row in rows(shop)]
    assert proof(shop).records == kinds.count("catalog") + 5


def test_an_empty_journal_holds(ledger):
    assert proof(ledger) == (0, None)


def test_a_changed_record_is_found(shop):
    row = where(shop, "weighing")
    changed = row.body.replace('"450"', '"440"')
    assert changed != row.body
    tamper(shop, "UPDATE journal SET body = :b WHERE position = :p", b=changed, p=row.position)
    assert proof(shop) == (
        row.position,
        f"position {row.position}: record {row.record_id} was changed",
    )


def test_a_changed_record_is_found_though_its_digest_was_made_anew(shop):
    row = where(shop, "weighing")
    changed = row.body.replace('"450"', '"440"')
    tamper(
        shop, "UPDATE journal SET body = :b, digest = :d WHERE position = :p",
        b=changed, d=kept_digest(changed), p=row.position,
    )  # fmt: skip
    assert proof(shop).first_bad == "seal 2: its digest is not that of its records"


def test_spaces_put_into_a_record_are_found(shop):
    row = where(shop, "weighing")
    changed = row.body.replace(",", ", ", 1)
    tamper(
        shop, "UPDATE journal SET body = :b, digest = :d WHERE position = :p",
        b=changed, d=kept_digest(changed), p=row.position,
    )  # fmt: skip
    assert "not in its canonical form" in proof(shop).first_bad


def test_a_record_that_is_no_record_any_more_is_found(shop):
    row = where(shop, "weighing")
    tamper(
        shop, "UPDATE journal SET body = :b, digest = :d WHERE position = :p",
        b="{}", d=kept_digest("{}"), p=row.position,
    )  # fmt: skip
    assert "cannot be read" in proof(shop).first_bad


def test_a_removed_record_is_found(shop):
    row = where(shop, "runout")
    tamper(shop, "DELETE FROM journal WHERE position = :p", p=row.position)
    assert proof(shop).first_bad.startswith(f"position {row.position}: missing")


def test_the_last_record_removed_is_found(shop):
    row = rows(shop)[-1]
    tamper(shop, "DELETE FROM journal WHERE position = :p", p=row.position)
    assert proof(shop).first_bad == f"position {row.position}: missing from seal 3"


def test_a_record_removed_and_the_others_moved_up_is_found(shop):
    tamper(
        shop, "DELETE FROM journal WHERE position = :p",
        "UPDATE journal SET position = -position WHERE position > :p",
        "UPDATE journal SET position = -position - 1 WHERE position < 0",
        p=where(shop, "weighing").position,
    )  # fmt: skip
    assert proof(shop).first_bad == "seal 2: its digest is not that of its records"


def added(ledger, position):
    new = body(record("weighing", serial="R9"))
    item = from_body(new)
    tamper(
        ledger,
        "INSERT INTO journal (position, record_id, kind, taken_at, serial, gauge, digest, body) "
        "SELECT :p, :i, kind, taken_at, 'R9', 'S1', :d, :b FROM journal "
        "WHERE kind = 'weighing' AND serial = 'R1'",
        p=position, i=id_bytes(item.record_id), d=kept_digest(new.decode()), b=new.decode(),
    )  # fmt: skip
    return item.record_id


def test_a_record_put_in_at_the_end_is_found(shop):
    end = len(rows(shop)) + 1
    name = added(shop, end)
    assert proof(shop).first_bad == f"position {end}: record {name} is not sealed"


def test_a_record_put_in_between_is_found(shop):
    at = where(shop, "runout").position
    tamper(
        shop, "UPDATE journal SET position = -position WHERE position >= :p",
        "UPDATE journal SET position = -position + 1 WHERE position < 0", p=at,
    )  # fmt: skip
    added(shop, at)
    assert proof(shop).first_bad == "seal 2: its digest is not that of its records"


@pytest.mark.parametrize(("one", "two"), [(("weighing", "R1"), ("runout", "R1")),
                                          (("weighing", "R1"), ("weighing", "R2"))])  # fmt: skip
def test_two_records_that_changed_places_are_found(shop, one, two):
    first, second = where(shop, *one).position, where(shop, *two).position
    tamper(
        shop, "UPDATE journal SET position = -1 WHERE position = :a",
        "UPDATE journal SET position = :a WHERE position = :b",
        "UPDATE journal SET position = :b WHERE position = -1", a=first, b=second,
    )  # fmt: skip
    assert proof(shop).first_bad == "seal 2: its digest is not that of its records"


@pytest.mark.parametrize(
    "change", ["serial = 'R7'", "gauge = 'S2'", "kind = 'runout'", "batch = 'B1'", "checked = 'S1'",
               "taken_at = '2026-02-03 10:00:00'", "serial = NULL"],
)  # fmt: skip
def test_a_record_filed_under_something_else_is_found(shop, change):
    row = where(shop, "weighing")
    tamper(shop, f"UPDATE journal SET {change} WHERE position = :p", p=row.position)
    assert "is filed under something else than it says" in proof(shop).first_bad


def test_a_record_filed_under_another_identity_is_found(shop):
    row = where(shop, "weighing")
    other = "123e4567-e89b-42d3-a456-426614174000"
    tamper(
        shop,
        "UPDATE journal SET record_id = :o WHERE position = :p",
        o=id_bytes(other),
        p=row.position,
    )
    assert proof(shop).first_bad == (
        f"position {row.position}: record {other} is filed under something else than it says"
    )


@pytest.mark.parametrize(
    ("change", "found"),
    [("UPDATE identity SET position = position + 1", "is not found by its identity"),
     ("DELETE FROM identity WHERE position = 1", "position 1: record "),
     ("INSERT INTO identity SELECT digest, 1 FROM journal WHERE position = 1", "27 records")],
)  # fmt: skip
def test_an_identity_that_leads_elsewhere_is_found_and_a_rebuild_mends_it(shop, change, found):
    with shop.writing() as connection:
        connection.execute(text(change))
    assert found in proof(shop).first_bad
    with shop.writing() as connection:
        rebuild(connection)
    assert proof(shop).first_bad is None


@pytest.mark.parametrize(
    "change", ["digest = '0'", "previous = '0'", "records = records + 1", "number = 9",
               "records = records - 1", "first_position = 1", "records = -1",
               "sealed_at = '2026-01-01 00:00:00'"],
)  # fmt: skip
def test_a_changed_seal_is_found(shop, change):
    tamper(shop, f"UPDATE seal SET {change} WHERE number = 2")
    assert proof(shop).first_bad


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_removed_seal_is_found(shop, number):
    tamper(shop, f"DELETE FROM seal WHERE number = {number}")
    assert proof(shop).first_bad


def test_a_dropped_trigger_is_found(shop):
    dialect = shop.engine.dialect.name
    for name in triggers.wanted(dialect):
        on = "" if dialect == "sqlite" else f" ON {name.partition('_')[0]}"
        with shop.writing() as connection:
            connection.execute(text(f"DROP TRIGGER {name}{on}"))
        assert proof(shop).first_bad == f"trigger {name} is missing: the journal could be changed"
        with shop.writing() as connection:
            triggers.create(connection)
    assert proof(shop).first_bad is None


def test_a_trigger_that_refuses_nothing_is_found(shop):
    change = {
        "sqlite": """DROP TRIGGER seal_no_update;
            CREATE TRIGGER seal_no_update BEFORE UPDATE ON seal BEGIN SELECT 1; END""",
        "postgresql": """CREATE OR REPLACE FUNCTION rimqc_refuse_change() RETURNS trigger
            LANGUAGE plpgsql AS $$BEGIN RETURN NEW; END$$""",
    }
    with shop.writing() as connection:
        for statement in change[shop.engine.dialect.name].split(";\n"):
            connection.execute(text(statement))
    assert proof(shop).first_bad.startswith("trigger ")


def test_a_trigger_put_out_of_force_is_found(postgresql):
    with Ledger(postgresql.new()) as ledger:
        with ledger.writing() as connection:
            connection.execute(text("ALTER TABLE journal DISABLE TRIGGER journal_no_change"))
        assert "journal_no_change" in proof(ledger).first_bad


def seals(ledger):
    with ledger.reading() as connection:
        return connection.execute(select(Seal.digest).order_by(Seal.number)).scalars().all()


def cut_off_the_last_seal(ledger):
    noted = seals(ledger)
    first = where(ledger, "receipt", "R2").position
    tamper(
        ledger, "DELETE FROM journal WHERE position >= :p", "DELETE FROM seal WHERE number = 3",
        p=first,
    )  # fmt: skip
    return first, noted


def test_an_end_that_was_cut_off_is_found(shop):
    cut_off_the_last_seal(shop)
    assert "its end was noted at" in proof(shop).first_bad


def test_an_end_that_was_cut_off_with_all_its_traces_is_found_by_a_noted_seal(shop):
    first, noted = cut_off_the_last_seal(shop)
    with shop.writing() as connection:
        connection.execute(
            text("UPDATE head SET position = :p, seal = 2, seal_digest = :d"),
            {"p": first - 1, "d": noted[1]},
        )
    assert "an end was cut off" in proof(shop).first_bad
    with shop.writing() as connection:
        connection.execute(text("DELETE FROM identity WHERE position >= :p"), {"p": first})
    assert proof(shop).first_bad is None  # nothing within the database tells of it
    assert proof(shop, noted[1]).first_bad is None
    assert proof(shop, noted[2]).first_bad.startswith("the noted seal is not in this journal")


def test_a_journal_whose_end_is_noted_nowhere_does_not_hold(shop):
    with shop.writing() as connection:
        connection.execute(text("DELETE FROM head"))
    assert proof(shop).first_bad


def test_every_seal_noted_elsewhere_is_found_again(shop):
    assert [proof(shop, seal).first_bad for seal in seals(shop)] == [None] * 3
    assert proof(shop, "f" * 64).first_bad


def test_the_command_says_what_is_wrong_and_ends_with_one(shop, db):
    assert run("verify", "--db", db)[0] == 0
    row = where(shop, "weighing")
    tamper(shop, "UPDATE journal SET serial = 'R7' WHERE position = :p", p=row.position)
    code, out, err = run("verify", "--db", db)
    assert (code, err) == (1, "")
    assert row.record_id in out


@pytest.mark.parametrize(
    "change", ["journal SET taken_at = 'noon'", "journal SET body = 7",
               "journal SET digest = x'00'",
               "journal SET body = x'ff'", "seal SET sealed_at = 'noon'", "seal SET records = -1",
               "seal SET records = 'x'"],
)  # fmt: skip
def test_values_of_another_type_are_found(sqlite, tmp_path, change):
    with Ledger(sqlite.new()) as ledger:
        take_catalog(ledger, tmp_path)
        tamper(ledger, f"UPDATE {change}")
        assert proof(ledger).first_bad


def test_the_end_of_the_journal_is_noted(shop):
    with shop.reading() as connection:
        position, digest_now = connection.execute(select(Head.position, Head.seal_digest)).one()
    assert (position, digest_now) == (len(rows(shop)), seals(shop)[-1])


def test_a_clock_that_was_set_back_is_told_of_and_the_journal_holds(db, tmp_path, monkeypatch):
    def at(moment):
        told = datetime.fromisoformat(moment)
        monkeypatch.setattr("qc.ledger.ledger.now", lambda: told)

    at("2026-03-02T08:00:00Z")
    with Ledger(db) as ledger:
        take_catalog(ledger, tmp_path)
        at("2026-03-02T07:59:30Z")  # another server's clock, half a minute behind
        accept(ledger, [record("receipt")])
        at("2026-02-02T08:00:00Z")
        accept(ledger, [record("weighing")])
    code, out, _ = run("--db", db, "verify")
    assert code == 0
    assert "Before seal 3 the clock was set back from 2026-03-02T07:59:30Z to" in out
    _, out, _ = run("--db", db, "verify", "--format", "json")
    assert json.loads(out) == {
        "records": json.loads(out)["records"],
        "ok": True,
        "clock_set_back": [
            {"seal": 3, "from": "2026-03-02T07:59:30Z", "to": "2026-02-02T08:00:00Z"}
        ],
    }


def test_whoever_imports_while_the_clock_is_behind_the_last_seal_is_told(db, tmp_path, monkeypatch):
    with Ledger(db) as ledger:
        take_catalog(ledger, tmp_path)
    log = write_jsonl(tmp_path / "receipts.jsonl", [fields("receipt")])
    back = datetime.now(UTC) - timedelta(days=40)
    monkeypatch.setattr("qc.commands.intake.now", lambda: back)
    code, _, err = run("--db", db, "import", log)
    assert code == 0
    (told,) = err.splitlines()
    assert told.startswith(f"rimqc: the clock of this machine says {back:%Y-%m-%d %H:%M} UTC")
    monkeypatch.undo()
    assert run("--db", db, "import", log)[2] == ""
