import gzip
import json
import random
import shutil
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect
from sqlalchemy.engine import make_url

from qc.ledger.ledger import Ledger
from qc.ledger.verify import verify
from tests.maker import (
    CATALOG,
    all_answers,
    answer,
    fields,
    run,
    write_catalog,
    write_csv,
    write_jsonl,
    write_shop,
)


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    return write_shop(tmp_path_factory.mktemp("logs"))


@pytest.fixture(scope="module")
def expected(logs, tmp_path_factory):
    """The answers of one clean import, on SQLite."""
    db = f"sqlite:///{tmp_path_factory.mktemp('clean')}/clean.sqlite"
    answer(db, "import", logs)
    return all_answers(db)


def proved(db):
    with Ledger(db) as ledger, ledger.reading() as connection:
        proof = verify(connection)
    assert proof.first_bad is None
    return proof.records


def test_an_import_counts_what_it_took_and_again_what_it_holds(db, logs, tmp_path):
    first = answer(db, "import", logs, "--refused", tmp_path / "refused")
    again = answer(db, "import", logs, "--refused", tmp_path / "refused")
    assert first["already_held"] == 0
    assert first["accepted"] == again["already_held"] == proved(db)
    assert again["accepted"] == 0
    assert first["refused"] == again["refused"] == 1
    for report in (first, again):
        for name in ("accepted", "already_held", "refused"):
            assert sum(file[name] for file in report["files"]) == report[name]
        for file in report["files"]:
            members = "file accepted already_held refused unknown_columns refusals"
            assert list(file) == members.split()
    (refusal,) = [r for file in first["files"] for r in file["refusals"]]
    assert refusal == {
        "line": 2, "field": "gross_g", "value": "heavy", "reason": "expected a number above 0",
    }  # fmt: skip


def test_both_databases_give_the_answers_of_a_clean_import(db, logs, expected):
    answer(db, "import", logs)
    assert all_answers(db) == expected
    assert {flag["flag"] for flag in expected["flags --all"]} >= {
        "weight-over-claim", "measurement-out", "finding", "impact-early", "gauge-suspect",
        "gauge-overdue", "unbalance",
    }  # fmt: skip


def test_files_taken_one_at_a_time_in_any_order_give_the_same_answers(db, logs, expected):
    answer(db, "import", logs / "catalog.toml")
    files = [path for path in logs.rglob("*_*") if path.is_file()]
    random.Random(3).shuffle(files)
    for path in files:
        answer(db, "import", path)
    assert all_answers(db) == expected


def test_chunks_of_any_size_give_the_same_answers(db, logs, expected, monkeypatch):
    monkeypatch.setattr("qc.ledger.gathering.CHUNK", 7)
    answer(db, "import", logs)
    assert all_answers(db) == expected


@pytest.mark.owner
def test_a_rebuild_gives_the_same_answers(db, logs, expected):
    answer(db, "import", logs)
    assert answer(db, "rebuild") == {"records": proved(db)}
    assert all_answers(db) == expected


@pytest.mark.parametrize("name", ["impact-repeat", "impact-step", "weights"])
def test_a_shop_sent_file_by_file_in_any_order_gives_the_answers_of_one_import(
    databases, name, tmp_path
):
    shop = Path(__file__).parent.parent / "shops" / name / "logs"
    whole, single = databases.new(), databases.new()
    answer(whole, "import", shop)
    files = sorted(path for path in shop.rglob("*") if path.is_file())
    answer(single, "import", shop / "catalog.toml")
    random.Random(5).shuffle(files)
    for path in files:
        run("import", path, "--db", single, "--refused", tmp_path)
    assert all_answers(single) == all_answers(whole)


def test_the_same_records_under_another_name_and_form_are_held_already(db, logs, tmp_path):
    answer(db, "import", logs)
    before = proved(db)
    copy = tmp_path / "again"
    shutil.copytree(logs / "bench", copy / "elsewhere")
    for path in copy.rglob("*.csv"):
        text = path.read_bytes().replace(b"\r\n", b"\n").decode()
        path.with_suffix(".csv.gz").write_bytes(gzip.compress(text.encode("utf-16")))
        path.unlink()
    report = answer(db, "import", copy)
    assert (report["accepted"], proved(db)) == (0, before)
    assert report["already_held"] > 100


