"""Photos that the findings of a log name: they lie beside it, and go where it goes."""

import filecmp
import hashlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from qc.devices.arrivals import is_written
from qc.devices.photos import MOST_BYTES, keep_named
from qc.errors import RimqcError
from qc.readers.folder import is_catalog
from qc.readers.lines import open_log
from qc.readers.refusal import Refusal
from qc.records.rules import FILE_NAME

FINDING, PHOTO = "finding", "photo"


class Photos(NamedTuple):
    """`beside` lie beside the log; what is not kept is said in words by its name."""

    beside: list[Path]
    kept: list[str]
    faults: dict[str, str]
    coming: bool


def keep_photos(log: Path, folder: Path) -> Photos:
    """Keep each photo that a log's findings name; no fault of a photo keeps a log waiting, but one
    that is still written (`coming`) is waited for."""
    found = Photos([], [], {}, False)
    for name in dict.fromkeys(_named(log)):
        path = log.with_name(name)
        if path.is_symlink() or not path.is_file():
            if not (folder / name).is_file():  # else a log before this one, or a try before, had it
                found.faults[name] = "it does not lie beside the log; drop both again together"
            continue
        if is_written(path):
            return found._replace(coming=True)
        found.beside.append(path)
        try:
            if path.stat().st_size > MOST_BYTES:
                raise RimqcError(f"it has more than {MOST_BYTES // 2**20} MB; take a smaller one")
            keep_named(folder, name, path.read_bytes())
            found.kept.append(name)
        except RimqcError as fault:
            found.faults[name] = str(fault)
        except OSError as fault:
            found.faults[name] = fault.strerror or str(fault)
    return found


def move_photos(photos: Photos, where: Path) -> None:
    """Put them beside the log's new place; one of another content there keeps its name."""
    for path in photos.beside:
        target = where / path.name
        if target == path:
            continue
        if os.path.lexists(target) and not filecmp.cmp(target, path, shallow=False):
            with path.open("rb") as photo:
                mark = hashlib.file_digest(photo, "sha256").hexdigest()[:8]
            target = target.with_name(f"{target.stem}_{mark}{target.suffix}")
        path.replace(target)


def _named(path: Path) -> Iterator[str]:
    """The photos that findings name, refused lines too: these come again, mended."""
    if is_catalog(path):
        return
    with open_log(path, kinds=(FINDING,)) as log:
        if log.form == "csv" and PHOTO not in log.columns:
            return
        for line in log:
            if isinstance(line, Refusal):
                continue
            row = line[1] if log.form == "jsonl" else dict(zip(log.columns, line[1], strict=True))
            if row.get("kind", log.kind) != FINDING:
                continue
            try:
                yield str(FILE_NAME.read(row.get(PHOTO)))
            except ValueError:  # none, or none that is a name: that is said of its line
                continue
