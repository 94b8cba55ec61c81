"""The schemas for those who program a station: as committed, and in agreement with the parser."""

import json
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from qc.records.kinds import KINDS, kind_of
from qc.records.parsing import FIELDS, RecordParser, Refused
from qc.records.station_schema import file_name, file_text, schema_of, write
from qc.resources import folder
from tests.records.at_random import objects, plain

PARSER = RecordParser(ZoneInfo("Europe/Lisbon"))
VALIDATORS = {kind: Draft202012Validator(schema_of(kind)) for kind in KINDS}

WEIGHING = {
    "kind": "weighing",
    "taken_at": "2026-03-31T14:05:00",
    "station": "bench",
    "inspector": "jo",
    "serial": "R-1",
    "stage": "rim",
    "gauge": "scale",
    "gross_g": 866,
    "fitted": {"tape": 1},
}
RUNOUT = {
    "kind": "runout",
    "taken_at": "2026-03-31T14:05:00+02:00",
    "station": "stand",
    "inspector": "jo",
    "serial": "R-1",
    "stage": "rim",
    "gauge": "clock",
    "direction": "radial",
    "tir_mm": 0.25,
}
CORRECTION = {
    "kind": "correction",
    "taken_at": "2026-03-31T14:05:00Z",
    "station": "desk",
    "inspector": "jo",
    "of": "123e4567-e89b-42d3-a456-426614174000",
    "reason": "typed twice",
    "void": True,
}
CALIBRATION = {
    "kind": "gauge-check",
    "taken_at": "2026-03-31T14:05:00Z",
    "station": "desk",
    "inspector": "jo",
    "gauge": "scale",
    "check": "calibration",
    "found": "as-found",
    "reference": "500 g weight",
    "nominal": 500,
    "reading": 500.1,
    "limit": 0.3,
    "due": "2027-03-31",
}


def as_read(value):
    return json.loads(json.dumps(value), parse_float=Decimal, parse_int=Decimal)


def refused(value) -> bool:
    try:
        PARSER.from_object(as_read(value))
    except Refused:
        return True
    return False


@pytest.mark.parametrize("kind", KINDS)
def test_the_committed_schema_is_the_one_that_the_types_give(kind):
    committed = folder("schemas") / "station_log" / file_name(kind)
    assert committed.read_text(encoding="utf-8") == file_text(kind), (
        "run python -m qc.records.station_schema"
    )


def test_no_schema_is_left_of_a_kind_that_is_gone():
    committed = {path.name for path in (folder("schemas") / "station_log").iterdir()}
    assert committed == {file_name(kind) for kind in KINDS}


def test_writing_gives_one_file_for_each_kind(tmp_path):
    write(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {file_name(kind) for kind in KINDS}
    assert json.loads((tmp_path / "drop.schema.json").read_bytes())["title"] == "drop"


@pytest.mark.parametrize("kind", KINDS)
def test_every_schema_is_a_sound_one_with_title_and_description(kind):
    schema = schema_of(kind)
    Draft202012Validator.check_schema(schema)
    assert schema["title"] == kind
    assert schema["description"].endswith(".")
    assert all(field.name in schema["properties"] for field in FIELDS[kind])


@pytest.mark.parametrize("example", [WEIGHING, RUNOUT, CORRECTION, CALIBRATION])
def test_an_example_of_a_record_validates_and_is_taken(example):
    VALIDATORS[example["kind"]].validate(example)
    assert not refused(example)


@pytest.mark.parametrize(
    ("example", "change"),
    [
        (WEIGHING, {"gross_g": 0}),
        (WEIGHING, {"gross_g": True}),
        (WEIGHING, {"gross_g": "heavy"}),
        (WEIGHING, {"stage": "hub"}),
        (WEIGHING, {"serial": "R 1"}),
        (WEIGHING, {"serial": "R" * 65}),
        (WEIGHING, {"serial": "Ré1"}),
        (WEIGHING, {"fitted": {"a b": 1}}),
        (WEIGHING, {"fitted": {"tape": -1}}),
        (WEIGHING, {"fitted": {"tape": 1.5}}),
        (WEIGHING, {"repeat": 0}),
        (WEIGHING, {"note": "x" * 2001}),
        (WEIGHING, {"record_id": "123"}),
        (WEIGHING, {"record_id": "{123e4567-e89b-42d3-a456-426614174000}"}),
        (WEIGHING, {"taken_at": "31.03.2026 14:05"}),
        (WEIGHING, {"taken_at": "2026-03-31"}),
        (WEIGHING, {"taken_at": "2026-03-31T25:00:00Z"}),
        (WEIGHING, {"taken_at": "2016-12-31T23:59:60Z"}),
        (WEIGHING, {"taken_at": "2026-03-31T14:05:00+0200"}),
        (RUNOUT, {"tir_mm": -0.1}),
        (RUNOUT, {"readings_mm": [0.1] * 7}),
        (CORRECTION, {"void": False}),
        (CORRECTION, {"accept": True}),
        (CORRECTION, {"replacement": "none"}),
        (CORRECTION, {"replacement": {"kind": "wieghing"}}),
        (CALIBRATION, {"due": "31/03/2027"}),
        (CALIBRATION, {"limit": -1}),
    ],
)
def test_what_the_schema_refuses_the_parser_refuses_too(example, change):
    spoilt = example | change
    assert not VALIDATORS[example["kind"]].is_valid(spoilt)
    assert refused(spoilt)


@pytest.mark.parametrize(
    ("example", "name"),
    [
        (WEIGHING, "gross_g"),
        (WEIGHING, "taken_at"),
        (RUNOUT, "tir_mm"),
        (CORRECTION, "void"),
        (CALIBRATION, "due"),
    ],
)
def test_a_field_that_must_be_there_is_missed_by_both(example, name):
    spoilt = {key: value for key, value in example.items() if key != name}
    assert not VALIDATORS[example["kind"]].is_valid(spoilt)
    assert refused(spoilt)


@settings(max_examples=120)
@given(value=objects())
def test_what_the_parser_takes_validates(value):
    record = PARSER.from_object(value)
    VALIDATORS[kind_of(record)].validate(plain(value))


@settings(max_examples=120)
@given(value=objects(), data=st.data())
def test_a_record_spoilt_in_one_field_is_refused_by_the_parser_where_the_schema_refuses_it(
    value, data
):
    name = data.draw(st.sampled_from(sorted(value)))
    junk = st.sampled_from([True, Decimal(-1), Decimal("0.5"), "?", "A B", [], ["?"], {"?": "?"}])
    spoilt = value | {name: data.draw(junk)}
    if data.draw(st.booleans()):
        del spoilt[name]
    taken = True
    try:
        PARSER.from_object(spoilt)
    except Refused:
        taken = False
    known = spoilt.get("kind")
    valid = known in VALIDATORS if isinstance(known, str) else False
    valid = valid and VALIDATORS[known].is_valid(plain(spoilt))
    # two things that JSON can write and a station may: digits for a code or a text
    digits = isinstance(spoilt.get(name), Decimal)
    assert valid or not taken or digits
