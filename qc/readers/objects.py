"""JSON Lines: one object a line, its numbers exactly as written (`decimal.Decimal`)."""

import json
import re
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from typing import Any

from qc.readers.refusal import REFUSED_BECAUSE, Refusal, first_double, shown
from qc.readers.text import LINE_CHARS, TOO_LONG, Block, text_fault

# a correction holds a record, a record an array; far beyond that something is wrong
NESTING = 32

# number of the line; its object; its text, to write back out if it is refused
Entry = tuple[int, dict[str, Any], str]


class _MemberError(ValueError):
    """A member that JSON's grammar allows and a record does not."""

    def __init__(self, field: str | None, value: str | None, reason: str) -> None:
        super().__init__(reason)
        self.field, self.value, self.reason = field, value, reason


def entries(blocks: Iterator[Block]) -> Iterator[Entry | Refusal]:
    """The objects of a file, a refusal in the place of each line that cannot be read."""
    for block in blocks:
        for number, line in enumerate(block.lines, block.first):
            text = line.strip(" \t\r\n")
            if not text:
                continue
            if not block.clean and (reason := text_fault(line)):
                raw = None if line is TOO_LONG else text
                yield Refusal(number, None, raw and shown(raw), reason, raw)
            else:
                yield read_entry(number, text)
        if block.damage:
            yield block.damage


def read_entry(number: int, text: str) -> Entry | Refusal:
    """One object from its text (no spaces around it), or why it is none."""
    try:
        value, end = _decode(text)
        if end != len(text):
            raise _MemberError(None, text[end:], "text follows the JSON value")
        if type(value) is not dict:
            raise _MemberError(None, text, "expected a JSON object")
        if text.count("{") + text.count("[") > NESTING and _deeper(value, NESTING):
            raise _MemberError(None, text, f"nested deeper than {NESTING} levels")
        if "\\ud" in text or "\\uD" in text or "\\u0000" in text:
            _check_texts(value)
    except _MemberError as error:
        given = error.value and shown(error.value)
        return Refusal(number, error.field and shown(error.field), given, error.reason, text)
    except json.JSONDecodeError as error:
        reason = f"not JSON (the line may be cut off): {error.msg} at character {error.colno}"
        return Refusal(number, None, shown(text), reason, text)
    except RecursionError:
        return Refusal(number, None, shown(text), f"nested deeper than {NESTING} levels", text)
    except InvalidOperation:
        return Refusal(number, None, shown(text), "a number is too large to hold", text)
    value.pop(REFUSED_BECAUSE, None)
    return number, value, text


def array_entries(text: str) -> Iterator[Entry | Refusal]:
    """The objects of a JSON array, numbered from 1; ValueError where the text is no whole array."""
    at = _after_space(text, 0)
    if text[at : at + 1] != "[":
        raise ValueError("expected a JSON array")
    at, number = _after_space(text, at + 1), 0
    while text[at : at + 1] != "]" or number:
        number += 1
        _, end = _find_end(text, at)
        if end - at > LINE_CHARS:
            yield Refusal(number, None, None, f"it is longer than {LINE_CHARS} characters")
        else:
            yield read_entry(number, text[at:end])
        at = _after_space(text, end)
        if text[at : at + 1] == "]":
            break
        if text[at : at + 1] != ",":
            raise ValueError(f"expected a comma or ] at character {at + 1}")
        at = _after_space(text, at + 1)
    if _after_space(text, at + 1) != len(text):
        raise ValueError("text follows the array")


def _after_space(text: str, at: int) -> int:
    found = _SPACE.match(text, at)
    return found.end() if found else at


def _object(members: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(members)
    if len(made) != len(members):
        double = first_double(name for name, _ in members)
        raise _MemberError(double, None, "this member stands twice in one object")
    return made


def _no_constant(name: str) -> None:
    raise _MemberError(None, name, "expected a number")


_decode = json.JSONDecoder(
    object_pairs_hook=_object,
    parse_float=Decimal,
    parse_int=Decimal,
    parse_constant=_no_constant,
).raw_decode

# numbers as text: those of thousands of digits have an end, too
_find_end = json.JSONDecoder(parse_float=str, parse_int=str).raw_decode
_SPACE = re.compile(r"[ \t\r\n]*")


def _inside(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []


def _deeper(value: Any, levels: int) -> bool:
    level = [value]
    for _ in range(levels):
        level = [inner for outer in level for inner in _inside(outer)]
    return any(isinstance(value, (dict, list)) for value in level)


def _check_texts(value: Any, field: str | None = None) -> None:
    """An escape can spell what no text may hold: a NUL, or half a character."""
    if isinstance(value, dict):
        for name, inner in value.items():
            _check_texts(name, name)
            _check_texts(inner, name)
    elif isinstance(value, list):
        for inner in value:
            _check_texts(inner, field)
    elif isinstance(value, str) and text_fault(value):
        raise _MemberError(field, value, "expected text without NUL or lone surrogates")
