"""Files in: catalogs at once, logs gathered into chunks, and what was refused written out.

A few chunks are one transaction; small files share one. An import that is killed leaves whole
transactions behind and, run again, ends as if it had run once.
"""

import gc
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import msgspec
from sqlalchemy import Connection

from qc.catalog.checks import entry_checker
from qc.catalog.entries import Entry
from qc.catalog.toml_file import read_catalog
from qc.ledger.gathering import Gathering, catalog_now, transaction
from qc.ledger.ledger import ACCEPTED, Ledger
from qc.ledger.walk import FileReport
from qc.readers.folder import is_catalog, log_files
from qc.readers.refused import refused_paths
from qc.records.parsing import Refused

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
    with seldom_collected(), Gathering(ledger, connection) as gathering:
        for path in logs:
            told = (lambda done, path=path: progress(path, done)) if progress else None
            gathering.read(path, reports[path], targets.get(path), told)
    if connection is None:
        ledger.engine.dispose()  # the writer's cache is not needed any more; drift wants room
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


@contextmanager
def seldom_collected() -> Iterator[None]:
    """Python looks for cycles less often: an import makes millions of tuples and no cycle.

    Left alone, the search takes a sixth of its time.
    """
    before = gc.get_threshold()
    gc.set_threshold(100_000, 20, 100)
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        gc.set_threshold(*before)


def _set_aside(path: Path, named: Sequence[Path], refused_folder: Path | None) -> bool:
    """Whether a file lies in the folder of refused lines, and nobody named that folder.

    The folder may lie below the one that is read, and lines are refused once, not at every import.
    """
    if refused_folder is None:
        return False
    folder = refused_folder.resolve()
    within = any(folder in (name.resolve(), *name.resolve().parents) for name in named)
    return not within and folder in path.resolve().parents


def _import_catalog(
    ledger: Ledger, path: Path, report: FileReport, connection: Connection | None
) -> None:
    lines = list(read_catalog(path))
    read = [line.entry for line in lines if line.entry is not None]
    check = entry_checker(catalog_now(ledger, connection), read)
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
    with transaction(ledger, connection) as own:
        for answer in ledger.accept_catalog(own, entries):
            if answer.outcome == ACCEPTED:
                report.accepted += 1
            else:
                report.already_held += 1
