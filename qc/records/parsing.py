"""Fields of a line become a record, or the line is refused with the field, the value and the rule.

`RecordParser` is made once per log: it knows the site's time zone and whether a comma may stand
for the decimal point, and keeps a plan per kind and column list so that a line costs little.
"""

import difflib
import json
from collections.abc import Callable, Container, Mapping, Sequence
from decimal import Decimal
from typing import Any, NamedTuple, get_type_hints
from zoneinfo import ZoneInfo

import msgspec

from qc.records import canonical
from qc.records.kinds import KINDS, Correction, Disposition, GaugeCheck, Record, Runout
from qc.records.moments import EXPECTED_MOMENT, moment_reader
from qc.records.rules import Rule, is_clean

MOST_OTHER = 2000
# corrections of corrections within one record
MOST_NESTED = 8


class Refused(Exception):  # noqa: N818 - a refusal is an answer, not a fault of the program
    """A line that cannot become a record: which field, what it held, what was expected."""

    def __init__(self, field: str, value: Any, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field, self.value, self.reason = _printable(field), shown(value), reason


class Field(NamedTuple):
    """One field of a kind as its type declares it."""

    name: str
    rule: Rule | str
    required: bool


def shown(value: Any) -> str | None:
    """A value as a person wrote it, short enough to print."""
    if value is None:
        return None
    words = _words(value)
    return _printable(words if len(words) <= 120 else words[:117] + "...")


def _printable(words: str) -> str:
    """The words with halves of characters as escapes: JSON can spell what no terminal prints."""
    return words.encode("utf-8", "backslashreplace").decode()


def _words(value: Any) -> str:
    plain = str(value) if isinstance(value, Decimal) else value
    if isinstance(plain, str):
        return plain
    return json.dumps(plain, default=str, ensure_ascii=False)


def kept(name: str, raw: Any) -> str:
    """The text of a field that no type knows, whole; `Refused` where it cannot be kept."""
    text = _words(raw)
    if len(text) > MOST_OTHER or not (is_clean(text) and is_clean(name)):
        raise Refused(name, raw, f"expected text of at most {MOST_OTHER} characters, no NUL")
    return text


def fields_of(kind: type[msgspec.Struct], skip: Container[str] = ("other",)) -> list[Field]:
    """The fields of a kind or a catalog table, in the order of its definition."""
    hints = get_type_hints(kind, include_extras=True)
    found = []
    for spec in msgspec.structs.fields(kind):
        if spec.name not in skip:
            rule = _rule_in(hints[spec.name])
            found.append(Field(spec.name, rule, spec.required))
    return found


def _rule_in(hint: Any) -> Rule | str:
    for part in (hint, *getattr(hint, "__args__", ())):
        for mark in getattr(part, "__metadata__", ()):
            if isinstance(mark, Rule | str):
                return mark
    raise TypeError(f"no rule on {hint}")


# what no line may say of itself
_NOT_READ = ("entered_by", "other")
FIELDS = {name: fields_of(kind, _NOT_READ) for name, kind in KINDS.items()}


def nearest(word: str, known: Sequence[str]) -> str:
    """`, nearest known: X` where something known looks like the word, else nothing."""
    close = difflib.get_close_matches(word, known, 1, 0.5)
    return f"; nearest known: {close[0]}" if close else ""


def missing_columns(kind: str, columns: Sequence[str]) -> str | None:
    """The first column that every record of the kind needs and the file does not have."""
    for field in FIELDS[kind]:
        if field.required and field.name not in columns:
            return field.name
    for group in KINDS[kind].one_of:
        if not any(name in columns for name in group):
            return " or ".join(group)
    return None


class Plan(NamedTuple):
    """Which cells of a line are which fields of a kind, and which are kept as they are."""

    known: list[tuple[str, int, Callable[[Any], Any]]]
    other: list[tuple[str, int]]


class RecordParser:
    """Reads the lines of one log.

    `zone` is the site's time zone (None: times without an offset are refused), `decimal_comma`
    says whether 12,5 is twelve and a half in this log.
    """

    def __init__(self, zone: ZoneInfo | None, *, decimal_comma: bool = False) -> None:
        self._moment = moment_reader(zone)
        self._moment_expected = EXPECTED_MOMENT
        if zone is None:
            self._moment_expected += (
                " (the catalog has no [site] with a time_zone: write the offset)"
            )
        self._decimal_comma = decimal_comma
        self._readers = {
            kind: {field.name: self._reader(field) for field in FIELDS[kind]} for kind in KINDS
        }
        self._plans: dict[tuple[str, ...], Plan] = {}

    def from_cells(self, kind: str, columns: Sequence[str], cells: Sequence[str]) -> Record:
        """A record from the cells of a CSV line; empty cells are absent fields."""
        plan = self._plans.get((kind, *columns)) or self.plan(kind, columns)
        given: dict[str, Any] = {}
        name = text = ""
        try:
            for name, i, read in plan.known:
                text = cells[i].strip()
                if text:
                    given[name] = read(text)
        except (ValueError, ArithmeticError):
            raise self._not_expected(kind, name, text) from None
        if not plan.other:
            return self._made(kind, given, {})
        other = {name: kept(name, text) for name, i in plan.other if (text := cells[i].strip())}
        return self._made(kind, given, other)

    def plan(self, kind: str, columns: Sequence[str]) -> "Plan":
        """How the cells of these columns are read."""
        readers = self._readers[kind]
        known = [(name, i, readers[name]) for i, name in enumerate(columns) if name in readers]
        other = [(n, i) for i, n in enumerate(columns) if n not in readers and n != "kind"]
        plan = Plan(known, other)
        self._plans[kind, *columns] = plan
        return plan

    def from_object(self, value: Mapping[str, Any], kind: str | None = None) -> Record:
        """A record from a JSON object; null members are absent fields."""
        named = value.get("kind")
        if named is not None or kind is None:
            kind = known_kind(named)
        readers = self._readers[kind]
        given: dict[str, Any] = {}
        other: dict[str, str] = {}
        for name, raw in value.items():
            raw = raw.strip() if isinstance(raw, str) else raw  # noqa: PLW2901
            if raw is None or raw == "" or name == "kind":
                continue
            read = readers.get(name)
            if read is None:
                other[name] = kept(name, raw)
                continue
            try:
                given[name] = read(raw)
            except (ValueError, ArithmeticError):
                raise self._not_expected(kind, name, raw) from None
        return self._made(kind, given, other)

    def _reader(self, field: Field) -> Callable[[Any], Any]:
        if field.rule == "record":
            return self._replacement
        if field.rule == "moment":
            return self._moment
        assert isinstance(field.rule, Rule)
        read = field.rule.read
        if not (field.rule.numeric and self._decimal_comma):
            return read
        return lambda raw: read(raw.replace(",", ".") if isinstance(raw, str) else raw)

    def _not_expected(self, kind: str, name: str, raw: Any) -> Refused:
        rule = next(field.rule for field in FIELDS[kind] if field.name == name)
        expected = rule.expected if isinstance(rule, Rule) else self._moment_expected
        return Refused(name, raw, f"expected {expected}")

    def _made(self, kind: str, given: dict[str, Any], other: dict[str, str]) -> Record:
        cls = KINDS[kind]
        try:
            record = cls(**given)
        except TypeError:
            raise self._absent(kind, given) from None
        check(record)
        return identified(record, other)

    def _absent(self, kind: str, given: Mapping[str, Any]) -> Refused:
        name = next(f.name for f in FIELDS[kind] if f.required and f.name not in given)
        return Refused(name, None, f"a {kind} needs this field; give it a value")

    def _replacement(self, raw: Any) -> dict[str, Any]:
        value = raw
        if isinstance(raw, str):
            try:
                value = json.loads(raw, parse_float=Decimal, parse_int=Decimal)
            except (ValueError, RecursionError, ArithmeticError):
                value = None
        if not isinstance(value, dict) or _nested(value) > MOST_NESTED:
            raise Refused("replacement", raw, "expected a whole record in JSON")
        try:
            record = self.from_object(value)
        except Refused as fault:
            raise Refused(f"replacement.{fault.field}", fault.value, fault.reason) from None
        plain: dict[str, Any] = msgspec.json.decode(canonical.body(record))
        if not value.get("record_id"):
            del plain["record_id"]  # it keeps the original's
        return plain


def identified(record: Record, other: dict[str, str]) -> Record:
    """A record with the fields no type knows; without an identity it gets one of its content."""
    if record.record_id:
        return msgspec.structs.replace(record, other=other) if other else record
    bare = msgspec.structs.replace(record, note=None) if record.note else record
    identity = canonical.derived_id(canonical.body(bare))
    return msgspec.structs.replace(record, record_id=identity, other=other)


def _nested(value: dict[str, Any]) -> int:
    """How many records stand in each other, as far as it matters."""
    depth, inner = 1, value.get("replacement")
    while isinstance(inner, dict) and depth <= MOST_NESTED:
        depth, inner = depth + 1, inner.get("replacement")
    return depth


def known_kind(word: Any) -> str:
    """The kind a line names, or a refusal that says which there are."""
    if isinstance(word, str) and word.strip() in KINDS:
        return word.strip()
    near = nearest(word, list(KINDS)) if isinstance(word, str) else ""
    raise Refused("kind", word, "expected one of " + ", ".join(KINDS) + near)


def has_rules_across(kind: type[Record]) -> bool:
    """Whether `check` looks at records of the kind at all."""
    return bool(kind.one_of) or kind in _CHECKS


def check(record: Record) -> None:
    """Rules across the fields of a record."""
    for group in record.one_of:
        there = [name for name in group if getattr(record, name) not in (None, ())]
        if not there:
            raise Refused(" or ".join(group), None, "one of these must be given")
        if len(there) > 1 and not isinstance(record, Runout):
            raise Refused(there[1], getattr(record, there[1]), f"give this or {there[0]}, not both")
    more = _CHECKS.get(type(record))
    if more is not None:
        more(record)


def _check_runout(record: Runout) -> None:
    if record.tir_mm is None or not record.readings_mm:
        return
    turn = max(record.readings_mm) - min(record.readings_mm)
    if record.tir_mm != turn:
        reason = f"the readings of this turn give {turn} mm; keep one of both"
        raise Refused("tir_mm", record.tir_mm, reason)


def _check_gauge_check(record: GaugeCheck) -> None:
    if record.check == "calibration" and record.due is None:
        raise Refused("due", None, "a calibration needs the date when the next one is due")


def _check_disposition(record: Disposition) -> None:
    if record.decision == "regrade" and record.grade is None:
        raise Refused("grade", None, "a regrade needs the new grade")


def _check_correction(record: Correction) -> None:
    if record.void is False or record.accept is False:
        name = "void" if record.void is False else "accept"
        raise Refused(name, False, "only true can be said here; leave the field out otherwise")
    if record.of == record.record_id:
        raise Refused("of", record.of, "a correction cannot mend itself")
    named = (record.replacement or {}).get("record_id", record.of)
    if named != record.of:
        raise Refused(
            "replacement.record_id", named, "a replacement keeps the original's record_id"
        )


_CHECKS: dict[type[Record], Callable[[Any], None]] = {
    Runout: _check_runout,
    GaugeCheck: _check_gauge_check,
    Correction: _check_correction,
    Disposition: _check_disposition,
}
