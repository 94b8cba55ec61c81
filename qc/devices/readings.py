"""Readings handed on: offered to the screen through the server, or written to a log."""

import os
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Self

import msgspec

from qc.devices.link import Link, NoAnswer, Say
from qc.devices.readout import Reading, Unreadable
from qc.errors import RimqcError

PATH = "/station/reading"
# a stream that repeats itself faster than that says one thing
SAME_S = 1.0
# how often a fault is told again that comes and goes
TOLD_S = 60.0
# the screen needs no more, and nothing older
OFFER_S, SILENT_S, STALE_S = 0.2, 1.0, 2.0

Take = Callable[[Reading], None]
_encoder = msgspec.json.Encoder(decimal_format="number")


def hand_on(
    lines: Iterable[bytes | Unreadable], read: Callable[[bytes], Reading], take: Take, say: Say
) -> None:
    """Read every line and hand the reading on; each sort of fault is said once while it lasts."""
    told: dict[str, float] = {}
    for line in lines:
        try:
            if isinstance(line, Unreadable):
                raise line
            reading = read(line)
        except Unreadable as fault:
            if fault.kind not in told:
                say(str(fault))
                told[fault.kind] = time.monotonic()
            continue
        old = time.monotonic() - TOLD_S
        told = {kind: at for kind, at in told.items() if at > old}
        take(reading)


def changes(take: Take) -> Take:
    """Hands on what is not a repeat within a second of the reading just before it."""
    last: Reading | None = None

    def taking(reading: Reading) -> None:
        nonlocal last
        before, last = last, reading
        if not (
            before is not None
            and (before.value, before.stable) == (reading.value, reading.stable)
            and (reading.taken_at - before.taken_at).total_seconds() < SAME_S
        ):
            take(reading)

    return taking


def log_to(path: Path) -> Take:
    """Writes each reading as a line of JSON, on the disk when it returns.

    RimqcError where the file cannot be written.
    """

    def take(reading: Reading) -> None:
        try:
            with path.open("a+b") as file:
                end = file.seek(0, os.SEEK_END)
                if end:  # a line torn by a power cut stays alone
                    file.seek(end - 1)
                    file.write(b"" if file.read(1) == b"\n" else b"\n")
                file.write(_encoder.encode(reading) + b"\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError as fault:
            raise RimqcError(
                f"--log {path}: {fault.strerror}; make room or name another file"
            ) from None

    return take


class Offers:
    """Brings the newest reading to the server; one that is late is left out. Use as a context."""

    def __init__(self, link: Link, say: Say, failed: threading.Event) -> None:
        self.fault: RimqcError | None = None
        self._link, self._say, self._failed = link, say, failed
        self._trouble = ""
        self._newest: tuple[Reading, float] | None = None
        self._news, self._stop = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="rimqc-offers", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _fault: BaseException | None,
        _at: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._news.set()
        self._thread.join(1)

    def take(self, reading: Reading) -> None:
        """Offer this one; what was not brought over yet is forgotten."""
        self._newest = reading, time.monotonic()
        self._news.set()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._news.wait()
                self._news.clear()
                newest = self._newest
                if newest is None or time.monotonic() - newest[1] > STALE_S:
                    continue
                pause_s = OFFER_S
                if not self._brought(newest[0]):
                    self._news.set()  # again, unless there is a newer one by then
                    pause_s = SILENT_S
                self._stop.wait(pause_s)
        except RimqcError as fault:
            self.fault = fault
            self._failed.set()
        finally:
            self._link.close()

    def _brought(self, reading: Reading) -> bool:
        try:
            answer = self._link.ask("POST", PATH, _encoder.encode(reading))
            said = answer.error or f"it answered {answer.status}"
            heard, taken = answer.status < 500, answer.status < 300
        except NoAnswer as fault:
            said, heard, taken = str(fault), False, False
        trouble = "" if taken else said
        if trouble != self._trouble:
            self._say(f"{self._link.url} does not take readings: {said}" if trouble
                      else f"{self._link.url} takes readings again")  # fmt: skip
        self._trouble = trouble
        return heard
