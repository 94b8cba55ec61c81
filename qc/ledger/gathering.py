"""Lines of one log after another, gathered into chunks; while one is accepted the next is read.

The database works on a thread of its own: whatever it does at length it does without holding up
Python, and that time goes into reading. Chunks are accepted strictly in their order.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.ledger.ledger import ACCEPTED, CONFLICT, Answer, Ledger
from qc.ledger.seen import held_whole, remember
from qc.ledger.walk import FileReport, Waiting, Walk, conflict
from qc.readers.lines import open_log
from qc.readers.refusal import FileError
from qc.records.kinds import KINDS
from qc.records.parsing import FIELDS

# lines at once in memory, and in one transaction
CHUNK = 10_000
TRANSACTION = 50_000
# refused files of logs that wait for the same chunk are open at once
FILES_AT_ONCE = 100


@contextmanager
def transaction(ledger: Ledger, connection: Connection | None) -> Iterator[Connection]:
    """The caller's transaction, or one of our own."""
    if connection is not None:
        yield connection
        return
    with ledger.writing() as own:
        yield own


def catalog_now(ledger: Ledger, connection: Connection | None) -> Catalog:
    """The catalog as the caller's transaction sees it, or as it stands."""
    return ledger.known(connection).catalog if connection is not None else ledger.catalog()


class _Chunk(NamedTuple):
    """Lines that are being accepted, and the logs that are read to their end with them."""

    waiting: Sequence[Waiting]
    answers: "Future[list[Answer]]"
    finished: Sequence[Walk]


class Gathering:
    """Takes in logs. Use as a context manager; what waits is accepted at its end."""

    def __init__(self, ledger: Ledger, connection: Connection | None) -> None:
        self.ledger, self.connection = ledger, connection
        self.catalog = catalog_now(ledger, connection)
        self.waiting: list[Waiting] = []
        self.waiting_lines = 0
        self.walks: list[Walk] = []
        self.accepting: _Chunk | None = None
        self.database = ThreadPoolExecutor(1, "rimqc-import")
        # these belong to the database's thread
        self.transaction = ExitStack()
        self.in_transaction = 0

    def __enter__(self) -> "Gathering":
        return self

    def __exit__(self, _kind: object, fault: BaseException | None, _at: object) -> None:
        try:
            if fault is None or isinstance(fault, FileError):
                self.flush()  # a file that cannot be opened takes nothing from those before it
                self._hear()
                self.database.submit(self.transaction.close).result()
            else:
                self._give_up(fault)
        except BaseException as late:
            fault = late
            self._give_up(late)
            raise
        finally:
            self.database.shutdown()
            for walk in self.walks:
                walk.close(fault)

    def _give_up(self, fault: BaseException) -> None:
        if self.accepting is not None:
            with suppress(BaseException):
                self.accepting.answers.result()
        self.transaction.__exit__(type(fault), fault, None)

    def read(
        self,
        path: Path,
        report: FileReport,
        target: Path | None,
        told: Callable[[int], None] | None,
    ) -> None:
        """Read a log to its end; what does not fill a chunk waits for the next log."""
        with open_log(path, kinds=KINDS, required=_required, progress=told) as log:
            walk = Walk(log, self.catalog, report, target, self._held_whole)
            self.walks.append(walk)
            for waiting in walk:
                self.waiting.append(waiting)
                self.waiting_lines += len(waiting.items)
                if self.waiting_lines >= CHUNK:
                    self.flush(reading=walk)
        if len(self.walks) >= FILES_AT_ONCE:
            self.flush()

    def flush(self, reading: Walk | None = None) -> None:
        """Have accepted what waits, once the chunk before is."""
        self._hear()
        answers = self.database.submit(self._accept, self.waiting)
        finished = [walk for walk in self.walks if walk is not reading]
        self.accepting = _Chunk(self.waiting, answers, finished)
        self.waiting, self.waiting_lines = [], 0
        self.walks = [*finished, reading] if reading else finished

    def _hear(self) -> None:
        """What became of the chunk that is being accepted; logs read to their end are done."""
        if self.accepting is None:
            return
        chunk, answers = self.accepting, self.accepting.answers.result()
        self.accepting, at = None, 0
        for some in chunk.waiting:
            _tell(some, answers[at : at + len(some.items)])
            at += len(some.items)
            some.walk.write_refused(until=some.lines[-1])
        for walk in chunk.finished:
            walk.write_refused()
            walk.close(None)
            self.walks.remove(walk)

    def _accept(self, waiting: Sequence[Waiting]) -> list[Answer]:
        """On the database's thread: accept, and note what is held whole by now."""
        if not waiting:
            return []
        if self.in_transaction == 0:
            open_one = transaction(self.ledger, self.connection)
            self.own = self.transaction.enter_context(open_one)
        items = [item for some in waiting for item in some.items]
        answers = self.ledger.accept_into(self.own, items)
        whole, at = {}, 0
        for some in waiting:
            following = answers[at : at + len(some.items)]
            at += len(some.items)
            if some.seen and all(answer.outcome != CONFLICT for answer in following):
                whole[some.seen] = len(some.items)
        remember(self.own, whole)
        self.in_transaction += len(items)
        if self.in_transaction >= TRANSACTION:
            self.transaction.close()
            self.in_transaction = 0
        return answers

    def _held_whole(self, stretch: str) -> int | None:
        if self.connection is not None:
            return None  # its transaction is at work on the other thread
        with self.ledger.reading() as connection:
            return held_whole(connection, stretch)


def _required(kind: str | None) -> list[str]:
    """The columns a file of a kind must have; `taken_at` and the like where each line tells."""
    if kind is None:
        return ["taken_at", "station", "inspector"]
    return [field.name for field in FIELDS[kind] if field.required]


def _tell(waiting: Waiting, answers: Sequence[Answer]) -> None:
    """Count what became of these lines, and refuse those that contradict what is held."""
    accepted = sum(answer.outcome == ACCEPTED for answer in answers)
    waiting.walk.report.accepted += accepted
    if accepted == len(answers):
        return
    conflicts = [i for i, answer in enumerate(answers) if answer.outcome == CONFLICT]
    waiting.walk.report.already_held += len(answers) - accepted - len(conflicts)
    for i in conflicts:
        record_id = waiting.items[i].record.record_id
        reason = conflict(record_id, answers[i].field)
        waiting.walk.refuse(waiting.lines[i], "record_id", record_id, reason, waiting.raws[i])
