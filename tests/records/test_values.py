"""Single values: how a cell or a JSON value becomes what a record keeps."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.records import rules
from qc.records.kinds import KINDS
from qc.records.parsing import FIELDS, RecordParser, Refused

WEIGHING = ["taken_at", "station", "inspector", "serial", "stage", "gauge"]
CELLS = ["2026-03-31T14:05:00Z", "bench", "jo", "R-1", "rim", "scale"]


def weighed(gross: str, *, decimal_comma: bool = False) -> Decimal:
    parser = RecordParser(None, decimal_comma=decimal_comma)
    return parser.from_cells("weighing", [*WEIGHING, "gross_g"], [*CELLS, gross]).gross_g


def fitted(text: str) -> dict[str, int]:
    parser = RecordParser(None)
    columns = [*WEIGHING, "gross_g", "fitted"]
    return parser.from_cells("weighing", columns, [*CELLS, "412", text]).fitted


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("12.5", "12.5"),
        ("12.50", "12.5"),
        ("012.5", "12.5"),
        ("+5", "5"),
        ("5.", "5"),
        (".5", "0.5"),
        ("1e2", "100"),
        ("1E+2", "100"),
        ("1.25e-2", "0.0125"),
        ("100", "100"),
        ("1.2e-17", "0.000000000000000012"),
        ("999999999999999", "999999999999999"),
        ("1234567890123.456789012345678", "1234567890123.456789012345678"),
        (" 412.5 ", "412.5"),
    ],
)
def test_a_number_is_taken_as_written(written, value):
    assert weighed(written) == Decimal(value)


def test_a_number_never_shows_an_exponent():
    assert str(weighed("1e2")) == "100"
    assert str(weighed("866.00")) == "866"


@pytest.mark.parametrize(
    "written",
    [
        *("1_000", "1 000", "1,000.5", "1.234.5", "12.5 g", "0x10", "1e", "e5", "--5", "+-5", "."),
        *("-", "NaN", "nan", "sNaN", "inf", "-Infinity", "1e999", "1e-999", "1e15", "1e9999999999"),
        *("9" * 40, "1." + "1" * 39),
        *("١٢", "１２", "12½", "一"),
    ],
)  # fmt: skip
def test_what_is_no_number_is_refused(written):
    with pytest.raises(Refused) as refused:
        weighed(written)
    assert refused.value.field == "gross_g"
    assert refused.value.value == written
    assert refused.value.reason == "expected a number above 0"


@pytest.mark.parametrize("written", ["0", "-0", "0.000", "-1", "-1e-9"])
def test_a_rim_weighs_more_than_nothing(written):
    with pytest.raises(Refused, match="above 0"):
        weighed(written)


def test_minus_nought_is_nought():
    assert str(rules.read_number("-0")) == "0"
    assert str(rules.read_number("-0.00e5")) == "0"
    assert str(rules.read_number(Decimal("-0.0"))) == "0"


def test_a_comma_is_a_decimal_point_only_in_logs_that_may_write_it():
    assert weighed("12,5", decimal_comma=True) == Decimal("12.5")
    assert weighed("12.5", decimal_comma=True) == Decimal("12.5")
    with pytest.raises(Refused):
        weighed("12,5")


@pytest.mark.parametrize("written", ["1.234,5", "1,234,5", "1,234.5", "12,5,", ","])
def test_thousands_marks_are_refused_in_a_log_with_decimal_commas(written):
    with pytest.raises(Refused):
        weighed(written, decimal_comma=True)


def test_a_decimal_comma_is_read_in_readings_and_angles_too():
    parser = RecordParser(None, decimal_comma=True)
    columns = [*WEIGHING, "direction", "readings_mm"]
    turn = parser.from_cells("runout", columns, [*CELLS, "lateral", "0,1 " * 8])
    assert turn.readings_mm == (Decimal("0.1"),) * 8


@pytest.mark.parametrize("value", [True, False, None, 5, 5.5, [], {}, b"6"])
def test_only_text_and_json_numbers_are_numbers(value):
    with pytest.raises(ValueError):  # noqa: PT011 - the caller words it
        rules.read_number(value)


@given(st.decimals(-(10**14), 10**14, allow_nan=False, places=6))
def test_text_and_json_number_are_one_value(number):
    read = rules.read_number(number)
    assert read == number
    assert rules.read_number(str(number)) == read
    assert rules.read_number(f"{number:f}000") == read
    assert str(rules.read_number(f"{number:E}")) == str(read)
    assert "E" not in str(read) or abs(read) < Decimal("0.00001")


@pytest.mark.parametrize(
    ("written", "angle"),
    [
        ("0", "0"),
        ("360", "0"),
        ("-360", "0"),
        ("720.5", "0.5"),
        ("-90", "270"),
        ("-0.5", "359.5"),
        ("359.999", "359.999"),
        ("36000000000", "0"),
        ("180", "180"),
        ("100", "100"),
        ("-1e-28", "0"),
    ],
)
def test_an_angle_is_taken_modulo_a_turn(written, angle):
    assert str(rules.ANGLE.read(written)) == angle


@given(st.decimals(-(10**9), 10**9, places=3), st.integers(-5, 5))
def test_whole_turns_change_no_angle(angle, turns):
    read = rules.ANGLE.read(angle)
    assert 0 <= read < 360
    assert rules.ANGLE.read(angle + 360 * turns) == read


@pytest.mark.parametrize("code", ["R-1", "r-1", "007", "a.b/c_d-e", "X" * 64, "-", "."])
def test_a_code_is_exact(code):
    assert rules.CODE.read(code) == code


@pytest.mark.parametrize(
    "code", ["", "X" * 65, "R 1", "R:1", "Ré", "Ｒ1", "R\n1", "R\0", "R+1", "R,1"]
)
def test_a_code_of_other_characters_is_refused(code):
    with pytest.raises(ValueError):  # noqa: PT011
        rules.CODE.read(code)


def test_spaces_around_a_code_are_taken_off_and_its_case_is_kept():
    record = RecordParser(None).from_cells(
        "weighing", [*WEIGHING, "gross_g"], [*CELLS[:3], "  Ab-1\t", " rim ", "scale ", "412"]
    )
    assert (record.serial, record.stage, record.gauge) == ("Ab-1", "rim", "scale")


def test_a_rig_may_send_a_code_of_digits_as_a_number():
    assert rules.CODE.read(Decimal("1042")) == "1042"


@pytest.mark.parametrize(
    ("text", "pieces"),
    [
        ("tape:1", {"tape": 1}),
        ("tape:1  weight:2", {"tape": 1, "weight": 2}),
        ("tape:0", {}),
        ("a/b.c-d:3", {"a/b.c-d": 3}),
        ("", {}),
    ],
)
def test_fitted_parts_are_codes_with_counts(text, pieces):
    assert fitted(text) == pieces


@pytest.mark.parametrize(
    "text", ["tape", "tape:", ":1", "tape:-1", "tape:1.5", "tape:x", "tape:1 tape:1", "tape:1001",
             "tape: 1", "tape:1,weight:2", "tape:1:1"]
)  # fmt: skip
def test_fitted_parts_that_cannot_be_read_are_refused(text):
    with pytest.raises(Refused) as refused:
        fitted(text)
    assert refused.value.field == "fitted"
    assert "code:count" in refused.value.reason


def test_fitted_parts_stand_in_json_as_an_object():
    assert rules.FITTED.read({"tape": Decimal(1), "weight": "2"}) == {"tape": 1, "weight": 2}
    for wrong in ({"a b": Decimal(1)}, {"tape": None}, ["tape"], Decimal(1), {"tape": True}):
        with pytest.raises(ValueError):  # noqa: PT011
            rules.FITTED.read(wrong)


def test_readings_are_at_least_eight_numbers():
    assert rules.READINGS.read(" 0.1  0.2\t" + "0 " * 6)[:2] == (Decimal("0.1"), Decimal("0.2"))
    assert rules.READINGS.read([Decimal("0.10"), "0.1", *["0"] * 6])[0] == Decimal("0.1")
    for wrong in ("0 " * 7, ["0"] * 7, "0 " * 7 + "x", [*["0"] * 7, None], Decimal(1), {}):
        with pytest.raises(ValueError):  # noqa: PT011
            rules.READINGS.read(wrong)


@pytest.mark.parametrize("word", ["Rim", "RIM", "wheel", "rim-", "front wheel"])
def test_a_choice_is_one_of_its_words_exactly(word):
    stage = next(f.rule for f in FIELDS["weighing"] if f.name == "stage")
    assert stage.read("rim") == "rim"
    with pytest.raises(ValueError):  # noqa: PT011
        stage.read(word)
    assert stage.expected == "one of rim, front-wheel, rear-wheel"


def test_zones_are_one_or_more_words():
    zones = next(f.rule for f in FIELDS["inspection"] if f.name == "zones")
    assert zones.read("hook  sidewall hook") == ("hook", "sidewall")
    assert zones.read(["hook"]) == ("hook",)
    for wrong in ("", [], "hook,sidewall", ["hook", 1], "rim", {}):
        with pytest.raises(ValueError):  # noqa: PT011
            zones.read(wrong)


@pytest.mark.parametrize(
    "written",
    ["123e4567-e89b-42d3-a456-426614174000", "123E4567-E89B-42D3-A456-426614174000",
     "00000000-0000-0000-0000-000000000000"],
)  # fmt: skip
def test_a_uuid_is_kept_in_small_letters(written):
    assert rules.UUID.read(written) == written.lower()


@pytest.mark.parametrize(
    "written",
    ["123e4567e89b42d3a456426614174000", "{123e4567-e89b-42d3-a456-426614174000}",
     "urn:uuid:123e4567-e89b-42d3-a456-426614174000", "123e4567-e89b-42d3-a456-42661417400",
     "123e4567-e89b-42d3-a456-42661417400g", "123e4567-e89b-42d3-a456-4266141740000", 5],
)  # fmt: skip
def test_other_forms_of_a_uuid_are_refused(written):
    with pytest.raises(ValueError):  # noqa: PT011
        rules.UUID.read(written)


@pytest.mark.parametrize(("rule", "most"), [(rules.text(), 200), (rules.text(2000), 2000)])
def test_text_has_a_limit_in_characters(rule, most):
    assert rule.read("é" * most) == "é" * most
    with pytest.raises(ValueError):  # noqa: PT011
        rule.read("é" * (most + 1))


@pytest.mark.parametrize("text", ["a\0b", "\ud800", "a\udfff"])
def test_text_that_no_database_keeps_is_refused(text):
    with pytest.raises(ValueError):  # noqa: PT011
        rules.text().read(text)


def test_text_keeps_line_breaks_and_characters_beyond_the_basic_plane():
    assert rules.text().read("two\nlines \U0001f6b2") == "two\nlines \U0001f6b2"


@pytest.mark.parametrize("name", ["../x.jpg", "a/b.jpg", "a\\b.jpg", ".hidden", "C:x.jpg", "a\nb"])
def test_a_photo_is_a_file_name_without_folders(name):
    assert rules.FILE_NAME.read("R-1 hook.jpg") == "R-1 hook.jpg"
    with pytest.raises(ValueError):  # noqa: PT011
        rules.FILE_NAME.read(name)


@pytest.mark.parametrize(("value", "truth"), [(True, True), ("TRUE", True), ("False", False)])
def test_truth_is_written_out(value, truth):
    assert rules.TRUTH.read(value) is truth


@pytest.mark.parametrize("value", ["yes", "1", Decimal(1), None, ""])
def test_nothing_else_is_truth(value):
    with pytest.raises(ValueError):  # noqa: PT011
        rules.TRUTH.read(value)


@pytest.mark.parametrize("value", ["0", "-1", "1.5", "1000000001", "one", "1e10"])
def test_a_repeat_is_a_whole_number_of_one_or_more(value):
    repeat = next(f.rule for f in FIELDS["receipt"] if f.name == "repeat")
    assert repeat.read("2.0") == 2
    with pytest.raises(ValueError):  # noqa: PT011
        repeat.read(value)


def test_every_field_of_every_kind_says_what_it_expects():
    for kind in KINDS:
        for field in FIELDS[kind]:
            if isinstance(field.rule, rules.Rule):
                assert field.rule.expected
            else:
                assert field.rule in ("moment", "record")
