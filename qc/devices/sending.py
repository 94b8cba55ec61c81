"""Records on their way to the server: kept in a spool first, sent in order, each counted once.

A record keeps the identity that it has everywhere: its `record_id`, or what its content makes.
None is added here. Sent again after a cut it is the same record either way; but with an id made
here, a log sent twice, or sent and also carried over by hand, would count twice. Telling true
repeats apart is for the station, which knows them: by `record_id` or `repeat`.
"""

import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec

from qc.devices.files import hold_if_free
from qc.devices.link import Answer, Link, Say, Stopped, answered
from qc.devices.spool import Spool
from qc.errors import RimqcError
from qc.readers.refusal import because

PATH = "/station/records"
MOST_AT_ONCE = 500
MOST_BYTES = 500_000
_REFUSED_WHOLE = frozenset({400, 413, 415, 422})


class Sent(msgspec.Struct):
    """What became of the records sent so far."""

    accepted: int = 0
    already_held: int = 0
    refused: int = 0


class _Report(msgspec.Struct):
    """The server's answer, as far as it matters here."""

    accepted: int
    already_held: int
    refused: int
    refusals: list[dict[str, Any]] = []


def record_line(record: Mapping[str, Any]) -> bytes:
    """A record as a line of JSON; decimals keep the digits they have."""
    return _encoder.encode(record)


_encoder = msgspec.json.Encoder(decimal_format="number")


def in_batches(lines: Iterable[bytes]) -> Iterator[list[bytes]]:
    """Lines gathered into what one request may carry."""
    batch: list[bytes] = []
    size = 0
    for line in lines:
        if batch and (len(batch) == MOST_AT_ONCE or size + len(line) > MOST_BYTES):
            yield batch
            batch, size = [], 0
        batch.append(line)
        size += len(line) + 1
    if batch:
        yield batch


class Sender:
    """Keeps what it is given and sends it in the background. Use as a context manager.

    A script's way in:

        with Sender(Spool(folder), Link(url, token_file)) as sender:
            sender.put([{"kind": "weighing", ...}])

    `put` returns when the records are on the disk. At the end of the block nothing is waited for:
    call `finish` to wait. What is left in the spool goes with the next sender.
    """

    def __init__(self, spool: Spool, link: Link, say: Say = lambda _: None) -> None:
        self.sent = Sent()
        self._spool, self._link, self._say = spool, link, say
        self._news, self._stop, self._ending = (threading.Event() for _ in range(3))
        self._fault: Exception | None = None
        self._news.set()  # what an earlier sender left behind
        self._thread = threading.Thread(target=self._run, name="rimqc-sender", daemon=True)

    def __enter__(self) -> "Sender":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._news.set()
        self._thread.join(1)  # a request under way may be cut off: it is sent again

    def put(self, records: Iterable[Mapping[str, Any] | bytes]) -> None:
        """Keep records, as fields or as lines of JSON; OSError where the disk takes nothing."""
        lines = (r if isinstance(r, bytes) else record_line(r) for r in records)
        for batch in in_batches(lines):
            self._spool.put(batch)
            self._news.set()

    def finish(self, wait_s: float | None = None) -> Sent:
        """Wait until all is sent, at most so long (None: however long it takes).

        RimqcError where the server will have nothing from this station; all is kept.
        """
        self._ending.set()
        self._news.set()
        self._thread.join(wait_s)
        if self._fault is not None:
            raise self._fault
        return self.sent

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._news.wait()
                self._news.clear()
                ending = self._ending.is_set()
                # looked at again after the lock is given back: whoever met it taken has put first
                while self._spool.waiting() and self._send_all():
                    pass
                if ending:
                    return
        except Stopped:
            pass
        except OSError as fault:
            self._fault = RimqcError(f"{fault.filename or self._spool.folder}: {fault.strerror}; "
                                     "make room or mend the rights, then send again")  # fmt: skip
        except Exception as fault:
            self._fault = fault
        finally:
            self._link.close()

    def _send_all(self) -> bool:
        """Send what waits; False where another process is at it."""
        lock = hold_if_free(self._spool.folder / ".sending")
        if lock is None:
            self._say(f"another program is sending what waits in {self._spool.folder}")
            return False
        with lock:
            for batches in self._gathered():
                lines = [line for _, own in batches for line in own]
                refused = self._deliver(lines) if lines else {}
                start = 0
                for batch, own in batches:
                    at = range(start, start + len(own))
                    self._spool.done(batch, [(lines[n], refused[n]) for n in at if n in refused])
                    start += len(own)
        return True

    def _gathered(self) -> Iterator[list[tuple[Path, list[bytes]]]]:
        """Batches in their order, as many together as a request may carry: a bench that was cut
        off for a day has thousands of small ones."""
        gathered: list[tuple[Path, list[bytes]]] = []
        count = size = 0
        for batch in self._spool.waiting():
            lines = self._spool.lines(batch)
            bytes_ = sum(map(len, lines))
            if gathered and (count + len(lines) > MOST_AT_ONCE or size + bytes_ > MOST_BYTES):
                yield gathered
                gathered, count, size = [], 0, 0
            gathered.append((batch, lines))
            count, size = count + len(lines), size + bytes_
        if gathered:
            yield gathered

    def _deliver(self, lines: Sequence[bytes]) -> dict[int, str]:
        """Bring lines to the server, in parts where it must be; the refused ones, with reasons."""
        answer = self._answered(lines)
        if answer.status in _REFUSED_WHOLE:
            if len(lines) > 1:
                half = len(lines) // 2
                first = self._deliver(lines[:half])
                return first | {half + n: why for n, why in self._deliver(lines[half:]).items()}
            self.sent.refused += 1
            return {0: answer.error}
        report = _report(answer, len(lines))
        assert report is not None
        self.sent.accepted += report.accepted
        self.sent.already_held += report.already_held
        self.sent.refused += report.refused
        return {refusal["line"] - 1: because(refusal) for refusal in report.refusals}

    def _answered(self, lines: Sequence[bytes]) -> Answer:
        """An answer to these records, however long it takes."""
        return answered(
            self._link, "POST", PATH, b"\n".join(lines) + b"\n", "x-ndjson",
            say=self._say, stop=self._stop,
            final=lambda answer: _is_final(answer, len(lines), self._link.url),
        )  # fmt: skip


def _is_final(answer: Answer, count: int, url: str) -> bool:
    """Whether this answers for all records; RimqcError where trying again makes no sense."""
    if answer.status in _REFUSED_WHOLE and answer.error:
        return True
    if answer.status != 200:
        raise RimqcError(f"{url}{PATH} answered {answer.status}: no rimqc server is there; "
                         "mend --to and send again; all records are kept")  # fmt: skip
    return _report(answer, count) is not None


def _report(answer: Answer, count: int) -> _Report | None:
    """The report on so many records, or None where this is none."""
    try:
        report = msgspec.json.decode(answer.body, type=_Report)
        lines = [refusal["line"] for refusal in report.refusals if because(refusal)]
    except (msgspec.DecodeError, msgspec.ValidationError, KeyError):
        return None
    complete = report.accepted + report.already_held + report.refused == count
    return report if complete and all(0 < line <= count for line in lines) else None
