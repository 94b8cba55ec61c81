"""`rimqc study` as it is typed: words first, and nothing written unless an engineer says so."""

import csv
import json
from decimal import Decimal
from pathlib import Path

import pytest

from qc.catalog.entries import Gauge
from tests.maker import CATALOG, accept, answer, record, run, take_catalog

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture
def handbook(tmp_path):
    """The study of the handbook (AIAG) as a file with semicolons and decimal commas."""
    with (REFERENCE / "aiag_grr.csv").open(newline="") as file:
        rows = [
            (r["part"], r["appraiser"], r["trial"], r["value"].replace(".", ","))
            for r in csv.DictReader(file)
        ]
    path = tmp_path / "handbook.csv"
    with path.open("w", newline="") as file:
        csv.writer(file, delimiter=";").writerows([("part", "inspector", "repeat", "value"), *rows])
    return path


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def catalog_size(ledger):
    return len(ledger.catalog().recorded)


def test_a_study_needs_no_database(handbook, tmp_path):
    db = f"sqlite:///{tmp_path}/none.sqlite"
    code, out, err = run("study", handbook, "--limit=-4:4", "--unit", "mm", "--db", db)
    assert (code, err) == (0, "")
    assert out.startswith("The gauge may do, depending on what hangs on the verdict, for the limit")
    assert "Standard deviation" in out
    assert "Of tolerance, %" in out
    assert not (tmp_path / "none.sqlite").exists()


def test_the_handbook_study_has_its_published_numbers(handbook, usual):
    # AIAG: gauge 0.302373 and 1.085 in all by variances, 0.30575 by ranges
    found = answer(usual, "study", handbook)
    assert found["gauge_sd"] == pytest.approx(0.302373, abs=3e-6)
    assert found["by_ranges"]["gauge_sd"] == pytest.approx(0.30575, abs=5e-5)
    assert found["verdict"] == "depends"
    assert found["answers"][0].startswith("The gauge may do")


def test_limits_and_unit_come_from_the_catalog(db, shop, tmp_path):
    rows = [(p, i, k, 440 + 3 * p + (0.2 if k == 2 else 0) + (0.1 if i == "B" else 0))
            for p in range(6) for i in "AB" for k in (1, 2)]  # fmt: skip
    path = tmp_path / "scale.csv"
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([("part", "inspector", "repeat", "value"), *rows])
    found = answer(db, "study", path, "--characteristic", "bare-mass", "--model", "D50")
    assert (found["tolerance"]["lower"], found["tolerance"]["upper"]) == (435, 460)
    assert found["unit"] == "g"
    assert found["verdict"] == "good-enough"


def test_the_entry_is_shown_and_nothing_is_written(db, shop, handbook):
    before = catalog_size(shop)
    found = answer(db, "study", handbook, "--gauge", "S1")
    assert (found["u_before"], found["u"], found["recorded"]) == (0.3, 0.31, False)
    assert found["entry"].startswith('[[gauge]]\ncode = "S1"\nmeasures = "mass"\n')
    code, out, _ = run("study", handbook, "--gauge", "S1", "--db", db)
    assert code == 0
    assert "u of S1 is 0.3; the study would make it 0.31" in out
    assert "Nothing was recorded." in out
    assert catalog_size(shop) == before


ACCEPT = ["--gauge", "S1", "--accept", "--by", "ann", "--reason", "new table"]


def test_an_engineer_records_the_uncertainty_once(db, shop, handbook):
    before = catalog_size(shop)
    found = answer(db, "study", handbook, *ACCEPT)
    assert found["recorded"]
    assert catalog_size(shop) == before + 1
    gauge = shop.catalog().gauge("S1")
    assert gauge.u == Decimal("0.31")
    assert gauge.due == next(
        item.entry.due for item in shop.catalog().recorded
        if isinstance(item.entry, Gauge) and item.entry.code == "S1"
    )  # fmt: skip
    assert gauge.other["u_by"] == "ann"
    assert gauge.other["study"].startswith("handbook.csv: 10 parts")
    assert answer(db, "verify")["ok"]
    # the same decision again changes nothing
    assert not answer(db, "study", handbook, *ACCEPT)["recorded"]
    assert "The catalog says so already." in run("study", handbook, *ACCEPT, "--db", db)[1]
    assert catalog_size(shop) == before + 1


