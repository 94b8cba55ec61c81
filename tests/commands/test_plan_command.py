"""`rimqc plan` as it is typed."""

import json

import pytest

from qc.views.staircase import staircase
from tests.maker import accept, answer, record, run, take_catalog


@pytest.fixture
def shop(ledger, tmp_path):
    """Batch B1 with ten rims, of which one was struck and one is scrapped."""
    take_catalog(ledger, tmp_path)
    rims = [record("receipt", serial=f"R{n}") for n in range(10)]
    gone = [
        record("drop", serial="R0", height_mm=2000, damage="none"),
        record("disposition", serial="R1", decision="scrap"),
    ]
    accept(ledger, [*rims, *gone])
    return ledger


def plan(db, *words):
    return answer(db, "plan", *words)


def test_a_plan_needs_no_database(tmp_path):
    db = f"sqlite:///{tmp_path}/none.sqlite"
    found = plan(db, "--lot", 60, "--aql", "1.0")
    assert (found["n"], found["ac"], found["re"]) == (13, 0, 1)
    assert not (tmp_path / "none.sqlite").exists()


def test_the_lot_of_a_batch_leaves_out_what_was_struck_or_scrapped(db, shop):
    found = plan(db, "--reliability", 0.8, "--confidence", 0.8, "--batch", "B1", "--seed", "7")
    assert found["lot_size"] == 8
    assert found["not_in_lot"] == {"scrapped": 1, "struck": 1}
    assert len(found["serials"]) == found["n"] < 8
    assert found["left_to_sell"] == 8 - found["n"]
    assert not {"R0", "R1"} & set(found["serials"])


def test_a_printed_seed_draws_the_same_rims_again(db, shop):
    first = plan(db, "--reliability", 0.8, "--batch", "B1")
    again = plan(db, "--reliability", 0.8, "--batch", "B1", "--seed", first["seed"])
    assert again == first
    listed = plan(db, "--reliability", 0.8, "--seed", first["seed"], "--serials",
                  *(f"R{n}" for n in range(9, 1, -1)))  # fmt: skip
    assert listed["serials"] == first["serials"]


def test_people_read_the_sentence_the_seed_and_the_serials(db, shop):
    code, out, err = run("plan", "--reliability", "0.8", "--batch", "B1", "--seed", "7",
                         "--db", db)  # fmt: skip
    assert (code, err) == (0, "")
    assert out.startswith("Strike 6 of 8 parts, drawn at random. If none fails, at least 80 % of")
    assert "Seed 7; not in the lot: 1 scrapped, 1 struck." in out
    assert "Lots accepted, %" in out


def test_csv_gives_the_serials_where_there_are_any_and_else_the_risks(db, shop):
    out = run("plan", "--reliability", "0.8", "--batch", "B1", "--format", "csv", "--db", db)[1]
    assert out.splitlines()[0] == "place,serial"
    out = run("plan", "--lot", "60", "--aql", "1.0", "--format", "csv", "--db", db)[1]
    assert out.splitlines()[:2] == ["bad,bad_percent,accepted_percent", "0,0.0,100.0"]


def test_the_next_drop_comes_with_the_next_rim(db, shop):
    words = ["--staircase", "P40", "--model", "D50", "--batch", "B1", "--step", "0.5"]
    found = plan(db, *words, "--seed", "3")
    # R0 bore 2 times the standard from 2 m; the next goes one step up
    assert (found["next_multiple"], found["next_height_mm"]) == (2.5, 2500)
    assert found["serials"][0] in {f"R{n}" for n in range(2, 10)}
    code, out, _ = run("plan", *words, "--seed", "3", "--db", db)
    assert code == 0
    assert out.startswith("R0 survived at 2 ×: one step up. Strike the next part once at 2.5 ×")
    assert f"The next part is {found['serials'][0]} (seed 3)." in out
    with shop.reading() as connection:
        same = staircase(
            connection, shop.known(connection).catalog, protocol="P40", model="D50", step=0.5
        )
    assert same["next_multiple"] == 2.5


def test_the_risks_are_drawn_into_one_file(tmp_path, usual):
    page = tmp_path / "risks.html"
    code, _, err = run("plan", "--lot", "60", "--aql", "1.0", "--plot", page, "--db", usual)
    assert (code, err) == (0, "")
    text = page.read_text(encoding="utf-8")
    assert "plotly.js v" in text
    assert '<script src="http' not in text


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ([], "one of --reliability, --aql or --staircase"),
        (["--aql", "1.0", "--reliability", "0.9"], "one of --reliability, --aql or --staircase"),
        (["--aql", "1.0"], "--aql wants a lot"),
        (["--aql", "1.0", "--lot", "9", "--serials", "A"], "one of --lot, --batch or --serials"),
        (["--aql", "1.2", "--lot", "60"], "aql must be one of 0.01"),
        (["--aql", "1.0", "--lot", "1"], "lot_size must be a whole number from 2: 1"),
        (["--aql", "x", "--lot", "9"], "expected a number: 'x'"),
        (["--reliability", "90"], "expected a share below 1, such as 0.9: '90'"),
        (["--reliability", "0.9", "--lot", "0"], "lot_size must be a whole number from 1: 0"),
        (["--reliability", "0.9", "--serials", "A", "A"], "'A' is listed twice"),
        (["--staircase", "P40"], "--staircase wants --model"),
        (["--staircase", "P40", "--model", "D50", "--step", "-1"], "--step must be above 0"),
        (["--reliability", "0.9", "--batch", "B9"], "--batch B9: not a batch of the catalog"),
        (["--aql", "1.0", "--lot", "60", "--plot", "risks.png"], "name it FILE.html"),
    ],
)
def test_a_question_that_makes_no_sense_is_wrong_usage(usual, words, reason):
    code, out, err = run("plan", *words, "--db", usual)
    assert code == 2
    assert reason in err
    assert out == ""


def test_a_batch_without_a_rim_to_draw_is_said_so(db, shop):
    code, _, err = run("plan", "--reliability", "0.9", "--batch", "B2", "--db", db)
    assert (code, err) == (1, "rimqc: batch B2 has no part in the shop that could be drawn\n")


def test_json_is_json_whatever_the_plan(usual):
    for standard in ("iso-2859-1", "mil-std-105e", "iso-3951-1", "mil-std-414"):
        code, out, _ = run("plan", "--lot", 500, "--aql", 1, "--standard", standard,
                           "--format", "json", "--db", usual)  # fmt: skip
        assert code == 0
        assert json.loads(out)["standard"] == standard
