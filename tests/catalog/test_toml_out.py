"""Whatever the catalog holds goes out as a file that says the same when it comes in again."""

import datetime as dt
import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qc.catalog.entries import TABLES, Batch, Claim, Entry, Limit, Plan, Site
from qc.catalog.toml_file import read_catalog
from qc.catalog.toml_out import toml_text
from qc.ledger.ledger import ACCEPTED, HELD, Ledger
from qc.resources import folder
from qc.views.catalog import everything
from tests.catalog.entries_at_random import any_entries, entries
from tests.maker import take_catalog


def read_back(text: str, place: Path) -> list[Entry]:
    """The entries of a text, each of which must be read."""
    file = place / "catalog.toml"
    file.write_bytes(text.encode())
    lines = list(read_catalog(file))
    assert [line.refused for line in lines if line.refused] == []
    return [line.entry for line in lines if line.entry is not None]


def take(ledger: Ledger, held: list[Entry]) -> list[str]:
    with ledger.writing() as connection:
        return [answer.outcome for answer in ledger.accept_catalog(connection, held)]


@pytest.mark.parametrize("table", TABLES)
def test_an_entry_of_every_table_comes_back_as_it_was(
    table: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    place = tmp_path_factory.mktemp(table)

    @settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(entries(table))
    def comes_back(entry: Entry) -> None:
        assert read_back(toml_text([entry]), place) == [entry]

    comes_back()


@settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(st.data())
def test_what_a_ledger_gives_out_it_holds_already(
    ledger: Ledger, tmp_path: Path, data: st.DataObject
) -> None:
    # example after example goes into one ledger: entries are changed and changed again
    take(ledger, data.draw(any_entries()))
    out = read_back(toml_text(everything(ledger.catalog())), tmp_path)
    assert set(take(ledger, out)) <= {HELD}


def test_the_catalog_of_the_samples_makes_the_same_catalog_elsewhere(
    ledger: Ledger, tmp_path: Path
) -> None:
    samples = (folder("sample_logs") / "catalog.toml").read_text(encoding="utf-8")
    assert {answer.outcome for answer in take_catalog(ledger, tmp_path, samples)} == {ACCEPTED}
    text = toml_text(everything(ledger.catalog()), "All of it.")
    assert take(ledger, read_back(text, tmp_path)) == [HELD] * samples.count("\n[")
    with Ledger(f"sqlite:///{tmp_path}/elsewhere.sqlite", create=True) as elsewhere:
        assert set(take(elsewhere, read_back(text, tmp_path))) == {ACCEPTED}
        assert toml_text(everything(elsewhere.catalog()), "All of it.") == text


def test_the_file_reads_as_a_person_would_write_it() -> None:
    text = toml_text(
        [
            Batch(code="B1", model="D50", made_on=dt.date(2026, 3, 2), quantity=40,
                  factors={"mould": "M1", "resin lot": 'the "new" one\n2'}),
            Claim(model="D50", stage="rim", claimed_g=Decimal(450), over_g=Decimal("12.5"),
                  under_g=Decimal(0), since=dt.date(2026, 1, 1)),
            Plan(model="D50", stage="rim", requires=("weighing", "inspection")),
            Site(code="HQ", time_zone="Europe/Lisbon"),
        ],
        "Made for a test.\nTwo lines.",
    )  # fmt: skip
    assert (
        text
        == """\
# Made for a test.
# Two lines.

[site]
code = "HQ"
time_zone = "Europe/Lisbon"

[[claim]]
model = "D50"
stage = "rim"
claimed_g = 450
over_g = 12.5
under_g = 0
from = 2026-01-01

[[plan]]
model = "D50"
stage = "rim"
requires = [
    "weighing",
    "inspection",
]

[[batch]]
code = "B1"
model = "D50"
made_on = 2026-03-02
quantity = 40
mould = "M1"
"resin lot" = "the \\"new\\" one\\n2"
"""
    )


def test_two_sites_of_different_days_are_a_list(tmp_path: Path) -> None:
    sites = [
        Site(code="HQ", time_zone="Europe/Lisbon"),
        Site(code="HQ", time_zone="Europe/Madrid", since=dt.date(2026, 6, 1)),
    ]
    text = toml_text(sites)
    assert isinstance(tomllib.loads(text)["site"], list)
    assert read_back(text, tmp_path) == sites


def test_an_empty_source_is_not_the_same_as_none(tmp_path: Path) -> None:
    limits = [
        Limit(characteristic="bore", lower=Decimal("6.4"), source=""),
        Limit(characteristic="bore", lower=Decimal("6.4"), model="D50"),
    ]
    assert read_back(toml_text(limits), tmp_path) == limits


def test_an_empty_catalog_is_an_empty_file() -> None:
    assert toml_text([]) == ""