def test_one_number_written_in_three_ways_is_one_record(db, tmp_path):
    write_catalog(tmp_path)
    row = fields("measurement")
    write_csv(tmp_path / "measurement-a.csv", [row | {"value": "12,5"}], ";")
    write_csv(tmp_path / "measurement-b.csv", [row | {"value": "12.50"}])
    write_jsonl(tmp_path / "c.jsonl", [row | {"value": 12.5}])
    files = answer(db, "import", tmp_path)["files"]
    assert sorted((f["accepted"], f["already_held"]) for f in files[1:]) == [
        (0, 1), (0, 1), (1, 0),
    ]  # fmt: skip


def test_a_conflict_is_refused_with_the_field_that_differs(db, tmp_path):
    write_catalog(tmp_path)
    name = "123e4567-e89b-42d3-a456-426614174000"
    rows = [fields("weighing", record_id=name), fields("weighing", record_id=name, gross_g=455)]
    write_csv(tmp_path / "weighing-a.csv", rows)
    report = answer(db, "import", tmp_path, "--refused", tmp_path / ".refused")
    (refusal,) = report["files"][1]["refusals"]
    assert (refusal["line"], refusal["field"], refusal["value"]) == (3, "record_id", name)
    assert "another gross_g" in refusal["reason"]
    assert answer(db, "import", tmp_path, "--refused", tmp_path / ".refused")["refused"] == 1


def test_refused_lines_come_back_as_a_file_that_can_be_mended_and_imported(db, tmp_path):
    write_catalog(tmp_path)
    rows = [fields("weighing"), fields("weighing", serial="R2", gross_g="4,5,0"),
            fields("weighing", serial="R3", gauge="S11")]  # fmt: skip
    log = write_csv(tmp_path / "weighing-monday.csv", rows, ";")
    out = tmp_path / "mend"
    code, _, _ = run("import", tmp_path / "catalog.toml", log, "--db", db, "--refused", out)
    assert code == 1
    mended = out / "weighing-monday.refused.csv"
    text = mended.read_text()
    assert "not a gauge of the catalog; nearest known: S1" in text
    assert text.count("\n") == 3
    assert run("import", mended, "--db", db, "--refused", out)[0] == 1
    mended.write_text(text.replace("4,5,0", "450").replace("S11", "S1"))
    report = answer(db, "import", mended, "--refused", out)
    assert (report["accepted"], report["refused"]) == (2, 0)
    assert answer(db, "import", log, "--refused", out)["already_held"] == 1


def test_refused_lines_lie_beside_the_database_unless_told_otherwise(sqlite, tmp_path):
    write_catalog(tmp_path)
    write_jsonl(tmp_path / "x.jsonl", [fields("weighing", gross_g=-1)])
    answer(sqlite.empty(), "import", tmp_path)
    kept = json.loads((tmp_path / "refused" / "x.refused.jsonl").read_text())
    assert kept["refused_because"] == "gross_g: expected a number above 0"


def test_a_dry_run_tells_what_would_happen_and_stores_nothing(db, logs, tmp_path):
    write_catalog(tmp_path)
    answer(db, "import", tmp_path)
    before, held = all_answers(db), proved(db)
    report = answer(db, "import", logs, "--dry-run", "--refused", tmp_path / "refused")
    assert (report["accepted"] > 100, report["refused"]) == (True, 1)
    assert report["would_find"]["flags"]["weight-over-claim"] > 0
    assert (all_answers(db), proved(db)) == (before, held)
    assert not (tmp_path / "refused").exists()
    real = answer(db, "import", logs, "--refused", tmp_path / "refused")
    assert all(real[name] == report[name] for name in ("accepted", "already_held", "refused"))


