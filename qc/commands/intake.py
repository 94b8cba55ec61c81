"""The import as the commands `import` and `demo` use it."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import msgspec
from sqlalchemy.engine import URL

from qc.commands.output import print_csv, print_json, tell
from qc.errors import RimqcError
from qc.ledger.clock import behind
from qc.ledger.engine import read_url, sqlite_file
from qc.ledger.importing import Progress, Report, import_paths
from qc.ledger.ledger import Ledger, now
from qc.ledger.migrate import is_empty
from qc.readers.folder import log_files
from qc.readers.refusal import FileError, in_words
from qc.views.today import counts

SHOWN_REFUSALS = 20


class _RollBack(Exception):  # noqa: N818 - ends a dry run
    pass


def import_files(
    db: str, paths: Sequence[Path], refused: Path | None, *, dry_run: bool = False
) -> tuple[Report, dict[str, Any]]:
    """Import into the database at `db`; returns the report and the counts found afterwards."""
    url = read_url(db)
    file = sqlite_file(url)
    if refused is None:
        refused = (file.parent if file is not None else Path()) / "refused"
    try:
        log_files(paths)  # a path mistyped must not leave an empty database behind
        with _ledger(db, url, dry_run) as ledger, _progress(paths) as told:
            if dry_run:
                return _tried(ledger, paths, told)
            with ledger.reading() as connection:
                clock = behind(connection, now())
            if clock is not None:
                print(f"rimqc: {clock}", file=sys.stderr)
            report = import_paths(ledger, paths, refused_folder=refused, progress=told)
            with ledger.reading() as connection:
                return report, counts(connection)
    except FileError as fault:
        raise RimqcError(str(fault), 2) from None


@contextmanager
def _ledger(db: str, url: URL, dry_run: bool) -> Iterator[Ledger]:
    """The database; a dry run on an empty one leaves no table and not even a file behind."""
    if not dry_run or not is_empty(url):
        with Ledger(db, create=True) as ledger:
            yield ledger
        return
    with TemporaryDirectory() as aside, Ledger(f"sqlite:///{aside}/try.sqlite", create=True) as own:
        yield own


def _tried(
    ledger: Ledger, paths: Sequence[Path], told: Progress | None
) -> tuple[Report, dict[str, Any]]:
    report, found = Report(0, 0, 0, []), {}
    try:
        with ledger.writing() as connection:
            report = import_paths(
                ledger, paths, refused_folder=None, connection=connection, progress=told
            )
            found = counts(connection)
            raise _RollBack
    except _RollBack:
        return report, found


@contextmanager
def _progress(paths: Sequence[Path]) -> Iterator[Progress | None]:
    """A bar on a terminal, nothing in a pipe."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress as Bars

    sizes = {path: path.stat().st_size for path in log_files(paths)}
    done: dict[Path, int] = {}
    with Bars(console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task("reading", total=sum(sizes.values()))

        def told(path: Path, read: int) -> None:
            done[path] = read
            bars.update(task, completed=sum(done.values()), description=path.name)

        yield told


def print_report(report: Report, form: str, found: dict[str, Any] | None) -> None:
    """What was taken in and what was refused; `found` only for a dry run."""
    if form == "json":
        plain = msgspec.to_builtins(report)
        print_json(plain | {"would_find": found} if found is not None else plain)
        return
    if form == "csv":
        print_csv([{"file": f.file, **refusal} for f in report.files for refusal in f.refusals])
        return
    for file in report.files:
        tell(
            f"{file.file}: {file.accepted} accepted, {file.already_held} already held, "
            f"{file.refused} refused"
        )
        if file.unknown_columns:
            tell(f"  columns kept but not known: {', '.join(file.unknown_columns)}")
        for refusal in file.refusals[:SHOWN_REFUSALS]:
            tell(f"  {in_words(refusal)}")
        if len(file.refusals) > SHOWN_REFUSALS:
            print(f"  and {len(file.refusals) - SHOWN_REFUSALS} more")
    print(
        f"Together: {report.accepted} accepted, {report.already_held} already held, "
        f"{report.refused} refused."
    )
    if found is not None:
        print(f"Nothing was stored. It would leave these flags open: {found['flags'] or 'none'}")
