"""The readings of a gauge study from a CSV: columns part, inspector, repeat and value.

Read like a log: comma, semicolon or tab, a decimal comma where the delimiter is none. Unlike a log
a study is taken whole or not at all, for a missing line would unbalance it.
"""

import re
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

from qc.errors import RimqcError
from qc.readers.folder import CSV_FORMS, log_form
from qc.readers.lines import open_log
from qc.readers.refusal import FileError, Refusal, shown
from qc.records.rules import read_number

COLUMNS = ("part", "inspector", "repeat", "value")
_SHOWN = 10
_COUNT = re.compile(r"0*[1-9][0-9]{0,8}")
_MOST_READINGS = 100_000


class Reading(NamedTuple):
    """One value that an inspector read on a part."""

    line: int
    part: str
    inspector: str
    repeat: int
    value: Decimal


def read_study(path: Path) -> list[Reading]:
    """Every reading of the file; RimqcError names each bad line, or cells that lack readings."""
    if log_form(path) not in CSV_FORMS:
        raise RimqcError(f"{path}: a study is a CSV file; name FILE.csv", 2)
    found: list[Reading] = []
    faults: list[str] = []
    held: dict[tuple[str, str, int], int] = {}
    try:
        with open_log(path, required=lambda _: COLUMNS) as log:
            at = {name: place for place, name in enumerate(log.columns)}
            for line in log:
                if isinstance(line, Refusal):
                    faults.append(_refused(line))
                    continue
                number, cells, _ = line
                texts = {name: cells[at[name]].strip() for name in COLUMNS}
                reading = _read(number, texts, log.decimal_comma, faults)
                if reading is None:
                    continue
                key = reading[1:4]
                if key in held:
                    faults.append(f"line {number}: the same part, inspector and repeat as line "
                                  f"{held[key]}")  # fmt: skip
                held.setdefault(key, number)
                found.append(reading)
                if len(found) > _MOST_READINGS:
                    raise RimqcError(f"{path}: more than {_MOST_READINGS:,} readings")
    except FileError as fault:
        raise RimqcError(str(fault), 2) from None
    if faults:
        more = f"\n  and {len(faults) - _SHOWN} more" if len(faults) > _SHOWN else ""
        listed = "".join(f"\n  {fault}" for fault in faults[:_SHOWN])
        raise RimqcError(f"{path} cannot be used; mend these lines:{listed}{more}")
    _check_balance(path, found)
    return found


def _refused(refusal: Refusal) -> str:
    value = f" {refusal.value!r}" if refusal.value is not None else ""
    field = f", {refusal.field}" if refusal.field else ""
    return f"line {refusal.line}{field}{value}: {refusal.reason}"


def _read(
    number: int, texts: dict[str, str], decimal_comma: bool, faults: list[str]
) -> Reading | None:
    for name in ("part", "inspector"):
        if not texts[name]:
            faults.append(f"line {number}, {name}: is empty; give it a value")
            return None
    repeat = texts["repeat"]
    if not _COUNT.fullmatch(repeat):
        faults.append(f"line {number}, repeat {shown(repeat)!r}: expected 1, 2, 3, …")
        return None
    text = texts["value"]
    try:
        value = read_number(text.replace(",", ".") if decimal_comma else text)
    except (ValueError, ArithmeticError):
        faults.append(f"line {number}, value {shown(text)!r}: expected a number")
        return None
    return Reading(number, texts["part"], texts["inspector"], int(repeat), value)


def _check_balance(path: Path, readings: list[Reading]) -> None:
    """Every inspector must have read every part equally often, and at least twice."""
    parts = list(dict.fromkeys(reading.part for reading in readings))
    inspectors = list(dict.fromkeys(reading.inspector for reading in readings))
    if len(parts) < 2 or len(inspectors) < 2:
        raise RimqcError(
            f"{path}: a study needs at least 2 parts and 2 inspectors, each reading each part "
            f"at least twice: got {len(parts)} and {len(inspectors)}"
        )
    counts = Counter((reading.part, reading.inspector) for reading in readings)
    cells = [(part, inspector) for part in parts for inspector in inspectors]
    usual: Any = Counter(counts[cell] for cell in cells).most_common(1)[0][0]
    wanted = max(usual, 2)
    odd = [f"part {p} by {i}: {counts[p, i]}" for p, i in cells if counts[p, i] != wanted]
    if odd:
        more = f", and {len(odd) - _SHOWN} more" if len(odd) > _SHOWN else ""
        raise RimqcError(
            f"{path}: every inspector must read every part equally often, and at least twice; "
            f"not {wanted} readings: {', '.join(odd[:_SHOWN])}{more}. Read them again, or leave "
            "the part or the inspector out"
        )
