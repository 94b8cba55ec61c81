"""Random records of every kind, as the reader of a JSON line hands them to the parser."""

import datetime as dt
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from qc.records import rules
from qc.records.kinds import KINDS, Correction
from qc.records.parsing import FIELDS, Field

_LETTERS = "ABCDEFXYZabcxyz0123456789-_./"
CODES = st.text(_LETTERS, min_size=1, max_size=64)
# any characters that a database can keep: no half of a surrogate pair, no NUL
CLEAN = st.characters(exclude_categories=("Cs",), exclude_characters="\0")
TEXTS = st.text(CLEAN, max_size=200).filter(lambda text: bool(text.strip()))
NUMBERS = st.decimals(-(10**9), 10**9, allow_nan=False, allow_infinity=False, places=4)
ABOVE = st.decimals("0.0001", 10**9, places=4)
COUNTS = st.integers(1, 10**9).map(Decimal)
IDS = st.uuids().map(str)
_OFFSETS = st.sampled_from(["Z", "z", "+00:00", "-00:00", "+02:00", "-03:30", "+14:00"])


@st.composite
def moments(draw: Any) -> str:
    at = draw(st.datetimes(dt.datetime(1900, 1, 1), dt.datetime(2200, 1, 1)))  # noqa: DTZ001
    return at.isoformat() + draw(_OFFSETS)


def _chosen(rule: rules.Rule) -> st.SearchStrategy[Any]:
    return st.sampled_from(rule.schema["enum"])


def _value(field: Field) -> st.SearchStrategy[Any]:
    rule = field.rule
    if rule == "moment":
        return moments()
    assert isinstance(rule, rules.Rule)
    known = {
        rules.CODE: CODES,
        rules.NUMBER: NUMBERS,
        rules.ANGLE: NUMBERS,
        rules.POSITIVE: ABOVE,
        rules.NOT_NEGATIVE: ABOVE | st.just(Decimal(0)),
        rules.UUID: IDS,
        rules.TRUTH: st.just(True),
        rules.DAY: st.dates(dt.date(1900, 1, 1)).map(str),
        rules.READINGS: st.lists(NUMBERS, min_size=8, max_size=12),
        rules.FITTED: st.dictionaries(CODES, st.integers(0, 1000).map(Decimal), max_size=3),
        rules.FILE_NAME: st.text("abc0_- é", min_size=1, max_size=20).filter(str.strip),
    }
    if rule in known:
        return known[rule]
    if "enum" in rule.schema:
        return _chosen(rule)
    if rule.schema["type"] == "array":
        return st.lists(st.sampled_from(rule.schema["items"]["enum"]), min_size=1, max_size=4)
    return COUNTS if rule.schema["type"] == "integer" else TEXTS


@st.composite
def objects(draw: Any, kind: str | None = None, *, nested: bool = False) -> dict[str, Any]:
    """A record of a kind (of any, where none is named) that the parser takes."""
    kind = kind or draw(st.sampled_from(sorted(KINDS)))
    left_out = {name for group in KINDS[kind].one_of for name in group}
    value: dict[str, Any] = {"kind": kind}
    for field in FIELDS[kind]:
        asked = field.required or draw(st.booleans())
        if asked and field.name not in left_out:
            value[field.name] = draw(_value(field))
    for group in KINDS[kind].one_of:
        names = [name for name in group if name != "replacement" or not nested]
        chosen = draw(st.sampled_from(names))
        field = next(field for field in FIELDS[kind] if field.name == chosen)
        if chosen == "replacement":
            value[chosen] = draw(objects(nested=True).map(_without_id))
        else:
            value[chosen] = draw(_value(field))
    if value.get("check") == "calibration":
        value["due"] = "2027-03-31"
    if value.get("decision") == "regrade":
        value["grade"] = "B"
    if KINDS[kind] is Correction and value.get("record_id") == value["of"]:
        del value["record_id"]
    unknown = st.text(CLEAN, min_size=1, max_size=9).filter(lambda name: name not in value)
    value |= draw(st.dictionaries(unknown.map(lambda name: f"x {name}"), TEXTS, max_size=2))
    return value


def _without_id(value: dict[str, Any]) -> dict[str, Any]:
    return {name: inner for name, inner in value.items() if name != "record_id"}


def plain(value: Any) -> Any:
    """The same in the numbers that a JSON library without decimals gives."""
    if isinstance(value, dict):
        return {name: plain(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [plain(inner) for inner in value]
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    return value
