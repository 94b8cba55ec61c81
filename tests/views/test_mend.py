"""A record to correct: as it came, what holds now, and the fields to put in its place."""

import pytest

from qc.errors import RimqcError
from qc.views.mend import one, records, replacement
from tests.maker import accept, correction, fields, made, record, take_catalog
from tests.views.test_views import look, weighed


@pytest.fixture
def shop(ledger, tmp_path):
    take_catalog(ledger, tmp_path)
    return ledger


def given(found):
    """The form as it stands, with nothing typed yet."""
    return {field["name"]: field["value"] for field in found["form"]}


def shown(shop, of):
    return look(shop, lambda connection, _: one(connection, of.record_id))


def test_a_record_comes_as_it_was_with_its_fields_filled_in(shop):
    receipt, weighing = weighed("R1", "412.50", fitted="tape:2")
    accept(shop, [receipt, weighing])
    found = shown(shop, weighing)
    assert (found["record"]["gross_g"], found["corrections"], found["suspect"]) == (
        412.5,
        [],
        False,
    )
    filled = given(found)
    assert (filled["gross_g"], filled["fitted"], filled["stage"]) == ("412.5", "tape:2", "rim")
    assert "record_id" not in filled
    assert "entered_by" not in filled


def test_a_corrected_record_keeps_the_original_and_fills_in_what_holds_now(shop):
    receipt, weighing = weighed("R1", 512)
    accept(shop, [receipt, weighing])
    accept(shop, [correction(weighing, replacement=fields("weighing", gross_g=412))])
    found = shown(shop, weighing)
    assert (found["record"]["gross_g"], found["record"]["standing"]) == (512, "corrected")
    assert (found["now"]["gross_g"], given(found)["gross_g"]) == (412, "412")
    (mended,) = found["corrections"]
    assert (mended["kind"], mended["reason"]) == ("correction", "typing slip")


def test_a_void_record_can_be_put_right_and_its_correction_only_taken_back(shop):
    receipt, weighing = weighed("R1", 512)
    void = correction(weighing, void=True)
    accept(shop, [receipt, weighing, void])
    found = shown(shop, weighing)
    assert (found["now"], given(found)["gross_g"]) == (None, "512")
    assert shown(shop, void)["form"] == []


def test_a_replacement_is_the_whole_record_with_what_was_typed(shop):
    receipt = record("receipt")
    weighing = made({**fields("weighing", gross_g=512), "room_c": "20.5"})
    accept(shop, [receipt, weighing])
    found = shown(shop, weighing)
    typed = given(found) | {"gross_g": "412.5", "note": ""}
    whole = replacement(found["now"], found["form"], typed)
    assert (whole["kind"], whole["gross_g"], whole["room_c"]) == ("weighing", "412.5", "20.5")
    assert "note" not in whole
    accept(shop, [correction(weighing, replacement=whole)])
    now = shown(shop, weighing)["now"]
    assert (now["gross_g"], now["other"]) == (412.5, {"room_c": "20.5"})


def test_handing_in_an_unchanged_form_corrects_nothing(shop):
    receipt, weighing = weighed("R1", 512)
    accept(shop, [receipt, weighing])
    found = shown(shop, weighing)
    with pytest.raises(RimqcError, match="nothing is changed yet"):
        replacement(found["now"], found["form"], given(found))


@pytest.mark.parametrize(
    "kind", ["receipt", "weighing", "runout", "measurement", "inspection", "finding", "balance",
             "drop", "build", "gauge-check", "disposition", "shipment", "customer-return"],
)  # fmt: skip
def test_the_form_of_every_kind_loses_nothing(shop, kind):
    whole = record(kind, repeat=3, note="as *typed*")
    accept(shop, [whole])
    found = shown(shop, whole)
    typed = given(found) | {"note": "another note"}
    again = made(replacement(found["now"], found["form"], typed))
    same = {name: getattr(whole, name) for name in whole.__struct_fields__}
    for name in ("record_id", "note"):
        del same[name]
    assert {name: getattr(again, name) for name in same} == same


def test_a_turn_of_readings_is_typed_as_numbers_with_spaces(shop):
    turn = record("runout", tir_mm=None, readings_mm="0.1 0.12 -0.05 0 0.1 0.2 0.3 0.15")
    accept(shop, [turn])
    assert given(shown(shop, turn))["readings_mm"] == "0.1 0.12 -0.05 0 0.1 0.2 0.3 0.15"


def test_a_reading_of_a_gauge_found_off_is_in_doubt_until_accepted(shop):
    receipt, weighing = weighed("R1", 450)
    off = record("gauge-check", reading=503, taken_at="2026-02-05T08:00:00")
    accept(shop, [receipt, weighing, off])
    assert shown(shop, weighing)["suspect"]
    accept(shop, [correction(weighing, accept=True)])
    assert not shown(shop, weighing)["suspect"]


def test_records_of_a_part_a_batch_or_a_gauge_come_newest_first(shop):
    check = record("gauge-check", taken_at="2026-02-05T08:00:00")
    hold = record("disposition", serial=None, batch="B1")
    accept(shop, [*weighed("R1", 450), check, hold])

    def kinds(about, code, most=9, skip=0):
        found = look(shop, lambda connection, _: records(connection, about, code, most, skip))
        return found["count"], [row["kind"] for row in found["rows"]]

    assert kinds("part", "R1") == (2, ["weighing", "receipt"])
    assert kinds("part", "R1", 1, 1) == (2, ["receipt"])
    assert kinds("gauge", "S1") == (1, ["gauge-check"])
    assert kinds("batch", "B1") == (1, ["disposition"])


def test_an_identity_that_is_not_held_is_said(shop):
    with pytest.raises(RimqcError, match="no record nobody is held"):
        look(shop, lambda connection, _: one(connection, "nobody"))
