"""Entries out as `catalog.toml`: text that goes in again and says the same."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

import msgspec
import tomli_w

from qc.catalog.entries import TABLES, Batch, Entry, table_of


def toml_text(entries: Iterable[Entry], heading: str = "") -> str:
    """The entries as the text of a file, table by table, each table in the order given.

    `heading` stands on top as a comment, a `#` before each of its lines.
    """
    by_table: dict[str, list[Entry]] = {table: [] for table in TABLES}
    for entry in entries:
        by_table[table_of(entry)].append(entry)
    pieces = ["".join(f"# {line}\n" for line in heading.splitlines())] if heading else []
    for table, held in by_table.items():
        # a site is one as a rule, and then no list
        header = "[site]" if table == "site" and len(held) == 1 else f"[[{table}]]"
        pieces += [f"{header}\n{tomli_w.dumps(keys_of(entry))}" for entry in held]
    return "\n".join(pieces)


def keys_of(entry: Entry) -> dict[str, Any]:
    """What the entry says, by the keys of the file: what it is of first, then the rest, then from
    when it holds, then keys that only the shop knows. A value that is the default is left out."""
    said = {
        field.name: _value(value)
        for field in msgspec.structs.fields(entry)
        if field.name not in ("since", "other", "factors")
        and (value := getattr(entry, field.name)) != field.default
    }
    named = {name: said[name] for name in entry.named_by if name in said}
    extra = entry.factors if isinstance(entry, Batch) else entry.other
    since = {"from": entry.since} if entry.since else {}
    return named | said | since | extra


def _value(value: Any) -> Any:
    """A number as it is kept: 450 and not 450.0."""
    if isinstance(value, Decimal) and value == value.to_integral_value():
        return int(value)
    return [_value(item) for item in value] if isinstance(value, tuple) else value
