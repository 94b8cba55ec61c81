import pytest
from sqlalchemy import select, text

from qc.errors import RimqcError
from qc.ledger.bulk import insert_rows
from qc.ledger.journal import FIRST_DIGEST
from qc.ledger.ledger import Ledger
from qc.ledger.tables import Journal, Seal
from qc.ledger.verify import verify
from tests.maker import accept, correction, record, take_catalog


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def held(ledger):
    with ledger.reading() as connection:
        return connection.execute(select(Journal.record_id).order_by(Journal.position)).all()


def refused(ledger, statement):
    with pytest.raises(RimqcError, match="is never changed"), ledger.writing() as connection:
        connection.execute(text(statement))


@pytest.mark.owner
@pytest.mark.parametrize("table", ["journal", "seal"])
def test_the_journal_and_its_seals_refuse_every_change(shop, table):
    accept(shop, [record("receipt")])
    before = held(shop)
    column = "body" if table == "journal" else "digest"
    refused(shop, f"UPDATE {table} SET {column} = 'x'")
    refused(shop, f"DELETE FROM {table}")
    if shop.engine.dialect.name == "postgresql":
        refused(shop, f"TRUNCATE {table}")
        refused(shop, f"TRUNCATE {table} CASCADE")
    assert held(shop) == before
    with shop.reading() as connection:
        assert verify(connection).first_bad is None


def test_a_row_cannot_take_the_place_of_another(shop):
    accept(shop, [record("receipt")])
    verb = "INSERT OR REPLACE" if shop.engine.dialect.name == "sqlite" else "INSERT"
    fault = "is never changed" if shop.engine.dialect.name == "sqlite" else "duplicate key"
    copies = {
        "journal": ("position, record_id, kind, digest, body", "1, record_id, kind, digest, 'x'"),
        "seal": ("number, first_position, records, previous, digest, sealed_at",
                 "number, first_position, records, previous, 'x', sealed_at"),
    }  # fmt: skip
    for table, (columns, values) in copies.items():
        with pytest.raises(RimqcError, match=fault), shop.writing() as connection:
            connection.execute(
                text(f"{verb} INTO {table} ({columns}) SELECT {values} FROM {table}")
            )


def test_a_record_sent_twice_is_held_once(shop):
    weighing = record("weighing")
    assert accept(shop, [weighing]) == ["accepted"]
    assert accept(shop, [weighing]) == ["held"]
    assert accept(shop, [weighing, weighing, record("receipt")]) == ["held", "held", "accepted"]


def test_a_batch_sent_twice_is_held_once_and_a_record_twice_in_one_batch_counts_once(shop):
    batch = [record("receipt", serial=f"R{i}") for i in range(5)]
    assert accept(shop, [*batch, *batch]) == ["accepted"] * 5 + ["held"] * 5
    count = len(held(shop))
    assert accept(shop, batch) == ["held"] * 5
    assert len(held(shop)) == count


@pytest.mark.parametrize("written", ["12.50", "12.500", 12.5, "+12.5", "1.25e1", "012.5"])
def test_however_a_number_is_written_it_is_one_record(shop, written):
    assert accept(shop, [record("measurement", value="12.5")]) == ["accepted"]
    assert accept(shop, [record("measurement", value=written)]) == ["held"]


ID = "0b7f1d7c-6c1e-4b0e-9f57-3f6f1f0a5b11"


def test_another_note_is_a_conflict_where_the_station_named_the_record(shop):
    accept(shop, [record("weighing", record_id=ID, note="first")])
    (answer,) = shop.accept([record("weighing", record_id=ID, note="second")])
    assert answer == ("conflict", "note")


def test_another_note_is_the_same_record_where_content_names_it(shop):
    accept(shop, [record("weighing", note="first")])
    notes = ("second", None, "first")
    again = [record("weighing", note=note) for note in notes]
    assert [a.outcome for a in shop.accept(again)] == ["held"] * 3
    one_batch = [record("weighing", serial="R2", note=n) for n in ("first", "second")]
    assert [a.outcome for a in shop.accept(one_batch)] == ["accepted", "held"]


def test_one_identity_with_another_value_or_kind_is_a_conflict(shop):
    name = "123e4567-e89b-42d3-a456-426614174000"
    accept(shop, [record("weighing", record_id=name)])
    answers = shop.accept(
        [
            record("weighing", record_id=name, gross_g=451),
            record("weighing", record_id=name.upper()),
            record("receipt", record_id=name),
            record("weighing", record_id=name, repeat=2),
        ]
    )
    assert answers == [
        ("conflict", "gross_g"), ("held", None), ("conflict", "kind"), ("conflict", "repeat"),
    ]  # fmt: skip


