"""Answers as a table for people, JSON or CSV for programs."""

import csv
import json
import re
import sys
from collections.abc import Mapping, Sequence
from typing import Any

Row = Mapping[str, Any]
# what a terminal obeys rather than shows, new lines and tabs aside: control characters, and the
# marks that turn the direction of reading
_OBEYED = re.compile(
    r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)


def show(rows: Sequence[Row], form: str, columns: Mapping[str, str], empty: str) -> None:
    """Print rows. `columns` gives the table's fields and their headings with units."""
    if form == "json":
        print_json(rows)
    elif form == "csv":
        print_csv(rows)
    else:
        print_table(rows, columns, empty)


def print_json(value: Any) -> None:
    """One JSON document."""
    json.dump(value, sys.stdout, ensure_ascii=False, indent=1)
    print()


def print_csv(rows: Sequence[Row]) -> None:
    """RFC 4180 with one column for every member any row has; lists as JSON."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    if not names:
        return
    writer = csv.writer(sys.stdout)
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in names])


def _cell(value: Any) -> Any:
    if isinstance(value, list | dict):
        return json.dumps(value, ensure_ascii=False)
    # a spreadsheet would run text that begins like a formula
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value


def visible(text: str) -> str:
    """A text as a terminal may have it: what it would obey is spelt out, as `\\x1b`.

    Notes, names of columns and papers come from anybody, and are kept as they came.
    """
    return _OBEYED.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)


def tell(text: str) -> None:
    """A line for people, whatever was recorded in it."""
    print(visible(text), flush=True)


def print_table(rows: Sequence[Row], columns: Mapping[str, str], empty: str) -> None:
    """A table on the terminal; in a pipe as wide as it needs."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    if not rows:
        print(empty)
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name, heading in columns.items():
        numeric = all(isinstance(row.get(name), int | float | None) for row in rows)
        table.add_column(heading, justify="right" if numeric else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text(visible(_word(row.get(name)))) for name in columns))
    width = None if sys.stdout.isatty() else 200
    Console(width=width).print(table)


def _word(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3f}".rstrip("0").rstrip(".")
    if isinstance(value, list):
        return ", ".join(_word(item) for item in value) or "-"
    return str(value)
