"""Files in: read, parse, check, accept in chunks, and write out what was refused.

A few chunks are one transaction; small files share one. An import that is killed leaves whole
transactions behind and, run again, ends as if it had run once.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import msgspec
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.checks import entry_checker
from qc.catalog.codes import code_checker
from qc.catalog.entries import Entry
from qc.catalog.toml_file import read_catalog
from qc.ledger.ledger import ACCEPTED, CONFLICT, Ledger
from qc.ledger.walk import Check, FileReport, Waiting, Walk, conflict
from qc.readers.folder import is_catalog, log_files
from qc.readers.lines import open_log
from qc.readers.refusal import FileError
from qc.readers.refused import refused_paths
from qc.records.kinds import KINDS
from qc.records.parsing import FIELDS, RecordParser, Refused

# lines at once in memory, and in one transaction
CHUNK = 5000
TRANSACTION = 20_000
# refused files of logs that wait for the same chunk are open at once
FILES_AT_ONCE = 100

Progress = Callable[[Path, int], None]


class Report(msgspec.Struct):
    """What became of an import."""

    accepted: int
    already_held: int
    refused: int
    files: list[FileReport]


def import_paths(
    ledger: Ledger,
    paths: Iterable[Path],
    *,
    refused_folder: Path | None,
    connection: Connection | None = None,
    progress: Progress | None = None,
) -> Report:
    """Import files and folders. Raises `FileError` for a path that cannot be read.

    Refused lines are written below `refused_folder` (None: nowhere). With a `connection`
    everything happens in its transaction, which the caller ends.
    """
    paths = list(paths)
    files = [path for path in log_files(paths) if not _set_aside(path, paths, refused_folder)]
    targets = refused_paths(files, refused_folder) if refused_folder else {}
    reports = {path: FileReport(str(path)) for path in files}
    logs = [path for path in files if not is_catalog(path)]
    for path in files:
        if is_catalog(path):
            _import_catalog(ledger, path, reports[path], connection)
    with _Gathering(ledger, connection) as gathering:
        for path in logs:
            told = (lambda done, path=path: progress(path, done)) if progress else None
            gathering.read(path, reports[path], targets.get(path), told)
    if connection is None:
        ledger.settle()
    else:
        from qc.ledger.drift_flags import settle_streams

        settle_streams(connection, ledger.known(connection).catalog)
    return Report(
        sum(report.accepted for report in reports.values()),
        sum(report.already_held for report in reports.values()),
        sum(report.refused for report in reports.values()),
        list(reports.values()),
    )


def _set_aside(path: Path, named: Sequence[Path], refused_folder: Path | None) -> bool:
    """Whether a file lies in the folder of refused lines, and nobody named that folder.

    The folder may lie below the one that is read, and lines are refused once, not at every import.
    """
    if refused_folder is None:
        return False
    folder = refused_folder.resolve()
    within = any(folder in (name.resolve(), *name.resolve().parents) for name in named)
    return not within and folder in path.resolve().parents


@contextmanager
def _transaction(ledger: Ledger, connection: Connection | None) -> Iterator[Connection]:
    if connection is not None:
        yield connection
        return
    with ledger.writing() as own:
        yield own


def _catalog_now(ledger: Ledger, connection: Connection | None) -> Catalog:
    return ledger.known(connection).catalog if connection is not None else ledger.catalog()


def _import_catalog(
    ledger: Ledger, path: Path, report: FileReport, connection: Connection | None
) -> None:
    lines = list(read_catalog(path))
    read = [line.entry for line in lines if line.entry is not None]
    check = entry_checker(_catalog_now(ledger, connection), read)
    entries: list[Entry] = []
    unknown: dict[str, None] = {}
    for line in lines:
        fault = line.refused
        if line.entry is not None:
            try:
                check(line.entry)
                entries.append(line.entry)
                unknown.update(dict.fromkeys(line.unknown))
            except Refused as refused:
                fault = refused
        if fault is not None:
            report.refuse(line.line, fault.field, fault.value, fault.reason)
    report.unknown_columns = list(unknown)
    with _transaction(ledger, connection) as own:
        for answer in ledger.accept_catalog(own, entries):
            if answer.outcome == ACCEPTED:
                report.accepted += 1
            else:
                report.already_held += 1


def _required(kind: str | None) -> list[str]:
    """The columns a file of a kind must have; `taken_at` and the like where each line tells."""
    if kind is None:
        return ["taken_at", "station", "inspector"]
    return [field.name for field in FIELDS[kind] if field.required]


class _Gathering:
    """Lines of one log after another, gathered into chunks."""

    def __init__(self, ledger: Ledger, connection: Connection | None) -> None:
        self.ledger, self.connection = ledger, connection
        self.catalog = _catalog_now(ledger, connection)
        self.check: Check = code_checker(self.catalog)
        self.waiting: list[Waiting] = []
        self.walks: list[Walk] = []
        self.transaction = ExitStack()
        self.in_transaction = 0
        self.own: Connection

    def __enter__(self) -> "_Gathering":
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
            parser = RecordParser(self.catalog.zone, decimal_comma=log.decimal_comma)
            walk = Walk(log, parser, self.check, report, target)
            self.walks.append(walk)
            for waiting in walk:
                self.waiting.append(waiting)
                if len(self.waiting) >= CHUNK:
                    self.flush(reading=walk)
        if len(self.walks) >= FILES_AT_ONCE:
            self.flush()

    def flush(self, reading: Walk | None = None) -> None:
        """Accept what waits; files that are read to their end are done with."""
        if self.waiting:
            self._accept(self.waiting)
            self.waiting = []
        for walk in self.walks:
            walk.write_refused()
            if walk is not reading:
                walk.close(None)
        self.walks = [reading] if reading else []

    def _accept(self, waiting: Sequence[Waiting]) -> None:
        if self.in_transaction == 0:
            open_one = _transaction(self.ledger, self.connection)
            self.own = self.transaction.enter_context(open_one)
        answers = self.ledger.accept_into(self.own, [one.item for one in waiting])
        self.in_transaction += len(waiting)
        if self.in_transaction >= TRANSACTION:
            self.transaction.close()
            self.in_transaction = 0
        for (walk, line, item, raw), answer in zip(waiting, answers, strict=True):
            if answer.outcome == ACCEPTED:
                walk.report.accepted += 1
            elif answer.outcome == CONFLICT:
                record_id = item.record.record_id
                reason = conflict(record_id, answer.field)
                walk.refuse(line, "record_id", record_id, reason, raw)
            else:
                walk.report.already_held += 1
