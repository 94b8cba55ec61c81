"""One byte form for each record (RFC 8785), its digest, and identity made from content."""

import json
import uuid
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.records.canonical import body, derived_id, digest, from_body, replacement_of, same_content
from qc.records.kinds import Correction
from qc.records.parsing import RecordParser
from tests.records.at_random import CLEAN, objects

PARSER = RecordParser(ZoneInfo("Europe/Lisbon"))
COMMA = RecordParser(ZoneInfo("Europe/Lisbon"), decimal_comma=True)
CELLS = {
    "taken_at": "2026-03-31T14:05:00",
    "station": "bench",
    "inspector": "jo",
    "serial": "R-1",
    "stage": "rim",
    "gauge": "S1",
    "gross_g": "412.5",
    "fitted": "tape:1 weight:2",
}
FROZEN = (
    b'{"fitted":{"tape":1,"weight":2},"gauge":"S1","gross_g":"412.5","inspector":"jo",'
    b'"kind":"weighing","record_id":"123e4567-e89b-42d3-a456-426614174000","serial":"R-1",'
    b'"stage":"rim","station":"bench","taken_at":"2026-03-31T13:05:00Z"}'
)
# sha256sum of the bytes above
FROZEN_DIGEST = "90bf6f0ec342c1bf3283047ee41aab4aa8fef81d558c8004405cf6206e3d757f"
FROZEN_ID = "edd87948-d98c-8938-8446-c0d7aec36c3f"


def weighing(parser: RecordParser = PARSER, **more: str):
    cells = CELLS | more
    return parser.from_cells("weighing", list(cells), list(cells.values()))


@settings(max_examples=120)
@given(value=objects())
def test_the_byte_form_is_that_of_rfc_8785(value):
    text = body(PARSER.from_object(value))
    assert text == rfc8785.dumps(json.loads(text))


@given(names=st.lists(st.text(CLEAN, min_size=1, max_size=3), unique=True, max_size=6))
def test_members_stand_in_the_order_of_the_rfc_whatever_their_names(names):
    record = weighing(**{f"x{name}": "1" for name in names})
    assert body(record) == rfc8785.dumps(json.loads(body(record)))


@settings(max_examples=120)
@given(value=objects())
def test_a_record_survives_its_byte_form(value):
    record = PARSER.from_object(value)
    assert from_body(body(record)) == record
    assert body(from_body(body(record))) == body(record)


def test_a_replacement_with_lists_survives_its_byte_form():
    turn = {k: CELLS[k] for k in ("taken_at", "station", "inspector", "serial", "stage", "gauge")}
    turn |= {"kind": "runout", "direction": "radial", "readings_mm": "0 1 0 1 0 1 0 1"}
    cells = {k: CELLS[k] for k in ("taken_at", "station", "inspector")}
    of = "123e4567-e89b-42d3-a456-426614174000"
    record = PARSER.from_object(
        {"kind": "correction", **cells, "of": of, "reason": "other side", "replacement": turn}
    )
    assert same_content(from_body(body(record)), record)


def test_a_known_record_has_the_known_bytes_and_digest():
    record = weighing(record_id="123E4567-E89B-42D3-A456-426614174000")
    assert body(record) == FROZEN
    assert digest(FROZEN) == FROZEN_DIGEST


def test_a_record_without_an_identity_gets_one_from_its_content():
    record = weighing()
    assert record.record_id == FROZEN_ID
    made = uuid.UUID(record.record_id)
    # RFC 9562: version 8, variant of that RFC
    assert (made.version, made.variant) == (8, uuid.RFC_4122)


@pytest.mark.parametrize(
    "spelled",
    [
        {"gross_g": "412.50"},
        {"gross_g": "+412.5"},
        {"gross_g": "4125e-1"},
        {"taken_at": "2026-03-31T13:05:00Z"},
        {"taken_at": "2026-03-31t15:05:00.000+02:00"},
        {"fitted": "weight:2 tape:1"},
        {"fitted": "weight:2 tape:01 bolt:0"},
        {"serial": " R-1 "},
        {"note": "seen twice"},
        {"room": "a column that this tool does not know"},
        {"repeat": ""},
    ],
)
def test_the_spelling_does_not_change_the_identity(spelled):
    assert weighing(**spelled).record_id == weighing().record_id


def test_a_decimal_comma_and_a_json_number_do_not_change_the_identity():
    value: dict[str, Any] = {"kind": "weighing", **CELLS, "gross_g": Decimal("412.50")}
    value["fitted"] = {"tape": Decimal(1), "weight": Decimal("2.0")}
    assert PARSER.from_object(value) == weighing(COMMA, gross_g="412,5") == weighing()


def test_the_order_of_columns_does_not_change_the_identity():
    columns = sorted(CELLS)
    shuffled = PARSER.from_cells("weighing", columns, [CELLS[name] for name in columns])
    assert shuffled == weighing()


def test_an_angle_a_whole_turn_on_is_the_same_angle():
    finding = {"kind": "finding", **CELLS, "zone": "hook", "defect": "void", "size_mm": "2"}
    finding = {k: v for k, v in finding.items() if k not in ("stage", "gauge", "gross_g", "fitted")}
    ids = {
        PARSER.from_object({**finding, "angle_deg": angle}).record_id
        for angle in ("350", "-10", "710", "350.0", "3.5e2")
    }
    assert len(ids) == 1


@pytest.mark.parametrize(
    "other",
    [
        {"gross_g": "412.51"},
        {"taken_at": "2026-03-31T14:05:00.000001"},
        {"serial": "r-1"},
        {"inspector": "ola"},
        {"station": "bench2"},
        {"stage": "front-wheel"},
        {"fitted": "tape:1"},
        {"repeat": "1"},
        {"repeat": "2"},
    ],
)
def test_another_content_has_another_identity(other):
    assert weighing(**other).record_id != weighing().record_id


def test_true_repeats_are_told_apart_by_their_number():
    assert len({weighing(repeat=str(n)).record_id for n in range(1, 6)}) == 5


def test_two_kinds_with_equal_values_are_two_records():
    common = {k: CELLS[k] for k in ("taken_at", "station", "inspector", "serial")}
    shipped = PARSER.from_object({"kind": "shipment", **common, "order": "1", "to": "2"})
    back = PARSER.from_object({"kind": "customer-return", **common, "reason": "1"})
    assert shipped.record_id != back.record_id


def test_unknown_columns_are_kept_but_say_nothing_about_sameness():
    one, two = weighing(room="1"), weighing(room="2")
    assert one != two
    assert same_content(one, two)
    assert not same_content(weighing(), weighing(gross_g="413"))


@given(value=objects(kind="correction"))
def test_a_replacement_becomes_a_record_with_the_identity_of_the_original(value):
    correction = PARSER.from_object(value)
    assert isinstance(correction, Correction)
    if correction.replacement is not None:
        inner = replacement_of(correction)
        assert inner.record_id == correction.of
        again = PARSER.from_object({**value["replacement"], "record_id": correction.of})
        assert inner == again


def test_identities_are_spread_over_all_bits():
    found = {derived_id(str(n).encode()) for n in range(1000)}
    assert len(found) == 1000
    assert {uuid.UUID(one).version for one in found} == {8}
