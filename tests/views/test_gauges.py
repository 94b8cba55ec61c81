"""Gauges: what is due, what was found off, and what waits to be measured again."""

import datetime as dt

import pytest

from qc.errors import RimqcError
from qc.views.gauges import gauge, gauges, in_doubt
from tests.maker import accept, correction, record, take_catalog
from tests.views.test_views import look, weighed

TODAY = dt.date(2026, 12, 1)


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def check(day, reading=500, **more):
    return record("gauge-check", taken_at=f"2026-02-{day:02}T08:00:00", reading=reading, **more)


def all_of(shop, today=TODAY):
    return {row["gauge"]: row for row in look(shop, gauges, today)}


def waiting(shop, at, **more):
    return look(shop, lambda connection, _: in_doubt(connection, "S1", at, 9, **more))


def test_a_gauge_is_due_by_its_last_passed_calibration_else_by_the_catalog(shop):
    assert all_of(shop)["S2"]["when"] == "overdue"
    assert all_of(shop)["S1"]["when"] == "this-month"
    assert all_of(shop, dt.date(2026, 11, 30))["S1"]["when"] == "later"
    good = check(3, check="calibration", due="2027-03-01", gauge="S2")
    failed = check(4, 503, check="calibration", due="2030-01-01", gauge="S2")
    accept(shop, [good, failed])
    assert (all_of(shop)["S2"]["due"], all_of(shop)["S2"]["when"]) == ("2027-03-01", "later")


def test_what_wants_something_stands_first(shop):
    accept(shop, [*weighed("R1", 450), check(5, 503)])
    rows = look(shop, gauges, TODAY)
    assert [row["gauge"] for row in rows] == ["S1", "S2", "RIG", "RO"]
    assert rows[0]["in_doubt"] == 1
    assert rows[0]["newest_check"]["passes"] is False


def test_a_failed_check_names_what_was_measured_since_the_last_good_one(shop):
    accept(shop, [check(1), *weighed("R1", 450), *weighed("R2", 450), check(5, 503),
                  check(6, found="as-left")])  # fmt: skip
    (failure,) = look(shop, gauge, "S1", 9)["failures"]
    assert (failure["error"], failure["limit"]) == (3, 1)
    assert (failure["since"], failure["until"]) == ("2026-02-01T08:00:00Z", "2026-02-06T08:00:00Z")
    assert (failure["touched"], failure["cleared"], failure["waiting"]) == (2, 0, 2)
    rows = waiting(shop, failure["at"])
    assert [(row["serial"], row["record"]["gross_g"]) for row in rows] == [("R1", 450), ("R2", 450)]
    assert rows[0]["place"]["status"] == "incomplete"


def test_a_reading_is_cleared_by_measuring_again_or_by_a_reason(shop):
    readings = [weighed(f"R{n}", 450) for n in (1, 2, 3)]
    accept(shop, [record for pair in readings for record in pair] + [check(5, 503)])
    again = record("weighing", serial="R1", gauge="S2", taken_at="2026-02-06T10:00:00")
    accept(shop, [again, correction(readings[1][1], accept=True)])
    (failure,) = look(shop, gauge, "S1", 9)["failures"]
    assert (failure["touched"], failure["cleared"], failure["waiting"]) == (3, 2, 1)
    assert [row["serial"] for row in waiting(shop, failure["at"])] == ["R3"]
    cleared = waiting(shop, failure["at"], cleared=True)
    assert [(row["serial"], row["settled_at"]) for row in cleared] == [
        ("R1", "2026-02-06T10:00:00Z"),
        ("R2", "2026-02-10T09:00:00Z"),
    ]


def test_a_doubtful_reading_of_a_shipped_part_stands_first(shop):
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450), record("shipment", serial="R2"),
                  check(5, 503)])  # fmt: skip
    (failure,) = look(shop, gauge, "S1", 9)["failures"]
    rows = waiting(shop, failure["at"])
    assert [(row["serial"], row["place"]["status"]) for row in rows] == [
        ("R2", "shipped"),
        ("R1", "incomplete"),
    ]


def test_several_references_of_one_moment_are_one_failure_by_the_largest_error(shop):
    accept(shop, [*weighed("R1", 450), check(5, 502), check(5, 1004, nominal=1000)])
    (failure,) = look(shop, gauge, "S1", 9)["failures"]
    assert (failure["error"], failure["touched"]) == (4, 1)


def test_as_found_stands_before_as_left_at_one_moment_and_only_the_newest_are_shown(shop):
    accept(shop, [check(4), check(5, 503), check(5, found="as-left")])
    found = look(shop, gauge, "S1", 2)
    assert [(row["found"], row["error"]) for row in found["checks"]] == [
        ("as-found", 3),
        ("as-left", 0),
    ]
    assert found["count"] == 3


def test_a_failed_check_that_was_made_void_is_none(shop):
    slip = check(5, 503)
    accept(shop, [*weighed("R1", 450), slip, correction(slip, void=True)])
    found = look(shop, gauge, "S1", 9)
    assert (found["checks"], found["failures"]) == ([], [])


def test_an_unknown_gauge_is_answered_with_the_nearest(shop):
    with pytest.raises(RimqcError, match="no gauge S9 in the catalog; nearest known: S"):
        look(shop, gauge, "S9", 9)
