"""Files in: read, parse, check, accept in chunks, and write out what was refused.

A chunk is one transaction, so an import that is killed leaves whole chunks behind and, run again,
ends as if it had run once.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.checks import entry_checker
from qc.catalog.codes import code_checker
from qc.catalog.entries import Entry
from qc.catalog.toml_file import read_catalog
from qc.ledger.journal import Prepared, prepare
from qc.ledger.ledger import ACCEPTED, CONFLICT, Answer, Ledger
from qc.readers.folder import is_catalog, log_files
from qc.readers.lines import Log, open_log
from qc.readers.refusal import Refusal
from qc.readers.refused import RefusedLines, refused_paths
from qc.records.kinds import KINDS, Record
from qc.records.parsing import FIELDS, RecordParser, Refused, known_kind, missing_columns

CHUNK = 5000

Progress = Callable[[Path, int], None]
Check = Callable[[Record], None]


class FileReport(msgspec.Struct):
    """What became of one file; `refusals` lists every refused line."""

    file: str
    accepted: int = 0
    already_held: int = 0
    refused: int = 0
    unknown_columns: list[str] = []
    refusals: list[dict[str, Any]] = []

    def refuse(self, line: int, field: str | None, value: str | None, reason: str) -> None:
        """Count a refused line."""
        self.refused += 1
        self.refusals.append({"line": line, "field": field, "value": value, "reason": reason})

    def count(self, answer: Answer) -> None:
        """Count an answer of the ledger other than a conflict."""
        if answer.outcome == ACCEPTED:
            self.accepted += 1
        else:
            self.already_held += 1


class Report(msgspec.Struct):
    """What became of an import."""

    accepted: int
    already_held: int
    refused: int
    files: list[FileReport]


class Waiting(NamedTuple):
    """A parsed line that waits for its chunk: its number, its record, its text to write back."""

    line: int
    item: Prepared
    raw: Any


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
    everything happens in its transaction, which the caller ends; else each chunk is committed.
    """
    files = log_files(paths)
    targets = refused_paths(files, refused_folder) if refused_folder else {}
    reports = []
    for path in files:
        report = FileReport(str(path))
        reports.append(report)
        if is_catalog(path):
            _import_catalog(ledger, path, report, connection)
        else:
            _import_log(ledger, path, report, targets.get(path), connection, progress)
    return Report(
        sum(report.accepted for report in reports),
        sum(report.already_held for report in reports),
        sum(report.refused for report in reports),
        reports,
    )


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
            report.count(answer)


def _import_log(
    ledger: Ledger,
    path: Path,
    report: FileReport,
    target: Path | None,
    connection: Connection | None,
    progress: Progress | None,
) -> None:
    catalog = _catalog_now(ledger, connection)
    told = (lambda done: progress(path, done)) if progress else None
    with open_log(path, kinds=KINDS, required=_required, progress=told) as log:
        parser = RecordParser(catalog.zone, decimal_comma=log.decimal_comma)
        walk = _Walk(log, parser, code_checker(catalog), report)
        if target is None:
            for chunk in walk.chunks():
                _accept(ledger, chunk, walk, connection)
                walk.refused.clear()
        else:
            with RefusedLines(log, target) as written:
                for chunk in walk.chunks():
                    _accept(ledger, chunk, walk, connection)
                    for _, raw, reason in sorted(walk.refused, key=lambda item: item[0]):
                        written.add(raw, reason)
                    walk.refused.clear()
    report.refusals.sort(key=lambda refusal: refusal["line"])


def _required(kind: str | None) -> list[str]:
    """The columns a file of a kind must have; `taken_at` and the like where each line tells."""
    if kind is None:
        return ["taken_at", "station", "inspector"]
    return [field.name for field in FIELDS[kind] if field.required]


def _accept(
    ledger: Ledger, chunk: Sequence[Waiting], walk: "_Walk", connection: Connection | None
) -> None:
    if not chunk:
        return
    with _transaction(ledger, connection) as own:
        answers = ledger.accept_into(own, [waiting.item for waiting in chunk])
    for waiting, answer in zip(chunk, answers, strict=True):
        if answer.outcome == CONFLICT:
            reason = (
                f"record {waiting.item.record.record_id} is held already with another "
                f"{answer.field}; record a correction of it instead"
            )
            walk.refuse(waiting.line, "record_id", waiting.item.record.record_id, reason,
                        waiting.raw)  # fmt: skip
        else:
            walk.report.count(answer)


class _Walk:
    """One log on its way in: its lines to records, refusals aside."""

    def __init__(self, log: Log, parser: RecordParser, check: Check, report: FileReport) -> None:
        self.log, self.parser, self.check, self.report = log, parser, check, report
        self.refused: list[tuple[int, Any, str]] = []
        self.columns = log.columns
        self.kind_at = log.columns.index("kind") if "kind" in log.columns else None
        self.unknown: dict[str, None] = {}

    def refuse(
        self, line: int, field: str | None, value: str | None, reason: str, raw: Any
    ) -> None:
        """Note a refused line, to be counted and written back out."""
        self.report.refuse(line, field, value, reason)
        self.refused.append((line, raw, f"{field}: {reason}" if field else reason))

    def chunks(self) -> Iterator[list[Waiting]]:
        """Parsed lines in chunks; the last one may be empty."""
        chunk: list[Waiting] = []
        group = self._missing_group()
        if group is not None:
            self.refuse(1, group, None, "missing column: one of these must be there", None)
            yield chunk
            return
        read = self._read_cells if self.log.form == "csv" else self._read_object
        for line in self.log:
            if isinstance(line, Refusal):
                self.refuse(*line)
                continue
            number, fields, raw = line
            try:
                record = read(fields)
                self.check(record)
            except Refused as fault:
                self.refuse(number, fault.field, fault.value, fault.reason, raw)
                continue
            if record.other:
                self.unknown.update(dict.fromkeys(record.other))
            chunk.append(Waiting(number, prepare(record), raw))
            if len(chunk) == CHUNK:
                yield chunk
                chunk = []
        self._name_unknown()
        yield chunk

    def _missing_group(self) -> str | None:
        kind = self.log.kind
        if self.log.form != "csv" or kind is None or not self.columns:
            return None
        return missing_columns(kind, self.columns)

    def _read_cells(self, cells: list[str]) -> Record:
        if self.kind_at is None:
            assert self.log.kind is not None
            return self.parser.from_cells(self.log.kind, self.columns, cells)
        return self.parser.from_cells(known_kind(cells[self.kind_at] or None), self.columns, cells)

    def _read_object(self, fields: dict[str, Any]) -> Record:
        return self.parser.from_object(fields)

    def _name_unknown(self) -> None:
        """Columns of no kind, named once; in a file of one kind also those left empty."""
        if self.log.form == "csv" and self.log.kind is not None:
            known = {field.name for field in FIELDS[self.log.kind]} | {"kind"}
            self.unknown.update(dict.fromkeys(c for c in self.columns if c not in known))
        self.report.unknown_columns = list(self.unknown)
