"""What waits, what changed, what it has cost; and a part on the scale."""

import pytest

from qc.views import weighed as on_scale
from qc.views.work import changed, early_failures, held_and_why, still_missing
from tests.maker import CATALOG, accept, correction, record, take_catalog
from tests.views.test_views import look, weighed


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def read(ledger, view, *words):
    with ledger.reading() as connection:
        return view(connection, *words)


def test_a_batch_says_how_many_parts_lack_what_and_forgets_those_that_left(shop):
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450), *weighed("R3", 450),
                  record("runout", serial="R1"), record("inspection", serial="R1"),
                  record("runout", serial="R2"), record("shipment", serial="R3")])  # fmt: skip
    (row,) = look(shop, still_missing)
    assert (row["batch"], row["parts"]) == ("B1", 1)
    assert row["missing"] == {"inspection": 1}


def test_flags_raised_and_closed_are_counted_from_a_day(shop):
    accept(shop, [*weighed("R1", 470), *weighed("R2", 471)])
    accept(shop, [record("disposition", decision="release", taken_at="2026-02-05T10:00:00")])
    raised_and_closed = {"flag": "weight-over-claim", "raised": 2, "closed": 1}
    assert look(shop, changed, "2026-02-01") == [raised_and_closed]
    assert look(shop, changed, "2026-02-05") == [raised_and_closed | {"raised": 0}]
    assert look(shop, changed, "2026-02-06") == []


def test_held_parts_are_counted_by_their_reason(shop):
    holds = [record("disposition", serial=serial) for serial in ("R1", "R2")]
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450), *holds])
    assert read(shop, held_and_why) == {
        "parts": 2,
        "reasons": [{"reason": "held by name: look again", "parts": 2}],
    }


def test_an_early_failure_costs_the_struck_part_and_those_kept_with_it(shop):
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450), *weighed("R3", 450),
                  record("drop", damage="break"),
                  record("disposition", serial="R2", decision="scrap")])  # fmt: skip
    (row,) = read(shop, early_failures)
    assert (row["batch"], row["failed"], row["parts"]) == ("B1", 1, 3)
    assert (row["struck"], row["given_up"], row["kept"], row["shipped"]) == (1, 1, 1, 0)


def test_a_built_wheel_on_the_scale_says_what_is_taken_off(ledger, tmp_path):
    take_catalog(
        ledger, tmp_path, f'{CATALOG}[[fitted_part]]\ncode = "weight"\nmass_g = 15\nu_g = 0.5\n'
    )
    # 866 g with tape (20 g) and a balance weight (15 g) is 831 g bare: common practice, no source
    fitted = {"gross_g": 866, "fitted": "tape:1 weight:1"}
    accept(ledger, [record("receipt"), record("weighing", stage="front-wheel", **fitted)])
    found = look(ledger, on_scale.weighed, "R1")
    assert [row["together_g"] for row in found["taken_off"]] == [20, 15]
    assert (found["gross_g"], found["bare_g"], found["difference_g"]) == (866, 831, 11)
    assert (found["beyond"], found["claimed_g"]) == ("over", 820)
    assert read(ledger, on_scale.newest) == "R1"


def test_a_weighing_taken_back_is_not_on_the_scale(shop):
    wrong = record("weighing", gross_g=450)
    accept(shop, [record("receipt"), wrong])
    accept(shop, [correction(wrong, void=True)])
    assert look(shop, on_scale.weighed, "R1") is None
