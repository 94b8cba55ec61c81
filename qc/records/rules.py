"""Rules for single values: what is expected in words, how it is read, its JSON Schema.

A rule reads text from a CSV cell or a value out of JSON (numbers arrive as `Decimal`) and raises
`ValueError` when the value is not what it expects. The caller knows the field and words the
refusal, so the rules need not.
"""

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from qc.records.moments import read_day

MAX_DIGITS = 28
LARGEST = Decimal(10) ** 15
SMALLEST = Decimal(10) ** -30

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
# already as we keep it: no sign, no exponent, no needless zero
_PLAIN = re.compile(r"(?:[1-9]\d{0,8}(?:\.\d{0,8}[1-9])?|0\.\d{0,8}[1-9])", re.ASCII)
_CODE = re.compile(r"[A-Za-z0-9._/-]{1,64}")
_UUID = re.compile(r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
_TURN = Decimal(360)


@dataclass(frozen=True, eq=False, slots=True)
class Rule:
    """One value: `expected` in words, `read` to take it in, `schema` as JSON Schema 2020-12.

    `numeric` marks text in which a comma may stand for the decimal point.
    """

    expected: str
    read: Callable[[Any], Any]
    schema: Mapping[str, Any]
    numeric: bool = False


def read_number(raw: Any) -> Decimal:
    """The number as written, without trailing zeros, so that 12.5 and 12.50 are one value."""
    if type(raw) is str:
        if _PLAIN.fullmatch(raw):
            return Decimal(raw)
        if not _NUMBER.fullmatch(raw):
            raise ValueError
        value = Decimal(raw)
    elif type(raw) is Decimal and raw.is_finite():
        value = raw
    else:
        raise ValueError
    if not value:
        return Decimal(0)
    if len(value.as_tuple().digits) > MAX_DIGITS or not SMALLEST <= abs(value) < LARGEST:
        raise ValueError
    return _plain(value)


def _plain(value: Decimal) -> Decimal:
    """Without trailing zeros, and never with an exponent: 180, not 1.8E+2."""
    value = value.normalize()
    return value.quantize(1) if value.as_tuple().exponent > 0 else value  # type: ignore[operator]


def number(*, above: int | None = None, least: int | None = None) -> Rule:
    """A decimal number, optionally above or at least a bound."""
    expected = "a number"
    schema: dict[str, Any] = {"type": "number"}
    if above is not None:
        expected, schema = f"a number above {above}", schema | {"exclusiveMinimum": above}
    if least is not None:
        expected, schema = f"a number of {least} or more", schema | {"minimum": least}

    def read(raw: Any) -> Decimal:
        value = read_number(raw)
        if (above is not None and value <= above) or (least is not None and value < least):
            raise ValueError
        return value

    return Rule(expected, read, schema, numeric=True)


def _read_angle(raw: Any) -> Decimal:
    value = read_number(raw) % _TURN
    # a hair below nought rounds to a whole turn, which is nought again
    value = (value + _TURN) % _TURN if value < 0 else value
    return _plain(value) if value else Decimal(0)


def _read_readings(raw: Any) -> tuple[Decimal, ...]:
    values = raw.split() if isinstance(raw, str) else raw
    if not isinstance(values, list) or len(values) < 8:
        raise ValueError
    return tuple(read_number(value) for value in values)


def count(*, least: int = 1, most: int = 10**9) -> Rule:
    """A whole number."""

    def read(raw: Any) -> int:
        value = read_number(raw)
        if value != value.to_integral_value() or not least <= value <= most:
            raise ValueError
        return int(value)

    schema = {"type": "integer", "minimum": least, "maximum": most}
    return Rule(f"a whole number of {least} or more", read, schema, numeric=True)


def _read_code(raw: Any) -> str:
    if type(raw) is str and _CODE.fullmatch(raw):
        return raw
    if isinstance(raw, Decimal):  # a rig that sends 1042 for "1042": digits are digits
        return _read_code(str(raw))
    raise ValueError


def choice(*options: str) -> Rule:
    """One of a fixed list of words."""
    known = {option: option for option in options}

    def read(raw: Any) -> str:
        if not isinstance(raw, str) or raw not in known:
            raise ValueError
        return known[raw]

    return Rule("one of " + ", ".join(options), read, {"enum": list(options)})


def choices(*options: str) -> Rule:
    """Several of a fixed list of words: separated by spaces, in JSON an array."""
    known = frozenset(options)

    def read(raw: Any) -> tuple[str, ...]:
        words = raw.split() if isinstance(raw, str) else raw
        if not isinstance(words, list) or not words:
            raise ValueError
        if not all(isinstance(word, str) and word in known for word in words):
            raise ValueError
        return tuple(dict.fromkeys(words))

    items = {"type": "array", "items": {"enum": list(options)}, "minItems": 1}
    return Rule("one or more of " + ", ".join(options), read, items)


def text(most: int = 200) -> Rule:
    """Free text that every database can keep."""

    def read(raw: Any) -> str:
        if isinstance(raw, Decimal):
            raw = str(raw)
        if not isinstance(raw, str) or len(raw) > most or not is_clean(raw):
            raise ValueError
        return raw

    return Rule(f"text of at most {most} characters", read, {"type": "string", "maxLength": most})


def is_clean(words: str) -> bool:
    """Whether text can be kept by every database: no NUL, no half of a surrogate pair."""
    return "\0" not in words and not any("\ud800" <= c <= "\udfff" for c in words)


def _read_file_name(raw: Any) -> str:
    name = text(255).read(raw)
    if not name or name.startswith(".") or any(c in name for c in "/\\:\n\r\t"):
        raise ValueError
    return str(name)


def _read_uuid(raw: Any) -> str:
    if not isinstance(raw, str) or not _UUID.fullmatch(raw):
        raise ValueError
    return raw.lower()


def _read_fitted(raw: Any) -> dict[str, int]:
    if isinstance(raw, str):
        pairs = [word.rpartition(":")[::2] for word in raw.split()]
    elif isinstance(raw, dict):
        pairs = list(raw.items())
    else:
        raise ValueError
    fitted: dict[str, int] = {}
    for code, how_many in pairs:
        if _read_code(code) in fitted:
            raise ValueError
        fitted[code] = PIECES.read(how_many)
    return {code: pieces for code, pieces in fitted.items() if pieces}


def _read_truth(raw: Any) -> bool:
    if raw is True or (isinstance(raw, str) and raw.lower() == "true"):
        return True
    if raw is False or (isinstance(raw, str) and raw.lower() == "false"):
        return False
    raise ValueError


def _day(raw: Any) -> dt.date:
    return read_day(raw)


ZONES = ("hook", "bead-seat", "brake-track", "sidewall", "spoke-bed", "spoke-hole", "valve-hole")
DEFECTS = (
    *("void", "porosity", "delamination", "disbond", "dry-fibre", "wrinkle", "resin-rich"),
    *("inclusion", "crack", "crazing", "blister", "pinhole", "sharp-edge", "scratch", "cosmetic"),
)
DAMAGE = ("not-examined", "none", "mark", "set", "delamination", "crack", "break")
STAGES = ("rim", "front-wheel", "rear-wheel")
SEVERITIES = ("minor", "major", "critical")

NUMBER = number()
POSITIVE = number(above=0)
NOT_NEGATIVE = number(least=0)
PIECES = count(least=0, most=1000)
ANGLE = Rule("an angle in degrees", _read_angle, {"type": "number"}, numeric=True)
READINGS = Rule(
    "at least 8 numbers with spaces between",
    _read_readings,
    {"type": "array", "items": {"type": "number"}, "minItems": 8},
    numeric=True,
)
CODE = Rule(
    "a code of 1 to 64 letters, digits or - _ . /",
    _read_code,
    {"type": "string", "pattern": "^[A-Za-z0-9._/-]{1,64}$"},
)
FITTED = Rule(
    "code:count with spaces between, such as tape:1 weight:2",
    _read_fitted,
    {
        "type": "object",
        "propertyNames": CODE.schema,
        "additionalProperties": PIECES.schema,
    },
)
FILE_NAME = Rule(
    "a file name without folders",
    _read_file_name,
    {"type": "string", "maxLength": 255, "pattern": r"^[^./\\:\n\r\t][^/\\:\n\r\t]*$"},
)
UUID = Rule(
    "a UUID such as 123e4567-e89b-42d3-a456-426614174000",
    _read_uuid,
    {"type": "string", "format": "uuid", "pattern": f"^{_UUID.pattern}$"},
)
TRUTH = Rule("true or false", _read_truth, {"type": "boolean"})
DAY = Rule(
    "a date such as 2026-03-31",
    _day,
    {"type": "string", "format": "date", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"},
)
