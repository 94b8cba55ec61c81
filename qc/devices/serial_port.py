"""Whole lines from a serial port, for as long as it takes, with the port unplugged in between."""

import errno
import os
import threading
import time
from collections.abc import Iterator

import serial
from serial.tools import list_ports

from qc.catalog.entries import Readout
from qc.catalog.serial_line import request_bytes
from qc.devices.link import Say
from qc.devices.patience import waits
from qc.devices.readout import MOST_LINE, Unreadable
from qc.errors import RimqcError

# a pause within a line means that its rest is lost: what follows is another line
PAUSE_S = 0.5
# how long an answer to a request is waited for, and how soon after it the next one is sent
ANSWER_S, REST_S = 2.0, 0.25
FIRST_WAIT_S, MOST_WAIT_S = 0.5, 10.0
_POLL_S = 0.1
_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
# carriage return, line feed, end of text; a start of text is taken off with other controls
_ENDS = b"\r\n\x03"
_CONTROLS = bytes(range(32))

Lines = Iterator[bytes | Unreadable]


def only_port() -> str:
    """The port of this machine, where it has just one; RimqcError otherwise."""
    ports = sorted(port.device for port in list_ports.comports())
    if len(ports) == 1:
        return str(ports[0])
    found = f"there are {', '.join(ports)}" if ports else "none is found: plug the gauge in"
    raise RimqcError(f"name the serial port with --port; {found}", 2)


def lines(port: str, readout: Readout, say: Say, stop: threading.Event) -> Lines:
    """Each line that comes, without its end; a port that goes is waited for.

    The rest of a line that was under way when the port was opened is no line, nor is one with a
    pause in it. What comes without any end of a line is handed on as it is, to be told of.
    """
    trying = waits(FIRST_WAIT_S, MOST_WAIT_S)
    silent = False
    while not stop.is_set():
        try:
            with _opened(port, readout) as line:
                if silent:
                    say(f"{port} is back")
                trying, silent = waits(FIRST_WAIT_S, MOST_WAIT_S), False
                yield from _lines_of(line, readout.request, stop)
        except OSError as fault:  # what the library raises is one too
            if not silent:
                say(f"{port} cannot be read: {_words(fault)}; it is tried again")
            silent = True
            stop.wait(next(trying))


def _opened(port: str, readout: Readout) -> serial.Serial:
    return serial.Serial(
        port,
        baudrate=readout.baud,
        bytesize=readout.bits,
        parity=_PARITY[readout.parity],
        stopbits=readout.stop_bits,
        timeout=_POLL_S,
        write_timeout=ANSWER_S,
        exclusive=True,
    )


def _words(fault: OSError) -> str:
    if "exclusively lock" in str(fault):
        return "another program is reading it"
    if fault.errno == errno.EACCES:
        return "no right to it; let this user into the group that owns the port"
    return os.strerror(fault.errno) if fault.errno else str(fault)


def _lines_of(port: serial.Serial, request: str | None, stop: threading.Event) -> Lines:
    asking = _Asking(port, request)
    held = port.read(1)
    whole = not held  # nothing under way: the next byte begins a line
    heard_at = time.monotonic()
    while not stop.is_set():
        asking.ask_if_due()
        piece = port.read(max(1, port.in_waiting))
        now = time.monotonic()
        if now - heard_at > PAUSE_S and (held or not whole):
            if held and whole:
                yield Unreadable("half", f"half a line, then nothing: {held!r}; check the cable")
            held, whole = b"", True
        if not piece:
            continue
        heard_at = now
        held += piece
        *complete, held = _split(held)
        for text in complete:
            if whole and text.strip(_CONTROLS):
                asking.answered()
                yield text.strip(_CONTROLS)
            whole = True
        if len(held) > MOST_LINE:
            yield held
            held, whole = b"", False


def _split(data: bytes) -> list[bytes]:
    for end in _ENDS[1:]:
        data = data.replace(bytes((end,)), _ENDS[:1])
    return data.split(_ENDS[:1])


class _Asking:
    """Sends the request of a gauge that speaks only when it is asked."""

    def __init__(self, port: serial.Serial, request: str | None) -> None:
        self._port = port
        self._request = request_bytes(request) if request else b""
        self._due_at = 0.0

    def ask_if_due(self) -> None:
        if self._request and time.monotonic() >= self._due_at:
            self._port.write(self._request)
            self._due_at = time.monotonic() + ANSWER_S

    def answered(self) -> None:
        self._due_at = min(self._due_at, time.monotonic() + REST_S)
