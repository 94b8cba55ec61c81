"""What a change would do is said before it is kept."""

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from qc.catalog.entries import Batch, Entry, Inspector
from qc.ledger.ledger import Ledger
from qc.views.catalog_change import Foreseen, foreseen
from tests.maker import accept, flags_of, named, record, take_catalog
from tests.views.test_catalog import baseline, claim, day, recorded, runout

NOW = dt.datetime(2026, 3, 10, 9, tzinfo=dt.UTC)
HELD = recorded(("2026-01-05", claim(450, "2026-01-01")), ("2026-01-05", runout("0.4")))


def test_a_claim_from_a_day_to_come_leaves_verdicts_alone() -> None:
    assert foreseen(HELD, claim(470, "2026-12-01"), NOW) == Foreseen(
        [
            "From 2026-12-01 the claim for D50 rim says: claimed mass 470 g instead of 450 g.",
            "Verdicts of earlier days stay.",
        ]
    )


def test_a_claim_from_a_day_gone_by_warns_that_verdicts_may_change() -> None:
    found = foreseen(HELD, claim(470, "2026-02-01"), NOW)
    assert found.past
    assert "2026-02-01 is past: what was taken since then is judged anew" in found.sentences[-1]


def test_the_same_again_changes_nothing() -> None:
    found = foreseen(HELD, claim(450, "2026-01-01"), NOW)
    assert not found.news
    assert found.sentences == ["Nothing would change: the claim for D50 rim says this already."]


def test_mending_a_claim_of_old_counts_from_today() -> None:
    found = foreseen(HELD, claim(470, "2026-01-01"), NOW)
    assert found.sentences[0].startswith("From 2026-03-10 the claim for D50 rim says")
    assert not found.past


def test_a_limit_without_a_day_that_is_changed_counts_from_today() -> None:
    found = foreseen(HELD, runout("0.5"), NOW)
    says, bears = found.sentences
    assert says.startswith("From 2026-03-10 the run-out limit for lateral rim any model says")
    assert says.endswith("limit 0.5 mm instead of 0.4 mm.")
    assert bears == "Verdicts of earlier days stay."


def test_a_version_between_two_says_when_it_gives_way() -> None:
    catalog = recorded(
        ("2026-01-05", claim(450, "2026-01-01")), ("2026-01-05", claim(460, "2026-06-01"))
    )
    found = foreseen(catalog, claim(455, "2026-04-01"), NOW)
    assert "On 2026-06-01 the version that is entered for that day takes over." in found.sentences


def test_a_version_that_could_never_hold_says_so() -> None:
    catalog = recorded(
        ("2026-01-05", claim(450, "2026-01-01")), ("2026-01-05", claim(460, "2026-02-01"))
    )
    (said,) = foreseen(catalog, claim(455, "2026-01-01"), NOW).sentences
    assert said.startswith("It would never hold: the version from 2026-02-01 holds")


def test_a_new_batch_changes_no_verdict_and_a_mended_one_may() -> None:
    new = Batch(
        code="B1", model="D50", made_on=day("2026-03-02"), quantity=10, factors={"Mould": "M1"}
    )
    found = foreseen(HELD, new, NOW)
    assert found.sentences == [
        "For all days the batch B1 says: model D50; made on 2026-03-02; quantity 10; Mould M1.",
        "No record names it yet, so no verdict changes.",
    ]
    mended = Batch(code="B1", model="D50", made_on=day("2026-03-02"), quantity=10)
    found = foreseen(recorded(("2026-03-05", new)), mended, NOW)
    assert found.past
    assert found.sentences[0] == "For all days the batch B1 says: Mould no longer given (was M1)."


def test_a_second_baseline_stands_beside_the_first() -> None:
    catalog = recorded(("2026-01-05", baseline("2026-01-05", "B1")))
    found = foreseen(catalog, baseline("2026-03-10", "B4", "B5"), NOW)
    assert "instead of" not in found.sentences[0]
    assert "Batches that set the level B4, B5".lower() in found.sentences[0].lower()
    assert "flags of drift may open or close" in found.sentences[1]


def test_no_verdict_hangs_on_a_name() -> None:
    found = foreseen(HELD, Inspector(code="jo", name="Jo"), NOW)
    assert found.sentences[1] == "No verdict hangs on it."


@pytest.mark.parametrize(
    ("change", "flags", "past"),
    [
        (claim(480, "2026-02-01"), [("weight-under-claim", "open")], True),
        (claim(480, "2026-12-01"), [], False),
    ],
)
def test_the_words_come_true(
    ledger: Ledger, tmp_path: Path, change: Entry, flags: list[Any], past: bool
) -> None:
    take_catalog(ledger, tmp_path)
    accept(ledger, [record("receipt"), record("weighing", gross_g=450)])
    assert named(flags_of(ledger)) == []
    assert foreseen(ledger.catalog(), change, NOW).past is past
    with ledger.writing() as connection:
        ledger.accept_catalog(connection, [change])
    assert named(flags_of(ledger)) == flags
