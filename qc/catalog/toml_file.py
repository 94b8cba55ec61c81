"""`catalog.toml` in: entries, or refusals with the line of the entry at fault."""

import codecs
import re
import tomllib
from collections.abc import Iterator, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

from qc.catalog.entries import FACTOR, TABLES, Batch, Entry, key_of
from qc.records.parsing import Field, Refused, fields_of, kept, nearest
from qc.records.rules import Rule

_HEADER = re.compile(r"\s*\[\[?\s*[\"']?([A-Za-z0-9_-]+)[\"']?\s*\]\]?")
_AT_LINE = re.compile(r"at line (\d+)")
# a file of entries, each key on a line: beyond that somebody tries what reading it costs
MOST_BYTES, MOST_LINE = 10_000_000, 4000


class CatalogLine(NamedTuple):
    """An entry read from the file, or why it was refused."""

    line: int
    entry: Entry | None
    refused: Refused | None = None
    unknown: tuple[str, ...] = ()


def _fields(table: type[Entry]) -> dict[str, Field]:
    hidden = {"other", "factors"}
    named = {f.name: f for f in fields_of(table, skip=hidden)}
    named["from"] = named.pop("since")._replace(name="from")
    return named


FIELDS = {name: _fields(table) for name, table in TABLES.items()}


def read_catalog(path: Path) -> Iterator[CatalogLine]:
    """Every entry of the file in its order; a file that is no TOML gives one refusal."""
    text = ""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise ValueError(f"larger than {MOST_BYTES} bytes")
        text = _text(path.read_bytes())
        _check_lines(text)
        content = tomllib.loads(text, parse_float=Decimal)
    except OSError as fault:
        refused = Refused("catalog", None, f"cannot be read: {fault.strerror}")
        yield CatalogLine(1, None, refused)
        return
    except (ValueError, ArithmeticError, RecursionError) as fault:
        said = "a number is too large to hold" if isinstance(fault, ArithmeticError) else fault
        refused = Refused("catalog", None, f"not a TOML file: {said}")
        yield CatalogLine(_line_of(fault, text), None, refused)
        return
    lines = _header_lines(text)
    seen: dict[tuple[str, ...], Entry] = {}
    for table, raw in content.items():
        for position, item in enumerate(raw if isinstance(raw, list) else [raw]):
            at_line = lines.get((table, position), 1)
            yield _read_once(table, item, at_line, seen)


def _text(data: bytes) -> str:
    """UTF-8 with or without a byte-order mark, UTF-16 with one, like any log."""
    marked = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    return data.decode("utf-16" if marked else "utf-8-sig").replace("\r\n", "\n")


def _check_lines(text: str) -> None:
    """ValueError for a line that is too long: reading keys of many parts or numbers of many digits
    takes the square of their length."""
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > MOST_LINE:
            raise ValueError(f"longer than {MOST_LINE} characters (at line {number})")


def _line_of(fault: Exception, text: str) -> int:
    at = _AT_LINE.search(str(fault))
    if at:
        return int(at.group(1))
    return text.count("\n") + 1 if "end of document" in str(fault) else 1


def _read_once(table: str, item: Any, line: int, seen: dict[tuple[str, ...], Entry]) -> CatalogLine:
    try:
        if table not in TABLES:
            expected = "expected one of " + ", ".join(TABLES) + nearest(table, list(TABLES))
            raise Refused("table", table, expected)
        entry, unknown = read_entry(table, item)
        before = seen.setdefault(key_of(entry), entry)
        if before != entry:
            name = " ".join(part for part in key_of(entry) if part)
            raise Refused(table, name, "stands twice in this file with different content")
    except Refused as fault:
        return CatalogLine(line, None, fault)
    return CatalogLine(line, entry, None, unknown)


def read_entry(table: str, item: Any) -> tuple[Entry, tuple[str, ...]]:
    """One entry from its plain values, and the names of keys this tool does not know."""
    if not isinstance(item, Mapping):
        raise Refused(table, item, "expected a table of keys and values")
    cls = TABLES[table]
    fields = FIELDS[table]
    given: dict[str, Any] = {}
    extra: dict[str, Any] = {}
    for name, raw in item.items():
        if name in fields:
            given["since" if name == "from" else name] = _value(fields[name], raw)
        elif cls is Batch:
            extra[name] = _value(Field(name, FACTOR, True), raw)
        else:
            extra[name] = kept(name, _plain(raw))
    for name, field in fields.items():
        if name not in given and field.required:
            raise Refused(name, None, f"a {table} needs this key; give it a value")
    if cls.any_of and not any(given.get(name) is not None for name in cls.any_of):
        raise Refused(" or ".join(cls.any_of), None, f"a {table} needs at least one of these")
    if table == "claim" and "since" not in given:
        raise Refused("from", None, "a claim needs the date it holds from")
    _check_range(table, given)
    if cls is Batch:
        return cls(factors=extra, **given), ()
    return cls(other=extra, **given), tuple(extra)


def _check_range(table: str, given: Mapping[str, Any]) -> None:
    lower, upper = given.get("lower"), given.get("upper")
    if lower is not None and upper is not None and lower > upper:
        raise Refused("lower", lower, f"lies above the upper limit {upper} of this {table}")


def _value(field: Field, raw: Any) -> Any:
    rule = field.rule
    assert isinstance(rule, Rule)
    try:
        return rule.read(_plain(raw))
    except (ValueError, ArithmeticError):
        raise Refused(field.name, _plain(raw), f"expected {rule.expected}") from None


def _plain(raw: Any) -> Any:
    """TOML values as the rules know them: numbers as decimals, dates as text, no outer spaces."""
    if isinstance(raw, str):
        return raw.strip()
    if isinstance(raw, bool):
        return raw
    if isinstance(raw, int):
        return Decimal(raw)
    if isinstance(raw, list):
        return [_plain(item) for item in raw]
    if hasattr(raw, "isoformat"):
        return raw.isoformat()
    return raw


def _header_lines(text: str) -> dict[tuple[str, int], int]:
    """The line of each table's n-th header."""
    lines: dict[tuple[str, int], int] = {}
    counts: dict[str, int] = {}
    for number, line in enumerate(text.split("\n"), 1):
        match = _HEADER.match(line)
        if match:
            table = match.group(1)
            lines[table, counts.get(table, 0)] = number
            counts[table] = counts.get(table, 0) + 1
    return lines
