"""Data given out: read back by other programs, described by its schema, text never a formula."""

import csv
import io
import json
import re
import sys
import tracemalloc
from decimal import Decimal

import jsonschema
import openpyxl
import pyarrow.parquet
import pytest

from qc.errors import RimqcError
from qc.reports import data_files
from qc.reports.data_files import guard, write_table
from qc.views.export import Table, tables
from qc.views.export_fields import Field
from tests.maker import accept, record, run
from tests.reports.shop import WHOLE

FORMULA = '=HYPERLINK("http://x")'
# of Table Schema 2.0 (Frictionless): what its fields, constraints and key may be
SPEC = {
    "type": "object",
    "required": ["fields"],
    "properties": {
        "fields": {
            "type": "array",
            "minItems": 1,
            "items": {
                "required": ["name", "type", "description"],
                "properties": {
                    "name": {"type": "string"},
                    "type": {
                        "enum": [
                            *("string", "number", "integer", "boolean", "object", "array"),
                            *("date", "datetime", "time", "year", "yearmonth", "duration"),
                            *("list", "geopoint", "geojson", "any"),
                        ]
                    },
                    "constraints": {
                        "properties": {
                            "required": {"type": "boolean"},
                            "enum": {"type": "array", "minItems": 1, "uniqueItems": True},
                        },
                        "additionalProperties": False,
                    },
                },
            },
        },
        "primaryKey": {"type": "array", "items": {"type": "string"}, "minItems": 1},
        "missingValues": {"type": "array", "items": {"type": "string"}},
    },
}


@pytest.fixture
def given_out(shop, tmp_path):
    """Gives out every table in a form, and returns the folder."""
    accept(
        shop,
        [
            record("disposition", reason=FORMULA, serial="R9", taken_at="2026-02-03T09:00:00"),
            record("receipt", serial="-R9"),
            record("weighing", serial="-R9", gross_g=500),
        ],
    )

    def export(form, *more):
        folder = tmp_path / form
        words = ["export", *tables(), "--as", form, "--to", folder, *more]
        code, out, err = run(*words, "--db", shop.url, "--format", "json")
        assert (code, err) == (0, "")
        return folder, {row["table"]: row["rows"] for row in json.loads(out)}

    return export


def read(file):
    return list(csv.DictReader(io.StringIO(file.read_bytes().decode(), newline="")))


def as_typed(field, cell):
    """A cell of a CSV read as its schema says; ValueError where it is not so."""
    if cell == "":
        return None
    if field["type"] in ("array", "object"):
        return json.loads(cell)
    kinds = {"number": Decimal, "integer": int, "boolean": ("false", "true").index}
    if field["type"] in ("date", "datetime"):
        pattern = r"\d{4}-\d\d-\d\d" + r"T\d\d:\d\d:\d\d(\.\d+)?Z" * (field["type"] == "datetime")
        assert re.fullmatch(pattern, cell), (field, cell)
    return kinds.get(field["type"], str)(cell)


def test_every_csv_is_what_its_schema_says(given_out):
    folder, counts = given_out("csv")
    for name, count in counts.items():
        schema = json.loads((folder / f"{name}.schema.json").read_text())
        jsonschema.validate(schema, SPEC)
        rows = read(folder / f"{name}.csv")
        assert len(rows) == count > 0, name
        fields = {field["name"]: field for field in schema["fields"]}
        keys = set()
        for row in rows:
            assert row.keys() == fields.keys()
            typed = {cell: as_typed(fields[cell], row[cell]) for cell in row}
            for field in fields.values():
                limits = field.get("constraints", {})
                assert not limits.get("required") or typed[field["name"]] is not None
                assert typed[field["name"]] in (None, *limits.get("enum", [typed[field["name"]]]))
            keys.add(tuple(typed[cell] for cell in schema["primaryKey"]))
        assert len(keys) == len(rows), name


