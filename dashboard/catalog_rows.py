"""Entries of the catalog and their versions as rows of tables."""

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

import words

from qc.catalog.toml_file import FIELDS
from qc.views.catalog_words import TABLES, held_words

# of more keys than these a row says all in one cell
MOST_COLUMNS = 6
SOURCE = "Source"
Row = dict[str, str]


def entries(table: str, rows: Sequence[Mapping[str, Any]]) -> list[Row]:
    """Entries as they are in force today, each with a link to all of it."""
    said = _said(table, [row["now"] for row in rows])
    return [
        {"Entry": f"[{words.plain(row['entry'])}]({_address(table, row['entry'])})"}
        | says
        | {"Holds": _holds(row), "Versions": str(row["versions"])}
        for row, says in zip(rows, said, strict=True)
    ]


def versions(rows: Sequence[Mapping[str, Any]], zone: str | None) -> list[Row]:
    """Versions of one entry: when each holds, what it says, who entered it when."""
    said = _said(rows[0]["table"], rows)
    return [
        {"Holds": held_words(row)}
        | says
        | {
            "Entered by": words.plain(row["entered_by"] or "a file"),
            "Recorded": words.plain(words.when(row["recorded_at"], zone)),
        }
        for row, says in zip(rows, said, strict=True)
    ]


def _address(table: str, entry: str) -> str:
    return f"/catalog?what={quote(TABLES[table][1])}&entry={quote(entry, safe='')}"


def _holds(row: Mapping[str, Any]) -> str:
    later = f"next from {row['later'][0]}" if row["later"] else ""
    return "; ".join(filter(None, [held_words(row["now"]) if row["now"] else "", later]))


def _said(table: str, shown: Sequence[Mapping[str, Any] | None]) -> list[Row]:
    """What each says: a column for each key, or one for all where they are many; a limit's source
    always has one of its own."""
    says: list[Mapping[str, str]] = [one["says"] if one else {} for one in shown]
    names = [name for name in dict.fromkeys(n for one in says for n in one) if name != SOURCE]
    rows: list[Row] = []
    for one in says:
        if len(names) <= MOST_COLUMNS:
            row = {words.plain(name): words.plain(one.get(name, "–")) for name in names}
        else:
            row = {"Says": words.plain(" · ".join(f"{n} {one[n]}" for n in names if n in one))}
        if "source" in FIELDS[table]:
            row[SOURCE] = words.plain(one.get(SOURCE, "none given"))
        rows.append(row)
    return rows
