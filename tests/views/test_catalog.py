"""Which version of an entry held when, and who entered it."""

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.entries import Baseline, Batch, Claim, Entry, RunoutLimit
from qc.errors import RimqcError
from qc.ledger.ledger import Ledger
from qc.views.catalog import everything, history, in_force, listed, stretches
from qc.views.catalog_words import held_words, name_of
from tests.maker import take_catalog


def day(text: str) -> dt.date:
    return dt.date.fromisoformat(text)


def claim(grams: int, since: str) -> Claim:
    return Claim(model="D50", stage="rim", claimed_g=Decimal(grams), over_g=Decimal(10),
                 under_g=Decimal(10), since=day(since))  # fmt: skip


def runout(limit: str) -> RunoutLimit:
    return RunoutLimit(direction="lateral", stage="rim", limit_mm=Decimal(limit))


def baseline(since: str, *batches: str) -> Baseline:
    return Baseline(model="D50", characteristic="bare-mass", stage="rim", batches=batches,
                    name="n", reason="r", since=day(since))  # fmt: skip


def recorded(*entries: tuple[str, Entry]) -> Catalog:
    """A catalog of entries, each with the day on which it was recorded."""
    return Catalog(
        Recorded(f"r{i}", i, dt.datetime.fromisoformat(f"{on}T12:00:00Z"), entry)
        for i, (on, entry) in enumerate(entries, 1)
    )


def held(catalog: Catalog) -> list[tuple[Any, str]]:
    """What each version of the only entry says, and when it holds."""
    (versions,) = catalog.versions.values()
    rows = []
    for stretch in stretches(versions):
        start = None if stretch.start == dt.date.min else stretch.start.isoformat()
        end = None if stretch.end in (dt.date.max, dt.date.min) else stretch.end - dt.timedelta(1)
        shown = {"from": start, "until": end and end.isoformat(), "ever": stretch.ever}
        rows.append((stretch.version.entry, held_words(shown)))
    return rows


def test_a_claim_holds_until_the_day_before_the_next_one() -> None:
    catalog = recorded(
        ("2026-01-05", claim(450, "2026-01-01")), ("2026-03-01", claim(460, "2026-06-01"))
    )
    assert [words for _, words in held(catalog)] == [
        "from 2026-01-01 until 2026-05-31",
        "from 2026-06-01",
    ]


def test_a_limit_without_a_day_holds_on_all_days_until_it_was_changed() -> None:
    catalog = recorded(("2026-01-05", runout("0.4")), ("2026-03-01", runout("0.5")))
    assert [words for _, words in held(catalog)] == ["until 2026-02-28", "from 2026-03-01"]


def test_a_claim_that_was_mended_before_its_day_never_held() -> None:
    catalog = recorded(
        ("2026-01-05", claim(450, "2026-06-01")), ("2026-01-06", claim(460, "2026-06-01"))
    )
    assert [words for _, words in held(catalog)] == ["on no day: replaced", "from 2026-06-01"]


def test_a_batch_is_what_was_last_said_of_it_on_every_day() -> None:
    first = Batch(code="B1", model="D50", made_on=day("2026-01-02"), quantity=10)
    mended = Batch(code="B1", model="D50", made_on=day("2026-01-02"), quantity=12)
    catalog = recorded(("2026-01-05", first), ("2026-03-01", mended))
    assert held(catalog) == [(first, "on no day: replaced"), (mended, "on all days")]
    assert in_force(catalog, day("2026-01-06")) == [mended]


def test_baselines_of_several_days_hold_side_by_side() -> None:
    catalog = recorded(
        ("2026-01-05", baseline("2026-01-05", "B1")),
        ("2026-03-01", baseline("2026-03-01", "B4")),
        ("2026-03-02", baseline("2026-03-01", "B5")),
    )
    words = [words for _, words in held(catalog)]
    assert words == ["from 2026-01-05", "on no day: replaced", "from 2026-03-01"]
    assert in_force(catalog, day("2026-04-01")) == catalog.baselines("D50", "rim", "bare-mass", "")


@pytest.mark.parametrize(
    "on", ["2025-12-31", "2026-01-01", "2026-05-31", "2026-06-01", "2027-01-01"]
)
def test_what_is_in_force_is_what_a_judge_would_go_by(on: str) -> None:
    catalog = recorded(
        ("2026-01-05", claim(450, "2026-01-01")), ("2026-03-01", claim(460, "2026-06-01")),
        ("2026-04-01", claim(455, "2026-01-01")), ("2026-01-05", runout("0.4")),
    )  # fmt: skip
    found = in_force(catalog, day(on))
    assert [e for e in found if isinstance(e, Claim)] == [
        c for c in [catalog.claim("D50", "rim", day(on))] if c
    ]
    assert [e for e in found if isinstance(e, RunoutLimit)] == catalog.runout_limits(
        "lateral", "rim", "D50", day(on)
    )


def test_everything_is_the_newest_wording_of_every_day() -> None:
    catalog = recorded(
        ("2026-01-05", claim(450, "2026-01-01")), ("2026-01-05", runout("0.4")),
        ("2026-03-01", claim(460, "2026-06-01")), ("2026-04-01", claim(455, "2026-01-01")),
    )  # fmt: skip
    assert everything(catalog) == [
        claim(460, "2026-06-01"),
        claim(455, "2026-01-01"),
        runout("0.4"),
    ]


def test_a_list_shows_what_holds_today_and_what_comes() -> None:
    catalog = recorded(
        ("2026-01-05", claim(450, "2026-01-01")), ("2026-03-01", claim(460, "2026-06-01"))
    )
    (row,) = listed(catalog, "claim", day("2026-03-02"))
    assert row["entry"] == "D50, rim"
    assert row["now"]["says"]["Claimed mass"] == "450 g"
    assert (row["later"], row["versions"]) == (["2026-06-01"], 2)
    (before,) = listed(catalog, "claim", day("2025-03-02"))
    assert (before["now"], before["later"]) == (None, ["2026-01-01", "2026-06-01"])


def test_a_limit_of_any_model_is_called_so() -> None:
    assert name_of(runout("0.4")) == "lateral, rim, any model"


def test_a_history_tells_who_entered_a_version_and_that_a_file_brought_another(
    ledger: Ledger, tmp_path: Any
) -> None:
    take_catalog(ledger, tmp_path)
    with ledger.writing() as connection:
        ledger.accept_catalog(connection, [claim(460, "2026-06-01")], "ann")
    with ledger.reading() as connection:
        catalog = ledger.known(connection).catalog
        newest, first = history(connection, catalog, "claim", ["rim", "D50"])
        assert (newest["entered_by"], first["entered_by"]) == ("ann", None)
        assert newest["keys"]["claimed_g"] == 460
        assert first["until"] == "2026-05-31"
        assert len(history(connection, catalog, "claim", ["D50"])) == 5
        assert history(connection, catalog, "baseline", []) == []


@pytest.mark.parametrize(
    ("table", "codes", "said"),
    [("clam", [], "nearest known: claim"), ("claim", ["D5"], "no claim 'D5'.*nearest known: D50")],
)
def test_a_history_of_what_is_not_there_names_the_nearest(
    ledger: Ledger, tmp_path: Any, table: str, codes: list[str], said: str
) -> None:
    take_catalog(ledger, tmp_path)
    with ledger.reading() as connection, pytest.raises(RimqcError, match=said):
        history(connection, ledger.known(connection).catalog, table, codes)
