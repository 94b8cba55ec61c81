"""One writer per process: what waits goes into one transaction, under one seal.

Only one transaction at a time can append to the journal, and its lock is held until the commit
has reached the disk. With a transaction for each record a shop is capped by its disk; gathered,
the same disk carries many times as many, and nobody is answered before the commit.
"""

import queue
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from typing import Any, NamedTuple

from sqlalchemy import Connection

from qc.errors import RimqcError
from qc.ledger.journal import Prepared, prepare
from qc.ledger.ledger import Answer, Ledger
from qc.records.kinds import Record

MOST_AT_ONCE = 5000
# drift is judged once nobody has sent anything for so long, or so long after the first record
# that may change it, where somebody always sends
QUIET_SECONDS = 1.0
LATEST_SECONDS = 30.0

# what was asked for one that waits, and holds for all others in the same transaction
Asked = dict[tuple[str, ...], Any]
Check = Callable[[Connection, Asked], Sequence[Prepared]]


class Waiting(NamedTuple):
    """Somebody's records, about how many they are, and who waits to hear what became of them."""

    check: Check
    records: int
    answered: "Future[list[Answer]]"


class Writer:
    """A thread that accepts records for everybody in this process. Use as a context manager."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._queue: queue.SimpleQueue[Waiting | None] = queue.SimpleQueue()
        self._closed = False
        # whether the last word was heard
        self._over = False
        # a program that was killed may have left streams to be judged
        self._unsettled = True
        self._settle_at = time.monotonic() + LATEST_SECONDS
        # nothing may be queued behind the last word, or it would wait for ever
        self._door = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="rimqc-writer", daemon=True)
        self._thread.start()

    def __enter__(self) -> "Writer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Write what waits, then stop."""
        with self._door:
            if not self._closed:
                self._queue.put(None)
            self._closed = True
        self._thread.join()

    def submit(self, records: Sequence[Record]) -> "Future[list[Answer]]":
        """Hand records in; the future is answered after their commit, or with its fault.

        RimqcError once the writer is closed.
        """
        prepared = [prepare(record) for record in records]
        return self.submit_checked(lambda *_: prepared, len(prepared))

    def submit_checked(self, check: Check, records: int = 1) -> "Future[list[Answer]]":
        """The same of what `check` tells within the transaction that takes it in.

        It is asked before anything is locked, and once more where others' records made that
        transaction fail. What it raises is the answer. RimqcError once the writer is closed.
        """
        waiting = Waiting(check, records, Future())
        with self._door:
            if self._closed:
                raise RimqcError(
                    "the program is closing and takes no more records; send them again"
                )
            self._queue.put(waiting)
        return waiting.answered

    def _run(self) -> None:
        # what judging drift needs takes a second to load: nobody shall wait for that later
        from qc.ledger import drift_flags

        assert drift_flags
        while not self._over:
            if self._unsettled:
                self._write_or_settle()
            else:
                self._write_from(self._queue.get())
        if self._unsettled:
            self._settle()

    def _write_or_settle(self) -> None:
        """What comes next; drift waits for a quiet moment, for it is a matter of batches.

        Where no moment is quiet it still waits no longer than `LATEST_SECONDS`.
        """
        left = self._settle_at - time.monotonic()
        if left > 0:
            with suppress(queue.Empty):
                self._write_from(self._queue.get(timeout=min(QUIET_SECONDS, left)))
                return
        self._settle()

    def _settle(self) -> None:
        """Judge what is stale, a stream at a time; what comes meanwhile is written in between."""
        self._unsettled = False
        with suppress(RimqcError):  # what is stale stays noted as such; the next moment comes
            for _ in self._ledger.settling():
                with suppress(queue.Empty):
                    self._write_from(self._queue.get_nowait())

    def _write_from(self, item: Waiting | None) -> None:
        """Write this and what else waits by now, as far as it goes into one transaction."""
        gathered: list[Waiting] = []
        room = MOST_AT_ONCE
        while item is not None:
            # from here on nobody can withdraw it; what was withdrawn before is not written
            if item.answered.set_running_or_notify_cancel():
                gathered.append(item)
                room -= item.records
            if room <= 0:
                break
            try:
                item = self._queue.get_nowait()
            except queue.Empty:
                break
        self._over = self._over or item is None
        if gathered:
            self._write(gathered)

    def _write(self, gathered: Sequence[Waiting]) -> None:
        told: list[tuple[Waiting, Sequence[Prepared]]] = []
        asked: Asked = {}
        try:
            with self._ledger.writing() as connection:
                told = [
                    (one, its)
                    for one in gathered
                    if (its := _ask(one, connection, asked)) is not None
                ]
                items = [item for _, its in told for item in its]
                answers = self._ledger.accept_into(connection, items) if items else []
        except BaseException as fault:  # whoever waits must hear of it, whatever it was
            waiting = [one for one in gathered if not one.answered.done()]
            if len(gathered) == 1:
                for alone in waiting:
                    alone.answered.set_exception(fault)
            else:  # one that cannot be written must not take the others with it
                for alone in waiting:
                    self._write([alone])
            return
        if answers and not self._unsettled:
            self._unsettled = True
            self._settle_at = time.monotonic() + LATEST_SECONDS
        start = 0
        for one, its in told:
            one.answered.set_result(answers[start : start + len(its)])
            start += len(its)


def _ask(one: Waiting, connection: Connection, asked: Asked) -> Sequence[Prepared] | None:
    """What is to be taken in; None where the check failed, of which whoever waits has heard."""
    try:
        return one.check(connection, asked)
    except Exception as fault:
        one.answered.set_exception(fault)
        return None
