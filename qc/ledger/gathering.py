"""Lines of one log after another, gathered into chunks that are accepted together."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.ledger import triggers
from qc.ledger.engine import give_room
from qc.ledger.ledger import ACCEPTED, CONFLICT, Answer, Ledger
from qc.ledger.seen import held_whole, remember
from qc.ledger.walk import FileReport, Waiting, Walk, conflict
from qc.readers.lines import open_log
from qc.readers.refusal import FileError
from qc.records.kinds import KINDS
from qc.records.parsing import FIELDS

# lines at once in memory, and in one transaction
CHUNK = 5000
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


class Gathering:
    """Takes in logs. Use as a context manager; what waits is accepted at its end."""

    def __init__(self, ledger: Ledger, connection: Connection | None) -> None:
        self.ledger, self.connection = ledger, connection
        self.catalog = catalog_now(ledger, connection)
        self.waiting: list[Waiting] = []
        self.waiting_lines = 0
        self.walks: list[Walk] = []
        self.transaction = ExitStack()
        self.in_transaction = 0

    def __enter__(self) -> "Gathering":
        return self

    def __exit__(self, _kind: object, fault: BaseException | None, _at: object) -> None:
        try:
            if fault is None or isinstance(fault, FileError):
                self.flush()  # a file that cannot be opened takes nothing from those before it
                self.transaction.close()
            else:
                self.transaction.__exit__(type(fault), fault, None)
        except BaseException as late:
            fault = late
            self.transaction.__exit__(type(late), late, None)
            raise
        finally:
            for walk in self.walks:
                walk.close(fault)

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
        """Accept what waits; logs that were read to their end are done with."""
        waiting, self.waiting, self.waiting_lines = self.waiting, [], 0
        answers, at = self._accept(waiting), 0
        for some in waiting:
            _tell(some, answers[at : at + len(some.items)])
            at += len(some.items)
            some.walk.write_refused(until=some.lines[-1])
        for walk in [walk for walk in self.walks if walk is not reading]:
            walk.write_refused()
            walk.close(None)
            self.walks.remove(walk)

    def _accept(self, waiting: Sequence[Waiting]) -> list[Answer]:
        """Accept, and note what is held whole by now."""
        if not waiting:
            return []
        if self.in_transaction == 0:
            open_one = transaction(self.ledger, self.connection)
            self.own = self.transaction.enter_context(open_one)
            give_room(self.own)
            self.transaction.enter_context(triggers.inserting(self.own))
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
        own = self.own if self.in_transaction else self.connection
        if own is not None:
            return held_whole(own, stretch)
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
