import datetime as dt
import json
from decimal import Decimal

import pytest

from qc.devices import readings
from qc.devices.readings import changes, hand_on, log_to
from qc.devices.readout import Reading, Unreadable, line_reader
from qc.errors import RimqcError
from tests.devices.gauges import SCALE, SPEAKS

READ = line_reader(SPEAKS, SCALE)
AT = dt.datetime(2026, 3, 2, 10, tzinfo=dt.UTC)


def reading(value="452.3", stable=True, after_s=0.0):
    at = AT + dt.timedelta(seconds=after_s)
    return Reading("SC-1", Decimal(value), "g", stable, at)


def test_readings_are_handed_on_in_order_and_each_sort_of_fault_is_said_once():
    taken, said = [], []
    lines = [b"W=------ g", b"W= 452.3 g", b"W=------ g", b"\xff", b"\xfe", b"W= -1 g",
             Unreadable("half", "half a line"), b"W= 452.4 g"]  # fmt: skip
    hand_on(lines, READ, taken.append, said.append)
    assert [str(one.value) for one in taken] == ["452.3", "452.4"]
    assert [words.split(":")[0] for words in said] == [
        "not a reading by the readout's pattern", "garbled", "below zero", "half a line",
    ]  # fmt: skip


def test_a_fault_that_comes_back_after_a_while_is_said_again(monkeypatch):
    said = []
    clock = iter([0.0, 1.0, 200.0, 201.0])
    monkeypatch.setattr(readings.time, "monotonic", lambda: next(clock))
    lines = [b"W=------ g", b"W= 452.3 g", b"W= 452.3 g", b"W=------ g"]
    hand_on(lines, READ, lambda _: None, said.append)
    assert len(said) == 2


def test_a_stream_that_repeats_itself_is_one_reading_a_value_sent_twice_is_two():
    taken = []
    take = changes(taken.append)
    stream = [
        reading("452.1", False, 0),
        reading("452.3", True, 0.1),
        reading("452.3", True, 0.2),
        reading("452.3", True, 0.9),
        reading("0.0", True, 1.0),
        reading("452.3", True, 1.1),
    ]
    by_key = [reading("452.3", True, 20), reading("452.3", True, 22.5)]  # fmt: skip
    for one in [*stream, *by_key]:
        take(one)
    seconds = [(one.taken_at - AT).total_seconds() for one in taken]
    assert seconds == [0, 0.1, 1.0, 1.1, 20, 22.5]


def test_a_log_holds_a_reading_a_line(tmp_path):
    path = tmp_path / "scale.jsonl"
    for one in (reading("452.30"), reading("0.04", None, 2)):
        log_to(path)(one)
    first, second = (json.loads(line, parse_float=str) for line in path.read_text().splitlines())
    assert first == {"gauge": "SC-1", "value": "452.30", "unit": "g", "stable": True,
                     "taken_at": "2026-03-02T10:00:00Z"}  # fmt: skip
    assert (second["value"], second["stable"]) == ("0.04", None)


def test_a_line_torn_by_a_power_cut_spoils_no_other(tmp_path):
    path = tmp_path / "scale.jsonl"
    path.write_text('{"gauge": "SC-1", "val')
    log_to(path)(reading())
    torn, whole = path.read_text().splitlines()
    assert torn == '{"gauge": "SC-1", "val'
    assert json.loads(whole)["gauge"] == "SC-1"


def test_a_log_that_cannot_be_written_says_which_and_what_to_do(tmp_path):
    with pytest.raises(RimqcError, match=r"--log .*nowhere.*No such file.*name another file"):
        log_to(tmp_path / "nowhere" / "scale.jsonl")(reading())
