"""What a gauge says on its line, by the pattern that the catalog gives for it."""

import datetime as dt
from collections.abc import Callable
from decimal import Decimal

import msgspec

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Gauge, Readout
from qc.catalog.serial_line import line_pattern
from qc.errors import RimqcError
from qc.records.parsing import nearest
from qc.records.rules import read_number
from qc.records.units import in_unit

# no gauge says more in a line; what comes longer is noise
MOST_LINE = 200


class Reading(msgspec.Struct, frozen=True):
    """A value in the gauge's unit. `stable` is None where the line does not tell."""

    gauge: str
    value: Decimal
    unit: str
    stable: bool | None
    taken_at: dt.datetime


class Spoken(msgspec.Struct):
    """A gauge and how it speaks."""

    gauge: Gauge
    readout: Readout


class Unreadable(Exception):  # noqa: N818 - an answer, not a fault of the program
    """A line that gives no reading. `kind` is the sort of fault, the text what to do about it."""

    def __init__(self, kind: str, words: str) -> None:
        super().__init__(words)
        self.kind = kind


def spoken(catalog: Catalog, code: str) -> Spoken:
    """How a gauge of the catalog speaks today; RimqcError where the catalog does not say."""
    today = catalog.local_day(dt.datetime.now(dt.UTC))
    gauge, readout = catalog.gauge(code, today), catalog.readout(code, today)
    if gauge is None:
        near = nearest(code, sorted(catalog.codes(Gauge)))
        raise RimqcError(f"the catalog has no gauge {code}{near}")
    if readout is None:
        raise RimqcError(
            f"the catalog does not say how gauge {code} speaks; add a [[readout]] with its "
            "pattern, unit and baud"
        )
    return Spoken(gauge, readout)


def line_reader(readout: Readout, gauge: Gauge) -> Callable[[bytes], Reading]:
    """A reader of whole lines, without their ends; it raises `Unreadable`.

    A unit in the line must be the one that the catalog gives: the gauge's resolution and
    uncertainty hold for that one, not for what somebody switched the display to.
    """
    pattern = line_pattern(readout.pattern)
    groups = pattern.groupindex

    def read(line: bytes) -> Reading:
        if len(line) > MOST_LINE:
            raise Unreadable("long", f"more than {MOST_LINE} bytes without the end of a line; "
                             "check baud, bits and parity of the readout")  # fmt: skip
        try:
            text = line.decode("ascii")
        except UnicodeDecodeError:
            raise Unreadable("garbled", f"garbled: {line!r}; check the cable, and baud, bits and "
                             "parity of the readout") from None  # fmt: skip
        match = pattern.fullmatch(text)
        if match is None:
            raise Unreadable("unknown", f"not a reading by the readout's pattern: {text!r}; an "
                             "overload, or half a line")  # fmt: skip
        unit = match["unit"] if "unit" in groups else None
        if unit is not None and unit.strip().casefold() != readout.unit.casefold():
            raise Unreadable("unit", f"it shows {unit.strip()!r}, the catalog expects "
                             f"{readout.unit!r}: switch the display back: {text!r}")  # fmt: skip
        value = _value(match["value"], text)
        if value < 0 and gauge.measures != "length":
            raise Unreadable("negative", f"below zero: {text!r}; empty it and set it to zero")
        return Reading(
            gauge.code,
            in_unit(value, readout.unit, gauge.unit),
            gauge.unit,
            _stable(match["stable"], readout.stable_mark) if "stable" in groups else None,
            dt.datetime.now(dt.UTC),
        )

    return read


def _value(said: str | None, text: str) -> Decimal:
    """The number; a sign may stand apart, a comma for the point."""
    plain = (said or "").replace(" ", "")
    plain = plain.replace(",", ".") if plain.count(",") == 1 else plain
    try:
        read_number(plain)
        return Decimal(plain)  # 452.0 stays 452.0: its last digit is the gauge's resolution
    except (ValueError, ArithmeticError):
        raise Unreadable("number", f"no number where the value should be: {text!r}") from None


def _stable(said: str | None, mark: str | None) -> bool:
    return bool(said) if mark is None else (said or "").strip() == mark
