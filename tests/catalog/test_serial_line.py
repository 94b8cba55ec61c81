"""What the catalog may say of a gauge on a serial line."""

import datetime as dt

import pytest

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.checks import entry_checker
from qc.catalog.serial_line import line_pattern, request_bytes
from qc.catalog.toml_file import read_entry
from qc.records.parsing import Refused

GAUGE = {"code": "S1", "measures": "mass", "unit": "g", "resolution": "0.1", "u": "0.2"}
READOUT = {"gauge": "S1", "unit": "g", "baud": "9600", "pattern": "(?P<value>[0-9.]+) g"}


def checked(**keys):
    at = dt.datetime(2026, 1, 5, tzinfo=dt.UTC)
    catalog = Catalog([Recorded("1", 1, at, read_entry("gauge", GAUGE)[0])])
    entry = read_entry("readout", READOUT | keys)[0]
    entry_checker(catalog, [entry])(entry)
    return entry


def refusal(**keys) -> Refused:
    with pytest.raises(Refused) as refused:
        checked(**keys)
    return refused.value


def test_a_readout_has_the_usual_line_settings_unless_it_names_others():
    entry = checked()
    assert (entry.bits, entry.parity, entry.stop_bits, entry.request) == (8, "none", 1, None)
    assert checked(unit="kg").unit == "kg"


@pytest.mark.parametrize(
    ("keys", "field", "words"),
    [
        ({"gauge": "S2"}, "gauge", "nearest known: S1"),
        ({"unit": "mm"}, "unit", "gauge S1 is in g"),
        ({"unit": "stone"}, "unit", "gauge S1 is in g"),
        ({"pattern": "(?P<value>[0-9.]+"}, "pattern", "missing )"),
        ({"pattern": "[0-9.]+ g"}, "pattern", "(?P<value>...)"),
        ({"pattern": "(?P<value>.*)(?P<stabel>!)"}, "pattern", "not stabel"),
        ({"pattern": r"(?P<value>.*)\1"}, "pattern", "no pattern"),
        ({"stable_mark": "!"}, "stable_mark", "(?P<stable>...)"),
        ({"parity": "mark"}, "parity", "one of none, even, odd"),
        ({"bits": "9"}, "bits", "whole number"),
        ({"baud": "0"}, "baud", "whole number"),
        ({"request": ""}, "request", "printable"),
        ({"request": r"W\q"}, "request", "printable"),
        ({"request": "é"}, "request", "printable"),
    ],
)
def test_a_readout_that_could_not_be_read_by_is_refused(keys, field, words):
    refused = refusal(**keys)
    assert refused.field == field
    assert words in refused.reason


def test_no_pattern_can_hold_a_bench_up():
    """Patterns on which a search that tries every way would not end in this century."""
    for pattern in ("(?P<value>(a+)+)b", "(?P<value>(a|a|aa)*)b", "(?P<value>" + "a?" * 90 + ")b"):
        assert line_pattern(pattern).fullmatch("a" * 200) is None


def test_a_request_spells_what_cannot_be_printed():
    assert request_bytes(r"V\r\n") == b"V\r\n"
    assert request_bytes(r"\x05\\\tA ") == b"\x05\\\tA "
