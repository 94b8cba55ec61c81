"""Which files an import reads, whatever the order in which they were named."""

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from qc.readers.refusal import FileError

CSV_FORMS = (".csv", ".csv.gz")
JSON_FORMS = (".jsonl", ".jsonl.gz", ".ndjson", ".ndjson.gz")
CATALOG = "catalog.toml"
FORMS = (*CSV_FORMS, *JSON_FORMS, CATALOG)


def is_catalog(path: Path) -> bool:
    """Whether the file holds reference data, not a log."""
    return path.name.lower() == CATALOG


def log_form(path: Path) -> str | None:
    """The ending by which the file is a log (`.csv.gz`), or None; capitals do not matter."""
    name = path.name.lower()
    return next((form for form in (*CSV_FORMS, *JSON_FORMS) if name.endswith(form)), None)


def bare_name(path: Path) -> str:
    """The file's name without the ending that tells its form: `weighing_march`."""
    return path.name[: -len(log_form(path) or "")] or path.name


def log_files(paths: Iterable[Path]) -> list[Path]:
    """Every catalog and log that the paths name, catalogs first, then by path text.

    A folder stands for all files of a known form in it and in its subfolders; hidden ones, other
    forms and folders behind symbolic links are passed over. One file reached twice comes once,
    under the name that sorts first. FileError where a path does not exist, cannot be read, or is
    named directly and of no known form.
    """
    named: dict[Path, Path] = {}
    for path in paths:
        for found in _expand(path):
            real = found.resolve()
            named[real] = min(found, named.get(real, found), key=str)
    return sorted(named.values(), key=lambda path: (not is_catalog(path), str(path)))


def _expand(path: Path) -> Iterator[Path]:
    try:
        path.stat()
        is_folder, is_file = path.is_dir(), path.is_file()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise FileError(f"{path}: cannot be read ({reason}); check the path") from error
    if is_folder:
        yield from _walk(path)
    elif not is_file:
        raise FileError(f"{path}: is neither a file nor a folder; name one")
    elif log_form(path) or is_catalog(path):
        yield path
    else:
        raise FileError(f"{path}: is of no known form; expected one of {', '.join(FORMS)}")


def _walk(folder: Path) -> Iterator[Path]:
    def fail(error: OSError) -> None:
        raise FileError(f"{error.filename}: cannot be read ({error.strerror})") from error

    for root, folders, names in os.walk(folder, onerror=fail):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in names:
            path = Path(root, name)
            known = log_form(path) or is_catalog(path)
            if known and not name.startswith(".") and path.is_file():
                yield path