def test_yesterdays_weighings_keep_their_uncertainty(db, shop, handbook):
    accept(shop, [record("receipt"), record("weighing")])
    before = answer(db, "trace", "R1")["quantities"]
    answer(db, "study", handbook, *ACCEPT)
    assert answer(db, "trace", "R1")["quantities"] == before


def test_what_was_recorded_imports_as_already_held(db, shop, handbook, tmp_path):
    found = answer(db, "study", handbook, *ACCEPT)
    path = tmp_path / "again" / "catalog.toml"
    path.parent.mkdir()
    path.write_text(found["entry"])
    assert answer(db, "import", path)["already_held"] == 1


def test_only_a_person_of_the_catalog_decides(db, ledger, tmp_path, handbook):
    people = CATALOG + '\n[[inspector]]\ncode = "ann"\nname = "Ann"\n'
    take_catalog(ledger, tmp_path, people)
    words = [word if word != "ann" else "bo" for word in ACCEPT]
    code, _, err = run("study", handbook, *words, "--db", db)
    assert code == 2
    assert "--by bo: not an inspector of the catalog" in err
    assert answer(db, "study", handbook, *ACCEPT)["recorded"]


def test_the_readings_are_drawn_into_one_file(tmp_path, usual, handbook):
    page = tmp_path / "study.html"
    code, _, err = run("study", handbook, "--plot", page, "--db", usual)
    assert (code, err) == (0, "")
    text = page.read_text(encoding="utf-8")
    assert "plotly.js v" in text
    assert '<script src="http' not in text


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["--limit", "1:2", "--characteristic", "bore"], "not both"),
        (["--characteristic", "bore"], "--characteristic wants --model"),
        (["--characteristic", "x", "--model", "D50"], "no limit in force on x of D50 at rim"),
        (["--accept"], "--accept wants --gauge CODE, --by CODE and --reason TEXT"),
        (["--accept", "--gauge", "S1", "--by", "ann"], "--accept wants"),
        (["--by", "ann"], "--by and --reason go with --accept"),
        (["--limit", ":"], "write LOWER:UPPER"),
        (["--limit", "a:b"], "--limit 'a': expected a number"),
        (["--limit", "5:4"], "the lower limit 5 must lie below the upper 4"),
        (["--gauge", "S9"], "--gauge S9: not a gauge of the catalog"),
        (["--calibration", "-1"], "--calibration -1: must be 0 or more"),
        (["--plot", "study.pdf"], "name it FILE.html"),
    ],
)
def test_a_question_that_makes_no_sense_is_wrong_usage(usual, handbook, words, reason):
    code, out, err = run("study", handbook, *words, "--db", usual)
    assert code == 2
    assert reason in err
    assert out == ""


def test_bad_lines_are_named_and_nothing_is_answered(tmp_path, usual):
    path = tmp_path / "s.csv"
    path.write_text("part,inspector,repeat,value\n1,A,1,heavy\n")
    code, out, err = run("study", path, "--db", usual)
    assert (code, out) == (1, "")
    assert "line 2, value 'heavy': expected a number" in err


def test_json_and_csv_carry_the_numbers(usual, handbook):
    out = run("study", handbook, "--format", "csv", "--db", usual)[1]
    assert out.splitlines()[0].startswith("component,is,sd,sd_lower,sd_upper,variance")
    code, out, _ = run("study", handbook, "--format", "json", "--db", usual)
    assert code == 0
    assert "readings" not in json.loads(out)
