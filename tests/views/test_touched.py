"""From what parts share to every part touched: where it is, and what was shipped first."""

import datetime as dt

import pytest

from qc.errors import RimqcError
from qc.views.touched import page, stretch_of, where
from tests.maker import ZONE, accept, correction, fields, record, take_catalog
from tests.views.test_views import look, weighed


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def day(text):
    return stretch_of(ZONE, text, text)


def serials(rows):
    return [row["serial"] for row in rows]


def test_what_was_shipped_stands_first_with_order_and_date(shop):
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450), *weighed("R3", 450),
                  record("shipment", serial="R3", order="O-7")])  # fmt: skip
    rows = look(shop, where, "mould", "M1")
    assert serials(rows) == ["R3", "R1", "R2"]
    assert (rows[0]["status"], rows[0]["order"]) == ("shipped", "O-7")
    assert rows[0]["shipped_on"] == "2026-02-02T10:00:00Z"
    assert rows[1]["shipped_on"] is None


def test_a_shipped_part_of_a_batch_scrapped_since_is_still_out_there(shop):
    accept(shop, [*weighed("R1", 450), record("shipment", serial="R1"),
                  record("disposition", serial=None, batch="B1", decision="scrap")])  # fmt: skip
    (row,) = look(shop, where, "batch", "B1")
    assert row["status"] == "shipped"
    assert "its batch is scrapped or returned to the supplier" in row["reasons"]


def test_a_part_that_came_back_is_no_longer_out_there(shop):
    accept(shop, [*weighed("R1", 450), record("shipment"),
                  record("customer-return", taken_at="2026-02-03T10:00:00")])  # fmt: skip
    found = look(shop, page, "batch", "B1", 10)
    assert found["places"] == {"returned-by-customer": 1}


def test_a_shipment_corrected_to_another_part_moves_with_it(shop):
    shipment = record("shipment", serial="R1")
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450), shipment])
    accept(shop, [correction(shipment, replacement=fields("shipment", serial="R2"))])
    rows = look(shop, where, "batch", "B1")
    assert [(row["serial"], row["shipped_on"]) for row in rows] == [
        ("R2", "2026-02-02T10:00:00Z"),
        ("R1", None),
    ]


def test_pages_follow_each_other_and_counts_are_of_all(shop):
    accept(shop, [one for n in range(7) for one in weighed(f"R{n}", 450)])
    whole = look(shop, where, "batch", "B1")
    paged = [look(shop, page, "batch", "B1", 3, skip) for skip in (0, 3, 6)]
    assert [row for found in paged for row in found["rows"]] == whole
    assert [found["count"] for found in paged] == [7, 7, 7]
    assert paged[0]["places"] == {"incomplete": 7}


def test_a_gauge_leads_to_what_it_measured_in_a_stretch_of_days_both_ends_included(shop):
    days = {"R1": "2026-03-01T23:59:59", "R2": "2026-03-02T00:00:00", "R3": "2026-03-03T12:00:00"}
    accept(shop, [one for serial, at in days.items() for one in weighed(serial, 450, taken_at=at)])
    stretch = stretch_of(ZONE, "2026-03-02", "2026-03-03")
    assert serials(look(shop, where, "gauge", "S1", stretch)) == ["R2", "R3"]
    assert serials(look(shop, where, "gauge", "S1", day("2026-03-01"))) == ["R1"]
    assert serials(look(shop, where, "gauge", "S1")) == ["R1", "R2", "R3"]
    assert look(shop, where, "gauge", "S2") == []


def test_a_reading_corrected_to_another_gauge_is_found_by_that_one(shop):
    receipt, weighing = weighed("R1", 450)
    accept(shop, [receipt, weighing])
    other = fields("weighing", serial="R1", gross_g=450, gauge="S2")
    accept(shop, [correction(weighing, replacement=other)])
    assert look(shop, where, "gauge", "S1") == []
    assert serials(look(shop, where, "gauge", "S2")) == ["R1"]


def test_a_batch_measured_as_such_has_all_its_parts_touched(shop):
    accept(shop, [*weighed("R1", 450), record("measurement", serial=None, batch="B1")])
    assert serials(look(shop, where, "gauge", "RO")) == ["R1"]


def test_a_failure_at_the_standard_holds_the_parts_of_its_batch(shop):
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450), *weighed("R3", 450, batch="B2"),
                  record("drop", serial="R1", damage="crack")])  # fmt: skip
    assert look(shop, page, "model", "D50", 9)["places"] == {
        "held": 1, "incomplete": 1, "struck": 1,
    }  # fmt: skip
    (held,) = [row for row in look(shop, where, "batch", "B1") if row["serial"] == "R2"]
    assert "its batch is held: R1 did not bear the standard impact" in held["reasons"]


def test_scrapping_the_part_that_failed_does_not_free_its_batch_but_a_correction_does(shop):
    drop = record("drop", serial="R1", damage="crack")
    scrap = record("disposition", serial="R1", decision="scrap", taken_at="2026-02-05T10:00:00")
    accept(shop, [*weighed("R1", 450), *weighed("R2", 450), drop, scrap])
    assert look(shop, page, "batch", "B1", 9)["places"] == {"held": 1, "scrapped": 1}
    accept(shop, [correction(drop, void=True)])
    assert look(shop, page, "batch", "B1", 9)["places"] == {"incomplete": 1, "scrapped": 1}


def test_days_are_those_of_the_shop_and_moments_are_taken_as_they_are():
    since, until = stretch_of(ZONE, "2026-07-01", "2026-07-01")
    assert since == dt.datetime(2026, 6, 30, 23, tzinfo=dt.UTC)
    assert until == dt.datetime(2026, 7, 1, 22, 59, 59, 999999, tzinfo=dt.UTC)
    exact = stretch_of(ZONE, "2026-07-01T08:03:00Z", None)
    assert exact == (dt.datetime(2026, 7, 1, 8, 3, tzinfo=dt.UTC), None)


@pytest.mark.parametrize(
    ("factor", "level", "stretch", "said"),
    [
        ("gauge", "S3", (None, None), "no gauge S3 in the catalog; nearest known: S"),
        ("mould", "M1", day("2026-07-01"), "goes with gauge=CODE only"),
    ],
)
def test_what_cannot_be_looked_up_says_why(shop, factor, level, stretch, said):
    with pytest.raises(RimqcError, match=said):
        look(shop, where, factor, level, stretch)


def test_a_day_that_is_none_is_refused_with_an_example():
    with pytest.raises(RimqcError, match=r"'15\.7\.': expected a date or a date and time such as"):
        stretch_of(ZONE, "15.7.", None)