def test_a_record_cannot_take_the_identity_of_a_catalog_entry(shop):
    taken = held(shop)[0][0]
    assert shop.accept([record("receipt", record_id=taken)]) == [("conflict", "record_id")]


def test_a_correction_of_a_catalog_entry_is_kept_and_changes_nothing(shop):
    entry = record("receipt", record_id=held(shop)[0][0])
    assert accept(shop, [correction(entry, void=True)]) == ["accepted"]
    assert accept(shop, [record("receipt")]) == ["accepted"]


def test_columns_that_only_the_file_knows_do_not_make_another_record(shop):
    accept(shop, [record("weighing", room="21")])
    assert accept(shop, [record("weighing", room="22"), record("weighing")]) == ["held", "held"]
    with shop.reading() as connection:
        bodies = connection.execute(select(Journal.body).where(Journal.kind == "weighing")).all()
    assert ['"room":"21"' in row[0] for row in bodies] == [True]


def test_true_repeats_with_equal_values_are_told_apart(shop):
    repeats = [record("weighing", repeat=n) for n in (None, 1, 2)]
    assert accept(shop, repeats) == ["accepted"] * 3


def test_each_seal_holds_the_one_before(shop):
    for i in range(4):
        accept(shop, [record("receipt", serial=f"R{i}"), record("weighing", serial=f"R{i}")])
    with shop.reading() as connection:
        seals = connection.execute(
            select(Seal.number, Seal.first_position, Seal.records, Seal.previous, Seal.digest)
            .order_by(Seal.number)
        ).all()  # fmt: skip
    assert [seal.number for seal in seals] == [1, 2, 3, 4, 5]
    assert [seal.previous for seal in seals] == [FIRST_DIGEST, *(s.digest for s in seals[:-1])]
    assert [s.first_position for s in seals[1:]] == [
        s.first_position + s.records for s in seals[:-1]
    ]


def test_what_is_held_already_is_not_sealed_again(shop):
    accept(shop, [record("receipt")])
    accept(shop, [record("receipt")])
    with shop.reading() as connection:
        assert len(connection.execute(select(Seal.number)).all()) == 2


def test_a_fault_after_the_journal_was_written_leaves_no_trace(shop, monkeypatch):
    accept(shop, [record("receipt")])
    before = held(shop)

    def fails(*_):
        raise RuntimeError("the judge is ill")

    with monkeypatch.context() as patch:
        patch.setattr("qc.ledger.follow.follow", fails)
        with pytest.raises(RuntimeError):
            accept(shop, [record("weighing")])
    assert held(shop) == before
    assert accept(shop, [record("weighing")]) == ["accepted"]
    with shop.reading() as connection:
        assert verify(connection) == (len(before) + 1, None)


def test_a_driver_fault_in_the_fast_road_is_told_in_one_line(shop):
    row = (9, 1, 1, "x", "x", None)
    columns = ("number", "first_position", "records", "previous", "digest", "sealed_at")

    def insert():
        with shop.writing() as connection:
            insert_rows(connection, Seal, columns, [row])

    with pytest.raises(RimqcError, match="sealed_at") as told:
        insert()
    assert str(told.value).startswith("database ")
    assert "\n" not in str(told.value)


def test_two_programs_that_find_the_journal_untouched_both_get_in(db, tmp_path):
    with Ledger(db) as one, Ledger(db) as two:
        take_catalog(one, tmp_path)
        assert accept(two, [record("receipt")]) == ["accepted"]
        assert accept(one, [record("weighing")]) == ["accepted"]
        with two.reading() as connection:
            assert verify(connection).first_bad is None


def test_a_catalog_changed_by_another_program_is_known_at_once(db, tmp_path):
    with Ledger(db) as one, Ledger(db) as two:
        take_catalog(one, tmp_path)
        accept(two, [record("receipt"), record("weighing", gross_g=459)])
        text_now = (tmp_path / "catalog.toml").read_text().replace("over_g = 10", "over_g = 5")
        take_catalog(one, tmp_path, text_now)
        with two.reading() as connection:
            claim = two.known(connection).catalog.claim("D50", "rim")
        assert claim is not None
        assert str(claim.over_g) == "5"
