"""`rimqc catalog`: the catalog goes out as a file, and an entry tells its history."""

import tomllib
from pathlib import Path

import pytest

from tests.maker import CATALOG, answer, run, write_catalog

# the wording of the limit that the small maker's catalog has already, and a claim to come
CHANGED = """\
[[runout_limit]]
direction = "lateral"
stage = "rim"
limit_mm = 0.5

[[claim]]
model = "D50"
stage = "rim"
claimed_g = 460
over_g = 10
under_g = 15
from = 2099-01-01
"""


@pytest.fixture
def shop(db: str, tmp_path: Path) -> str:
    """A database that holds the small maker's catalog and a change of it."""
    for name, text in (("first", CATALOG), ("second", CHANGED)):
        (tmp_path / name).mkdir()
        assert run("import", write_catalog(tmp_path / name, text), "--db", db)[0] == 0
    return db


def test_an_exported_catalog_is_held_already(shop: str, tmp_path: Path) -> None:
    code, out, err = run("catalog", "export", tmp_path, "--db", shop)
    assert (code, err) == (0, "")
    entries = CATALOG.count("\n[") + 2  # the site begins the text, and one claim is new
    assert out == f"{entries} entries written to {tmp_path}/catalog.toml\n"
    report = answer(shop, "import", tmp_path / "catalog.toml")
    assert (report["accepted"], report["already_held"], report["refused"]) == (0, entries, 0)


def test_it_is_printed_where_no_file_is_named(shop: str) -> None:
    code, out, err = run("catalog", "export", "--db", shop)
    assert (code, err) == (0, "")
    claims = [c for c in tomllib.loads(out)["claim"] if c["stage"] == "rim"]
    assert [claim["claimed_g"] for claim in claims] == [450, 460]


def test_only_what_was_in_force_on_a_day(shop: str) -> None:
    for day, grams, limit in (("2026-03-01", [450], 0.4), ("2099-01-01", [460], 0.5)):
        out = tomllib.loads(run("catalog", "export", "--at", day, "--db", shop)[1])
        assert [c["claimed_g"] for c in out["claim"] if c["stage"] == "rim"] == grams
        assert [each["limit_mm"] for each in out["runout_limit"]] == [limit]


def test_a_file_that_is_there_is_left_alone_unless_forced(shop: str, tmp_path: Path) -> None:
    file = tmp_path / "catalog.toml"
    file.write_text("mine")
    code, out, err = run("catalog", "export", file, "--db", shop)
    assert (code, out) == (1, "")
    assert "is there already; name another, or say --force" in err
    assert file.read_text() == "mine"
    assert run("catalog", "export", file, "--force", "--db", shop)[0] == 0
    assert file.read_text().startswith("# The whole catalog")
    assert [f.name for f in tmp_path.iterdir() if f.suffix in (".toml", ".new")] == [file.name]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["export", "--at", "March"], 2, "expected a date such as 2026-08-01"),
        (["export", "/nowhere/at/all/catalog.toml"], 1, "cannot be written: No such file"),
        (["history", "clam"], 2, "nearest known: claim"),
        (["history", "claim", "D5O"], 1, "nearest known: D50"),
        ([], 2, "required: WHAT"),
    ],
)
def test_what_cannot_be_done_is_said(shop: str, words: list[str], code: int, said: str) -> None:
    ended, out, err = run("catalog", *words, "--db", shop)
    assert (ended, out) == (code, "")
    assert said in err


def test_a_history_shows_the_newest_version_first(shop: str) -> None:
    rows = answer(shop, "catalog", "history", "claim", "D50", "rim")
    assert [(row["from"], row["until"]) for row in rows] == [
        ("2099-01-01", None),
        ("2026-01-01", "2098-12-31"),
    ]
    code, out, _ = run("catalog", "history", "runout_limit", "lateral", "--db", shop)
    assert code == 0
    assert out.index("Limit 0.5 mm") < out.index("Limit 0.4 mm")
    assert "a file" in out


def test_an_empty_table_is_said_to_be_empty(shop: str) -> None:
    assert run("catalog", "history", "baseline", "--db", shop)[1] == (
        "No baseline is in the catalog.\n"
    )