def test_a_dry_run_on_nothing_leaves_nothing(databases, logs):
    db = databases.empty()
    report = answer(db, "import", logs, "--dry-run")
    assert report["accepted"] > 100
    if databases.kind == "sqlite":
        assert not Path(db.removeprefix("sqlite:///")).exists()
    else:
        engine = create_engine(make_url(db))
        assert inspect(engine).get_table_names() == []
        engine.dispose()


def test_a_dry_run_on_an_empty_file_leaves_it_empty(sqlite, logs):
    db = sqlite.empty()
    file = Path(db.removeprefix("sqlite:///"))
    file.touch()
    assert answer(db, "import", logs, "--dry-run")["accepted"] > 100
    assert file.read_bytes() == b""


def test_a_dry_run_says_so_in_words(db, logs):
    code, out, _ = run("import", logs, "--dry-run", "--db", db)
    assert code == 1
    assert "Nothing was stored." in out


def test_unknown_columns_are_kept_and_named_once_for_each_file(db, tmp_path):
    write_catalog(tmp_path)
    rows = [fields("weighing", serial=f"R{i}", room_c=20 + i) for i in range(3)]
    write_csv(tmp_path / "weighing-a.csv", rows)
    assert answer(db, "import", tmp_path)["files"][1]["unknown_columns"] == ["room_c"]
    assert answer(db, "trace", "R1")["records"][0]["other"] == {"room_c": "21"}


def test_a_file_without_a_required_column_is_refused_whole(db, tmp_path):
    write_catalog(tmp_path)
    rows = [fields("weighing", serial=f"R{i}", gauge=None) for i in range(3)]
    write_csv(tmp_path / "weighing-a.csv", rows)
    file = answer(db, "import", tmp_path)["files"][1]
    assert (file["accepted"], file["refused"]) == (0, 1)
    assert (file["refusals"][0]["line"], file["refusals"][0]["field"]) == (1, "gauge")


def test_a_replacement_that_names_an_unknown_code_is_refused(db, tmp_path):
    write_catalog(tmp_path)
    name = "123e4567-e89b-42d3-a456-426614174000"
    wrong = fields("correction", of=name, replacement=fields("weighing", gauge="S9"))
    write_jsonl(tmp_path / "desk.jsonl", [fields("weighing", record_id=name), wrong])
    (refusal,) = answer(db, "import", tmp_path)["files"][1]["refusals"]
    assert (refusal["field"], refusal["value"]) == ("replacement.gauge", "S9")


@pytest.mark.parametrize("words", [["nowhere.csv"], ["photo.jpg"]])
def test_a_path_that_cannot_be_read_is_wrong_usage(db, tmp_path, monkeypatch, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "photo.jpg").touch()
    code, out, err = run("import", *words, "--db", db)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert words[0] in err


@pytest.mark.parametrize("code", ["unbalance", "bare-mass", "runout-lateral"])
def test_a_characteristic_cannot_take_a_name_that_the_program_has(db, tmp_path, code):
    extra = f'[[characteristic]]\ncode = "{code}"\nunit = "mm"\nname = "Mine"\n'
    write_catalog(tmp_path, CATALOG + extra)
    write_csv(tmp_path / "receipt-a.csv", [fields("receipt")])
    write_csv(tmp_path / "measurement-a.csv", [fields("measurement", characteristic=code)])
    report = answer(db, "import", tmp_path)
    assert [f["refused"] for f in report["files"]] == [1, 1, 0]
    (refusal,) = report["files"][0]["refusals"]
    assert (refusal["field"], refusal["value"]) == ("code", code)


def test_refused_lines_below_the_folder_that_is_read_are_not_read_again(sqlite, tmp_path):
    (tmp_path / "shop").mkdir()
    shop = write_shop(tmp_path / "shop", parts=3)
    db = sqlite.new()
    first = answer(db, "import", shop, "--refused", shop / "refused")
    again = answer(db, "import", shop, "--refused", shop / "refused")
    assert first["refused"] == again["refused"] == 1
    assert answer(db, "import", shop / "refused")["refused"] == 1
