"""Whole lines: which fields a kind needs, what must agree between fields, what is kept."""

import json
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from qc.records.kinds import KINDS, kind_of
from qc.records.parsing import FIELDS, RecordParser, Refused, missing_columns
from tests.records.examples import COMMON, OF, OTHER, SMALLEST

PARSER = RecordParser(ZoneInfo("Europe/Lisbon"))
MUST = [(kind, field.name) for kind, fields in FIELDS.items() for field in fields if field.required]


def parse(kind: str, **more: Any):
    return PARSER.from_object({"kind": kind, **COMMON, **SMALLEST[kind], **more})


def refusal(kind: str, **more: Any) -> Refused:
    with pytest.raises(Refused) as refused:
        parse(kind, **more)
    return refused.value


def test_there_is_an_example_of_every_kind():
    assert SMALLEST.keys() == KINDS.keys()


@pytest.mark.parametrize("kind", KINDS)
def test_the_smallest_record_of_a_kind_is_taken_from_json_and_csv_alike(kind):
    from_json = parse(kind)
    cells = COMMON | SMALLEST[kind]
    assert PARSER.from_cells(kind, list(cells), list(cells.values())) == from_json
    assert kind_of(from_json) == kind


@pytest.mark.parametrize(("kind", "name"), MUST)
def test_a_field_that_the_kind_needs_is_missed_by_its_name(kind, name):
    refused = refusal(kind, **{name: None})
    assert (refused.field, refused.value) == (name, None)
    assert refusal(kind, **{name: "  "}).field == name
    columns = [key for key in COMMON | SMALLEST[kind] if key != name]
    assert missing_columns(kind, columns) == name


@pytest.mark.parametrize("kind", KINDS)
def test_no_column_is_missed_where_all_are_there(kind):
    assert missing_columns(kind, list(COMMON | SMALLEST[kind])) is None


@pytest.mark.parametrize("kind", KINDS)
def test_columns_may_stand_in_any_order(kind):
    cells = COMMON | SMALLEST[kind]
    columns = sorted(cells, reverse=True)
    assert PARSER.from_cells(kind, columns, [cells[c] for c in columns]) == parse(kind)


@pytest.mark.parametrize(
    ("kind", "names"),
    [("runout", "tir_mm or readings_mm"), ("measurement", "serial or batch"),
     ("disposition", "serial or batch"), ("correction", "void or replacement or accept")],
)  # fmt: skip
def test_one_of_a_group_of_fields_must_be_there(kind, names):
    first = next(name for name in names.split(" or ") if name in SMALLEST[kind])
    assert refusal(kind, **{first: None}).field == names
    columns = [key for key in COMMON | SMALLEST[kind] if key != first]
    assert missing_columns(kind, columns) == names


@pytest.mark.parametrize("kind", ["measurement", "disposition"])
def test_a_record_is_about_a_part_or_about_a_batch_not_both(kind):
    assert parse(kind, serial=None, batch="B1").batch == "B1"
    assert refusal(kind, batch="B1").field == "batch"


def test_a_typed_reading_beside_a_turn_must_agree_with_it():
    turn = "0.1 0 0 0 0 0 0 -0.2"
    assert parse("runout", readings_mm=turn).tir_mm == Decimal("0.3")
    refused = refusal("runout", readings_mm=turn, tir_mm="0.31")
    assert refused.field == "tir_mm"
    assert "0.3 mm" in refused.reason


def test_a_calibration_says_when_the_next_one_is_due():
    assert refusal("gauge-check", check="calibration").field == "due"
    assert parse("gauge-check", check="calibration", due="2027-03-31").due.year == 2027
    assert parse("gauge-check", check="daily").due is None


def test_a_regrade_names_the_grade():
    assert refusal("disposition", decision="regrade").field == "grade"
    assert parse("disposition", decision="regrade", grade="B").grade == "B"


@pytest.mark.parametrize(
    ("named", "near"),
    [
        ("wieghing", "weighing"),
        ("run-out", "runout"),
        ("Drop", "drop"),
        ("dispositions", "disposition"),
    ],
)
def test_an_unknown_kind_is_refused_with_the_nearest_known(named, near):
    with pytest.raises(Refused) as refused:
        PARSER.from_object({"kind": named, **COMMON})
    assert refused.value.field == "kind"
    assert refused.value.reason.endswith(f"nearest known: {near}")


@pytest.mark.parametrize("named", [None, "", Decimal(5), True, ["drop"]])
def test_a_record_without_a_kind_is_refused(named):
    with pytest.raises(Refused, match="kind"):
        PARSER.from_object({"kind": named, **COMMON, **SMALLEST["drop"]})


def test_a_file_may_name_the_kind_for_its_objects():
    assert PARSER.from_object(COMMON | SMALLEST["receipt"], "receipt") == parse("receipt")


