"""Lines over a pair of pseudo-terminals: we play the gauge at one end."""

import os
import queue
import threading
import time
import tty
from pathlib import Path

import msgspec
import pytest

from qc.devices import serial_port
from qc.devices.readout import Unreadable
from qc.errors import RimqcError
from tests.devices.gauges import SPEAKS


class Bench:
    """A port that can be plugged in and out, and what is heard on it."""

    def __init__(self, path, readout):
        self.port, self.said = path, []
        self.heard: queue.Queue = queue.Queue()
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._listen, args=(readout,))

    def plug_in(self):
        self.ours, theirs = os.openpty()
        tty.setraw(theirs)
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(os.ttyname(theirs))
        self.theirs = theirs

    def open(self):
        """Once the listener has it, only the listener does."""
        if not self.thread.is_alive():
            self.thread.start()
        while not self._is_open():
            time.sleep(0.02)
        os.close(self.theirs)
        time.sleep(2 * serial_port._POLL_S)

    def _is_open(self):
        name = os.ttyname(self.theirs)
        return sum(os.path.realpath(link) == name for link in Path("/proc/self/fd").iterdir()) > 1

    def unplug(self):
        os.close(self.ours)

    def says(self, data):
        os.write(self.ours, data)

    def next(self):
        return self.heard.get(timeout=20)

    def _listen(self, readout):
        for line in serial_port.lines(str(self.port), readout, self.said.append, self.stop):
            self.heard.put(line)


@pytest.fixture
def bench(tmp_path):
    made = []

    def make(**keys):
        bench = Bench(tmp_path / "port", msgspec.structs.replace(SPEAKS, **keys))
        made.append(bench)
        return bench

    yield make
    for bench in made:
        bench.stop.set()
        bench.thread.join(20)
        assert not bench.thread.is_alive()
        bench.unplug()


@pytest.fixture
def scale(bench):
    plugged = bench()
    plugged.plug_in()
    plugged.open()
    return plugged


@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r", b"\x03"])
def test_lines_come_whatever_ends_them(scale, end):
    scale.says(b"\x02W= 452.3 g" + end + b"\x02W= 452.4 g" + end)
    assert [scale.next(), scale.next()] == [b"W= 452.3 g", b"W= 452.4 g"]


def test_a_line_may_come_byte_by_byte(scale):
    for byte in b"W= 452.3 g\r\n":
        scale.says(bytes((byte,)))
        time.sleep(0.02)
    assert scale.next() == b"W= 452.3 g"


def test_a_line_with_a_pause_in_it_is_not_joined_to_the_next(scale):
    scale.says(b"W= 45")
    time.sleep(serial_port.PAUSE_S + 0.3)
    scale.says(b"W= 452.3 g\r\n")
    half = scale.next()
    assert isinstance(half, Unreadable)
    assert "b'W= 45'" in str(half)
    assert scale.next() == b"W= 452.3 g"


def test_a_line_under_way_when_the_port_is_opened_is_no_line(bench):
    stream = bench()
    stream.plug_in()
    going = threading.Event()

    def talk():
        while not going.is_set():
            stream.says(b"52.3 g\r\nW= 4")
            time.sleep(0.02)

    talker = threading.Thread(target=talk)
    talker.start()
    stream.open()
    heard = [stream.next() for _ in range(5)]
    going.set()
    talker.join()
    assert heard == [b"W= 452.3 g"] * 5


def test_noise_without_any_end_is_handed_on_and_what_follows_it_is_read(scale):
    scale.says(b"\xff" * 300)
    assert len(scale.next()) > 200
    scale.says(b"4 g\r\nW= 452.3 g\r\n")
    assert scale.next() == b"W= 452.3 g"


def test_a_gauge_that_waits_is_asked_and_asked_again(bench):
    asked = bench(request=r"V\r")
    asked.plug_in()
    asked.open()
    for value in (b"452.3", b"452.4"):
        request = b""
        while not request.endswith(b"V\r"):
            request += os.read(asked.ours, 1)
        asked.says(b"W= " + value + b" g\r\n")
        assert asked.next() == b"W= " + value + b" g"


def test_an_unplugged_port_is_waited_for_and_read_again(scale):
    scale.says(b"W= 452.3 g\r\nW= 4")
    assert scale.next() == b"W= 452.3 g"
    scale.unplug()
    scale.port.unlink()
    while not scale.said:
        time.sleep(0.02)
    scale.plug_in()
    scale.open()
    scale.says(b"W= 9.9 g\r\n")
    assert scale.next() == b"W= 9.9 g"
    assert len(scale.said) == 2
    assert "cannot be read" in scale.said[0]
    assert "is back" in scale.said[1]


def test_two_programs_do_not_share_a_port(scale):
    said, stop = [], threading.Event()
    second = threading.Thread(
        target=lambda: list(serial_port.lines(str(scale.port), SPEAKS, said.append, stop))
    )
    second.start()
    while not said:
        time.sleep(0.02)
    stop.set()
    second.join()
    assert "another program is reading it" in said[0]


@pytest.mark.parametrize(
    ("ports", "words"), [([], "none is found"), (["A", "B"], "there are A, B")]
)
def test_a_port_is_taken_unnamed_only_where_it_is_the_only_one(monkeypatch, ports, words):
    class Port:
        def __init__(self, device):
            self.device = device

    monkeypatch.setattr(serial_port.list_ports, "comports", lambda: [Port(p) for p in ports])
    with pytest.raises(RimqcError, match=words):
        serial_port.only_port()
    monkeypatch.setattr(serial_port.list_ports, "comports", lambda: [Port("/dev/one")])
    assert serial_port.only_port() == "/dev/one"
