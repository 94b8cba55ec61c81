"""Tables as CSV, XLSX or Parquet, row after row, each with a Table Schema beside it.

In CSV a text that a spreadsheet would run as a formula stands behind an apostrophe. So that this
can be undone exactly, a text that already begins with apostrophes before such a character gets one
more: whoever reads takes one apostrophe off every text that matches `^'+[=+@\\t\\r-]`.
"""

import csv
import datetime as dt
import json
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any

from qc.errors import RimqcError
from qc.views.export import Row, Table
from qc.views.export_fields import Field

SPEC = "https://datapackage.org/profiles/2.0/tableschema.json"
MOST_ROWS = 1_048_575  # of an XLSX sheet, below its head
MOST_TEXT = 32_767  # characters of an XLSX cell
_BATCH = 10_000  # rows of a Parquet row group
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
Write = Callable[[Row], None]


def write_table(
    table: Table, rows: Iterable[Row], file: Path, *, over: bool, guarded: bool = True
) -> tuple[int, Path]:
    """Write a table and its schema; returns how many rows, and the schema's file.

    RimqcError where a file is there already and not to be written over, where a library is missing,
    or where the rows do not fit the form; nothing is left behind then.
    """
    schema = file.with_suffix(".schema.json")
    for there in (file, schema):
        if there.exists() and not over:
            raise RimqcError(f"{there} is there already; name another folder, or say --force")
    beside = file.with_name(f".{file.name}.new")
    escaped = guarded and file.suffix == ".csv"
    count = 0
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with _WRITERS[file.suffix](table, beside, escaped) as write:
            for row in rows:
                write(row)
                count += 1
        described = json.dumps(schema_of(table, escaped=escaped), ensure_ascii=False, indent=1)
        schema.write_text(described + "\n", encoding="utf-8")
        beside.replace(file)
    except OSError as fault:
        raise RimqcError(f"{file} cannot be written: {fault.strerror}") from None
    finally:
        beside.unlink(missing_ok=True)
    return count, schema


def schema_of(table: Table, *, escaped: bool = False) -> dict[str, Any]:
    """The table described as by Table Schema 2.0; `escaped` texts are spoken of."""
    said = table.title + "."
    if escaped:
        said += (
            " Text that begins with = + - @, a tab or a carriage return, or with apostrophes "
            "before one of them, stands behind one more apostrophe: take one off to have it as "
            "recorded."
        )
    return {
        "$schema": SPEC,
        "name": table.name,
        "title": table.title,
        "description": said,
        "fields": [_described(field) for field in table.fields],
        "primaryKey": list(table.key),
        "missingValues": [""],
    }


def _described(field: Field) -> dict[str, Any]:
    constraints: dict[str, Any] = {"required": True} if field.required else {}
    if field.among:
        constraints["enum"] = list(field.among)
    shown = {"name": field.name, "type": field.type, "description": field.description}
    return shown | ({"constraints": constraints} if constraints else {})


@contextmanager
def _csv(table: Table, file: Path, escaped: bool) -> Iterator[Write]:
    names = [field.name for field in table.fields]
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(names)

        def write(row: Row) -> None:
            cells = [_text(row.get(name)) for name in names]
            writer.writerow([guard(cell) if escaped else cell for cell in cells])

        yield write


def _text(value: Any) -> Any:
    """A cell as CSV has it: numbers stay numbers, so that they are never guarded."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.datetime):
        return _utc(value)
    if isinstance(value, Decimal):
        return _Number(value)
    return value


class _Number(Decimal):
    """A decimal as it was written, without an exponent."""

    def __str__(self) -> str:
        return format(self, "f")


def guard(value: Any) -> Any:
    """A text behind an apostrophe where a spreadsheet would run it; anything else as it is."""
    if isinstance(value, str) and _FORMULA.match(value):
        return "'" + value
    return value


def _utc(value: dt.datetime) -> str:
    aware = value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)
    return aware.isoformat().replace("+00:00", "Z")


@contextmanager
def _xlsx(table: Table, file: Path, _: bool) -> Iterator[Write]:
    """One sheet, of which one row at a time stands in memory; moments are text, for XLSX has no
    time zones."""
    xlsxwriter = _library("xlsxwriter")
    book = xlsxwriter.Workbook(file, {"constant_memory": True})
    sheet = book.add_worksheet(table.name)
    bold = book.add_format({"bold": True})
    for column, field in enumerate(table.fields):
        sheet.write_string(0, column, field.name, bold)
    sheet.freeze_panes(1, 0)
    at = 0

    def write(row: Row) -> None:
        nonlocal at
        at += 1
        if at > MOST_ROWS:
            raise RimqcError(
                f"{table.name} has more than {MOST_ROWS:,} rows, and an XLSX sheet holds no more: "
                "export it as csv or parquet"
            )
        for column, field in enumerate(table.fields):
            _cell(sheet, at, column, field, row.get(field.name))

    try:
        yield write
    finally:
        book.close()


def _cell(sheet: Any, at: int, column: int, field: Field, value: Any) -> None:
    if value is None:
        return
    if isinstance(value, bool):
        sheet.write_boolean(at, column, value)
    elif isinstance(value, int | float | Decimal):
        sheet.write_number(at, column, float(value))
    else:
        said = str(_text(value) if isinstance(value, dt.datetime) else value)
        if len(said) > MOST_TEXT:
            raise RimqcError(
                f"row {at}, {field.name}: {len(said):,} characters, and an XLSX cell holds "
                f"{MOST_TEXT:,}: export it as csv or parquet"
            )
        sheet.write_string(at, column, said)


@contextmanager
def _parquet(table: Table, file: Path, _: bool) -> Iterator[Write]:
    """Row groups of ten thousand; decimals as 64-bit floats, moments in UTC."""
    pyarrow = _library("pyarrow")
    parquet = _library("pyarrow.parquet")
    types = {
        "string": pyarrow.string(), "array": pyarrow.string(), "object": pyarrow.string(),
        "number": pyarrow.float64(), "integer": pyarrow.int64(), "boolean": pyarrow.bool_(),
        "date": pyarrow.date32(), "datetime": pyarrow.timestamp("us", "UTC"),
    }  # fmt: skip
    schema = pyarrow.schema(
        [pyarrow.field(f.name, types[f.type], not f.required, {"description": f.description})
         for f in table.fields],
        {"table_schema": json.dumps(schema_of(table), ensure_ascii=False)},
    )  # fmt: skip
    waiting: list[Row] = []
    with parquet.ParquetWriter(file, schema) as out:

        def flush() -> None:
            if waiting:
                out.write_table(pyarrow.Table.from_pylist(waiting, schema))
                waiting.clear()

        def write(row: Row) -> None:
            waiting.append(
                {field.name: _typed(field, row.get(field.name)) for field in table.fields}
            )
            if len(waiting) == _BATCH:
                flush()

        yield write
        flush()


def _typed(field: Field, value: Any) -> Any:
    if value is None:
        return None
    if field.type == "number":
        return float(value)
    if field.type == "datetime" and isinstance(value, str):
        return dt.datetime.fromisoformat(value)
    if field.type == "date" and isinstance(value, str):
        return dt.date.fromisoformat(value)
    return value


def _library(name: str) -> Any:
    from importlib import import_module

    try:
        return import_module(name)
    except ImportError:
        raise RimqcError(
            f"{name.partition('.')[0]} is not installed, which this form needs: "
            "pip install 'rimqc[export]', or export as csv",
            2,
        ) from None


_WRITERS = {".csv": _csv, ".xlsx": _xlsx, ".parquet": _parquet}