def test_unknown_columns_are_kept_whole_as_text():
    temperatures = [Decimal(i) for i in range(100)]
    record = parse(
        "weighing", room="Halle 3", temps=temperatures, ok=True, humidity=Decimal("40.5")
    )
    assert record.other["room"] == "Halle 3"
    assert record.other["humidity"] == "40.5"
    assert record.other["ok"] == "true"
    assert json.loads(record.other["temps"]) == [str(i) for i in range(100)]


def test_an_empty_unknown_cell_is_absent():
    cells = COMMON | SMALLEST["receipt"] | {"room": " ", "bay": "4"}
    record = PARSER.from_cells("receipt", list(cells), list(cells.values()))
    assert record.other == {"bay": "4"}


@pytest.mark.parametrize(
    "other", [{"room": "x" * 2001}, {"room": "a\0"}, {"a\0": "1"}, {"\ud800": "1"}]
)
def test_an_unknown_column_that_cannot_be_kept_refuses_the_line(other):
    # what no text can hold is named by its escape
    named = next(iter(other)).encode(errors="backslashreplace").decode()
    assert refusal("receipt", **other).field == named


def test_a_refusal_shows_what_was_received_in_short():
    refused = refusal("weighing", gross_g="x" * 500)
    assert refused.value is not None
    assert len(refused.value) == 120
    assert refused.value.endswith("...")
    assert refusal("weighing", gross_g=[Decimal(1)]).value == '["1"]'


def test_only_true_can_be_said_of_void():
    assert parse("correction").void is True
    refused = refusal("correction", void=False)
    assert (refused.field, refused.value) == ("void", "false")
    assert refusal("correction", void=None, accept="false").field == "accept"


def test_a_correction_does_one_thing():
    weighing = {"kind": "weighing", **COMMON, **SMALLEST["weighing"]}
    assert refusal("correction", replacement=weighing).field == "replacement"
    assert refusal("correction", void=None, accept=True, replacement=weighing).field == "accept"


def test_a_correction_cannot_mend_itself():
    assert refusal("correction", record_id=OF).field == "of"


def replaced(**more: Any) -> dict[str, Any]:
    return {"kind": "weighing", **COMMON, **SMALLEST["weighing"], **more}


def test_a_replacement_is_read_like_any_record():
    record = parse("correction", void=None, replacement=replaced(gross_g=Decimal("413.50")))
    assert record.replacement is not None
    assert record.replacement["gross_g"] == "413.5"
    assert record.replacement["taken_at"] == "2026-03-31T13:05:00Z"
    assert "record_id" not in record.replacement


def test_a_replacement_in_a_csv_cell_is_json():
    text = json.dumps(replaced(gross_g=413.5))
    cells = COMMON | {"of": OF, "reason": "misread", "replacement": text}
    record = PARSER.from_cells("correction", list(cells), list(cells.values()))
    assert record == parse(
        "correction", reason="misread", void=None, replacement=replaced(gross_g=Decimal("413.5"))
    )


@pytest.mark.parametrize(
    ("inner", "field"),
    [
        ({"gross_g": Decimal(-1)}, "replacement.gross_g"),
        ({"stage": "hub"}, "replacement.stage"),
        ({"serial": None}, "replacement.serial"),
        ({"kind": "wieghing"}, "replacement.kind"),
        ({"kind": None}, "replacement.kind"),
        ({"record_id": OTHER}, "replacement.record_id"),
    ],
)
def test_a_fault_in_a_replacement_is_named_by_its_path(inner, field):
    assert refusal("correction", void=None, replacement=replaced(**inner)).field == field


def test_a_replacement_keeps_the_identity_of_what_it_replaces():
    same = parse("correction", void=None, replacement=replaced(record_id=OF.upper()))
    assert same.replacement is not None
    assert same.replacement["record_id"] == OF


@pytest.mark.parametrize("raw", ["{", "[]", "5", '"x"', "null", Decimal(5), [], '{"kind": NaN}'])
def test_a_replacement_that_is_no_record_is_refused(raw):
    assert refusal("correction", void=None, replacement=raw).field.startswith("replacement")


@pytest.mark.parametrize("levels", [9, 300, 100_000])
def test_corrections_in_a_csv_cell_do_not_nest_without_end(levels):
    outer = json.dumps({"kind": "correction", **COMMON, "of": OF, "reason": "r"})[:-1]
    text = f'{outer}, "replacement": ' * levels + json.dumps(replaced()) + "}" * levels
    assert refusal("correction", void=None, replacement=text).field == "replacement"


def test_a_correction_of_a_correction_can_be_a_replacement():
    inner = {"kind": "correction", **COMMON, "of": OTHER, "reason": "r", "replacement": replaced()}
    record = parse("correction", void=None, replacement=inner)
    assert record.replacement is not None
    assert record.replacement["replacement"]["gross_g"] == "412.5"
