"""What waits for a decision, and what a release would settle."""

import datetime as dt

import pytest

from qc.errors import RimqcError
from qc.views.decide import batch, batches_waiting, known, part_gate, parts_waiting
from tests.maker import accept, record, take_catalog
from tests.views.test_views import look, weighed

NOW = dt.datetime(2026, 4, 1, 12, tzinfo=dt.UTC)


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    accept(ledger, [*weighed("R1", 450), *weighed("R2", 450), record("runout"),
                    record("inspection")])  # fmt: skip
    return ledger


def decide(shop, decision, day=3, **more):
    about = {"serial": "R1"} if "batch" not in more else {"serial": None}
    accept(shop, [record("disposition", decision=decision, taken_at=f"2026-03-{day:02}T10:00:00",
                         **{**about, **more})])  # fmt: skip


def gate(shop, serial="R1"):
    return look(shop, part_gate, serial, NOW)


def test_held_parts_and_parts_in_rework_wait_and_scrapped_ones_do_not(shop):
    assert look(shop, lambda c, _: parts_waiting(c, 9)) == {"count": 0, "rows": []}
    decide(shop, "hold")
    decide(shop, "rework", serial="R2")
    found = look(shop, lambda c, _: parts_waiting(c, 9))
    assert [(row["serial"], row["status"]) for row in found["rows"]] == [
        ("R1", "held"),
        ("R2", "in-rework"),
    ]
    assert found["rows"][0]["reasons"] == ["held by name: look again"]
    assert look(shop, lambda c, _: parts_waiting(c, 1, 1))["rows"] == found["rows"][1:]
    decide(shop, "scrap", 4)
    assert look(shop, lambda c, _: parts_waiting(c, 9))["count"] == 1


def test_a_batch_waits_when_held_or_when_a_part_failed_the_standard(shop):
    accept(shop, weighed("R9", 450, batch="B2"))
    assert look(shop, lambda c, _: batches_waiting(c)) == []
    decide(shop, "hold", batch="B2")
    accept(shop, [record("drop", damage="crack")])
    assert look(shop, lambda c, _: batches_waiting(c)) == [
        {"batch": "B1", "reasons": ["held: R1 did not bear the standard impact"]},
        {"batch": "B2", "reasons": ["held: look again"]},
    ]
    decide(shop, "release", 5, batch="B1")
    assert [row["batch"] for row in look(shop, lambda c, _: batches_waiting(c))] == ["B2"]


def test_a_release_settles_a_hold_and_says_what_is_still_missing(shop):
    decide(shop, "hold")
    assert gate(shop) == {"settles": ["held by name: look again"], "keeps": [], "run_out": []}
    decide(shop, "hold", serial="R2")
    assert gate(shop, "R2") == {
        "settles": ["held by name: look again"],
        "keeps": ["missing: runout-lateral", "missing: inspection"],
        "run_out": [],
    }


def test_a_release_settles_a_rework_only_after_a_new_look(shop):
    decide(shop, "rework")
    assert "in rework: it wants a new inspection, then a release" in gate(shop)["keeps"]
    accept(shop, [record("inspection", taken_at="2026-03-04T10:00:00"),
                  record("weighing", gross_g=450, taken_at="2026-03-04T10:00:00")])  # fmt: skip
    assert gate(shop)["settles"] == ["in rework: it wants a new inspection, then a release"]
    assert gate(shop)["keeps"] == []


def test_no_release_frees_a_struck_part_or_a_part_of_a_held_batch(shop):
    decide(shop, "hold", batch="B1")
    assert gate(shop)["keeps"] == ["its batch is held: look again"]
    accept(shop, [record("drop")])
    assert gate(shop)["keeps"][0] == "struck in an impact test: it can never be released"


def test_releasing_a_batch_frees_no_part_held_by_name(shop):
    decide(shop, "hold")
    decide(shop, "hold", batch="B1")
    found = look(shop, batch, "B1", NOW, 9)
    assert (found["settles"], found["keeps"]) == (["held: look again"], [])
    assert found["held_by_name"] == 1
    decide(shop, "release", 5, batch="B1")
    rows = {row["serial"]: row for row in look(shop, batch, "B1", NOW, 9)["rows"]}
    assert rows["R1"]["reasons"] == ["held by name: look again"]
    assert rows["R2"]["status"] == "incomplete"


def test_a_concession_that_ran_out_covers_nothing_more_until_a_newer_decision(shop):
    decide(shop, "hold")
    decide(shop, "concession", 4, until="2026-03-31")
    assert gate(shop)["run_out"] == ["the concession held until 2026-03-31"]
    decide(shop, "concession", 5, until="2026-04-01")
    assert gate(shop)["run_out"] == []


def test_a_concession_for_so_many_parts_is_used_up_by_shipping_them(shop):
    decide(shop, "concession", 4, batch="B1", quantity=1)
    assert look(shop, batch, "B1", NOW, 9)["run_out"] == []
    accept(shop, [record("shipment", serial="R2", taken_at="2026-03-06T10:00:00")])
    said = "the concession was for 1, and 1 were shipped since"
    assert look(shop, batch, "B1", NOW, 9)["run_out"] == [said]
    assert gate(shop)["run_out"] == [f"of its batch: {said}"]


def test_a_code_is_known_as_a_part_a_batch_or_a_gauge(shop):
    assert look(shop, known, "R1") == {"part": True, "batch": False, "gauge": False, "near": []}
    assert look(shop, known, "B1")["batch"]
    assert look(shop, known, "S1")["gauge"]
    assert "R1" in look(shop, known, "r1")["near"]


def test_a_batch_that_nobody_knows_is_said(shop):
    with pytest.raises(RimqcError, match="no batch B77 in the catalog"):
        look(shop, batch, "B77", NOW, 9)
