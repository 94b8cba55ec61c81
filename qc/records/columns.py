"""Many lines of a table at once: each column is read as a whole, then the records are put together.

A log repeats itself: a column of gauges holds three words, one of weights some hundred, and
whether all serials of a block are codes is one question to a regular expression. Where a line is
not plainly good the answer is None, and whoever asked reads line by line for the refusal; what is
read here is what `RecordParser.from_cells` reads, and a test holds the two together.
"""

import datetime as dt
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import msgspec

from qc.records import rules
from qc.records.kinds import KINDS, Record
from qc.records.parsing import (
    FIELDS,
    RecordParser,
    Refused,
    check,
    has_rules_across,
    identified,
    kept,
)

# texts of one column that are remembered with what they mean
_REMEMBERED = 2000
# texts that mean themselves, each ended by a line feed, which no cell of a plain line holds
_THEMSELVES = {
    rules.CODE: re.compile(r"(?:[A-Za-z0-9._/-]{1,64}\n)*"),
    rules.UUID: re.compile(r"(?:[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}\n)*"),
}
_UTC = re.compile(
    r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2}T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:\.[0-9]+)?Z\n)*"
)
_ABSENT = object()


class ColumnParser:
    """Reads lines of one kind with these columns."""

    def __init__(self, parser: RecordParser, kind: str, columns: Sequence[str]) -> None:
        self._kind = KINDS[kind]
        self._rules = {field.name: field.rule for field in FIELDS[kind]}
        self._known, self._other = parser.plan(kind, columns)
        self._across = has_rules_across(self._kind)
        self._meanings: dict[str, dict[str, Any]] = {name: {} for name, _, _ in self._known}
        self._gaps: set[str] = set()  # columns in which a cell was empty
        self._defaults = {
            spec.name: spec.default_factory()
            if spec.default_factory is not msgspec.NODEFAULT
            else spec.default
            for spec in msgspec.structs.fields(self._kind)
        }

    def read(self, rows: Sequence[Sequence[str]]) -> list[Record] | None:
        """The records of these lines; None where one of them must be looked at by itself."""
        columns = list(zip(*rows, strict=True))
        names, values = [], []
        try:
            for name, i, read in self._known:
                column = self._column(name, columns[i], read)
                if column is not None:
                    names.append(name)
                    values.append(column)
            records: list[Record] = list(map(_maker(self._kind, tuple(names)), *values))
            if self._across:
                for record in records:
                    check(record)
            return self._identified(records, rows, columns)
        except (ValueError, ArithmeticError, TypeError, Refused):
            return None

    def _column(self, name: str, texts: Sequence[str], read: Any) -> Sequence[Any] | None:
        """What the cells of a column mean; None where all are empty."""
        rule = self._rules[name]
        joined = "\n".join(texts) + "\n"
        themselves = _THEMSELVES.get(rule) if isinstance(rule, rules.Rule) else None
        if themselves is not None and themselves.fullmatch(joined):
            return texts
        if rule == "moment":
            if _UTC.fullmatch(joined):
                return list(map(dt.datetime.fromisoformat, texts))
            return [read(text.strip()) for text in texts]
        meanings = self._meanings[name]
        try:
            values = [meanings[text] for text in texts]
        except KeyError:
            if len(meanings) > _REMEMBERED:
                meanings.clear()
            for text in set(texts) - meanings.keys():
                bare = text.strip()
                meanings[text] = read(bare) if bare else _ABSENT
                if not bare:
                    self._gaps.add(name)
            values = [meanings[text] for text in texts]
        return self._with_defaults(name, values) if name in self._gaps else values

    def _with_defaults(self, name: str, values: Sequence[Any]) -> Sequence[Any] | None:
        if all(value is _ABSENT for value in values):
            return None
        default = self._defaults[name]
        if default is msgspec.NODEFAULT and any(value is _ABSENT for value in values):
            raise ValueError
        return [default if value is _ABSENT else value for value in values]

    def _identified(
        self, records: list[Record], rows: Sequence[Sequence[str]], columns: Sequence[Any]
    ) -> list[Record]:
        """Every record with an identity, and with the columns that no kind knows."""
        if any(any(columns[i]) for _, i in self._other):
            others = (
                {name: kept(name, text) for name, i in self._other if (text := row[i].strip())}
                for row in rows
            )
            return [identified(r, other) for r, other in zip(records, others, strict=True)]
        return [record if record.record_id else identified(record, {}) for record in records]


@lru_cache(maxsize=1000)
def _maker(kind: type[Record], names: tuple[str, ...]) -> Callable[..., Record]:
    """A record of its fields in this order: as quick as one written out, six times a dict's."""
    given = ", ".join(f"{name}={name}" for name in names)
    made: Callable[..., Record] = eval(f"lambda {', '.join(names)}: kind({given})", {"kind": kind})  # noqa: S307
    return made