def test_text_never_becomes_a_formula_and_can_be_had_as_recorded(given_out):
    folder, _ = given_out("csv")
    rows = read(folder / "records.csv")
    assert "'" + FORMULA in [row["reason"] for row in rows]
    assert "'-R9" in [row["serial"] for row in rows]
    assert "one more apostrophe" in (folder / "records.schema.json").read_text()
    weighed = next(row for row in rows if row["kind"] == "weighing")
    assert weighed["gross_g"] == "451.23"  # as it was written
    folder, _ = given_out("csv", "--as-recorded", "--force")
    rows = read(folder / "records.csv")
    assert FORMULA in [row["reason"] for row in rows]


@pytest.mark.parametrize(
    "text", ["=1", "+1", "-1", "@x", "\tx", "\rx", "'=1", "''@", "'quoted'", "x"]
)
def test_taking_one_apostrophe_off_gives_the_text_back(text):
    assert re.sub(r"^'(?='*[=+@\t\r-])", "", guard(text)) == text
    assert guard(text)[0] not in "=+-@\t\r"


def test_a_negative_number_is_no_text():
    assert guard(Decimal("-3.5")) == Decimal("-3.5")


def test_xlsx_holds_text_as_text_and_numbers_as_numbers(given_out):
    folder, counts = given_out("xlsx")
    sheet = openpyxl.load_workbook(folder / "records.xlsx").active
    heads = [cell.value for cell in sheet[1]]
    assert sheet.max_row == counts["records"] + 1
    cells = [dict(zip(heads, row, strict=True)) for row in sheet.iter_rows(min_row=2)]
    (reason,) = [row["reason"] for row in cells if row["reason"].value == FORMULA]
    assert reason.data_type == "s"
    gross = [row["gross_g"].value for row in cells if row["gross_g"].value is not None]
    assert gross == [451.23, 500]


def test_parquet_holds_types_and_its_schema(given_out):
    folder, counts = given_out("parquet")
    read = pyarrow.parquet.read_table(folder / "records.parquet")
    assert read.num_rows == counts["records"]
    assert str(read.schema.field("taken_at").type) == "timestamp[us, tz=UTC]"
    assert FORMULA in read.column("reason").to_pylist()
    schema = json.loads(read.schema.metadata[b"table_schema"])
    assert [field["name"] for field in schema["fields"]] == read.column_names
    values = pyarrow.parquet.read_table(folder / "values.parquet").to_pylist()
    (mass,) = [v for v in values if (v["serial"], v["characteristic"]) == (WHOLE, "bare-mass")]
    assert (mass["value"], mass["unit"]) == (451.23, "g")


NUMBERS = Table("numbers", "Numbers", (Field("n", "integer", "a number", True),), ("n",), None)
TEXTS = Table("texts", "Texts", (Field("t", "string", "a text"),), ("t",), None)


def test_what_does_not_fit_a_sheet_is_refused_and_nothing_is_left(tmp_path, monkeypatch):
    monkeypatch.setattr(data_files, "MOST_ROWS", 3)
    file = tmp_path / "numbers.xlsx"
    with pytest.raises(RimqcError, match=r"more than 3 rows.*csv or parquet"):
        write_table(NUMBERS, ({"n": n} for n in range(4)), file, over=False)
    with pytest.raises(RimqcError, match="40,000 characters"):
        write_table(TEXTS, [{"t": "x" * 40_000}], tmp_path / "texts.xlsx", over=False)
    assert list(tmp_path.iterdir()) == []
    assert write_table(NUMBERS, ({"n": n} for n in range(3)), file, over=False)[0] == 3
    with pytest.raises(RimqcError, match="is there already"):
        write_table(NUMBERS, [], file, over=False)


def test_a_missing_library_is_named_with_the_extra_that_brings_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)
    with pytest.raises(RimqcError, match=r"xlsxwriter is not installed.*rimqc\[export\]") as fault:
        write_table(NUMBERS, [{"n": 1}], tmp_path / "numbers.xlsx", over=False)
    assert fault.value.exit_code == 2


@pytest.mark.parametrize("form", ["csv", "xlsx", "parquet"])
def test_rows_are_written_as_they_are_read_and_not_gathered(tmp_path, form):
    texts = ({"t": f"{n:05}" * 400} for n in range(30_000))  # 60 MB of text
    tracemalloc.start()
    try:
        count, _ = write_table(TEXTS, texts, tmp_path / f"texts.{form}", over=False)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert count == 30_000
    assert most < 45_000_000
