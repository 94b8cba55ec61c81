import contextlib
from decimal import Decimal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.devices.readout import Reading, Unreadable, line_reader
from tests.devices.gauges import INDICATOR, SCALE, SPEAKS

READ = line_reader(SPEAKS, SCALE)


def changed(**keys):
    return msgspec.structs.replace(SPEAKS, **keys)


@pytest.mark.parametrize(
    ("line", "value", "stable"),
    [
        (b"W=  452.3 g", "452.3", True),
        (b"W~  452.3 g", "452.3", False),
        (b"W=+ 452.0 g", "452.0", True),
        (b"W=000452,3g", "452.3", True),
        (b"W= 0.0 g", "0.0", True),
    ],
)
def test_a_line_gives_value_unit_and_stability(line, value, stable):
    reading = READ(line)
    assert (reading.gauge, reading.unit, reading.stable) == ("SC-1", "g", stable)
    # with its last digit, even where that is nought: it shows the scale's resolution
    assert str(reading.value) == value


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"W= -3.2 g", "negative"),
        (b"W=------ g", "unknown"),
        (b"W=  OL   g", "unknown"),
        (b"W=  52.3", "unknown"),
        (b"2.3 g", "unknown"),
        (b"", "unknown"),
        (b"W=  15.95 oz", "unit"),
        (b"W=  4.5.2 g", "number"),
        (b"W=  1,452,3 g", "number"),
        (b"W= 4\xb552.3 g", "garbled"),
        (b"W=" + b"4" * 300 + b" g", "long"),
    ],
)
def test_a_line_that_is_no_reading_is_told_by_its_kind(line, kind):
    with pytest.raises(Unreadable) as told:
        READ(line)
    assert told.value.kind == kind


def test_a_kilogram_line_is_said_in_the_grams_of_its_gauge():
    reading = line_reader(changed(unit="kg"), SCALE)(b"W= 0.4523 kg")
    assert (reading.value, reading.unit) == (Decimal("452.3"), "g")


def test_a_scale_switched_to_another_unit_is_not_converted_but_told():
    with pytest.raises(Unreadable, match="'oz', the catalog expects 'g': switch the display back"):
        READ(b"W=  15.95 oz")


def test_an_indicator_may_stand_below_zero_and_say_nothing_of_stability():
    speaks = changed(gauge="DI-1", unit="mm", stable_mark=None, pattern=r"(?P<value>[+-]?[0-9.]+)")
    reading = line_reader(speaks, INDICATOR)(b"-0.012")
    assert (reading.value, reading.unit, reading.stable) == (Decimal("-0.012"), "mm", None)


def test_without_a_mark_a_line_is_stable_where_its_group_is_there():
    speaks = changed(stable_mark=None, pattern=r"(?P<value>[0-9.]+) g(?P<stable> ok)?")
    read = line_reader(speaks, SCALE)
    assert read(b"452.3 g ok").stable is True
    assert read(b"452.3 g").stable is False


@given(st.binary(max_size=250))
def test_whatever_comes_is_a_reading_or_told(line):
    with contextlib.suppress(Unreadable):
        assert isinstance(READ(line), Reading)
