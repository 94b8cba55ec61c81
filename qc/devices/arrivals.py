"""Which logs in a folder have come whole: left alone for a while, and open for writing nowhere."""

import fcntl
import os
import signal
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from qc.readers.folder import is_catalog, log_files, log_form
from qc.readers.refusal import FileError


class Look(NamedTuple):
    """What stands in the folder now; `faults` tell what could not be looked at."""

    ready: list[Path]
    coming: list[Path]
    faults: list[str]


class State(NamedTuple):
    """What changes when somebody writes into a file or puts another one in its place."""

    inode: int
    size: int
    changed_ns: int


def state_of(path: Path) -> State:
    """The file's state; OSError where it is gone."""
    found = path.stat()
    return State(found.st_ino, found.st_size, found.st_mtime_ns)


class Arrivals:
    """Remembers since when each log has been left alone."""

    def __init__(self, folder: Path, settle_s: float, aside: frozenset[str]) -> None:
        self._folder, self._settle_s, self._aside = folder, settle_s, aside
        self._since: dict[Path, tuple[State, float]] = {}

    def look(self, now_s: float) -> Look:
        """Catalogs come first, and no log is ready before the catalogs beside it are."""
        found, faults = self._found()
        ready: list[Path] = []
        coming: list[Path] = []
        since: dict[Path, tuple[State, float]] = {}
        for path in found:
            try:
                state = state_of(path)
            except OSError:  # gone again
                continue
            before = self._since.get(path)
            since[path] = before if before and before[0] == state else (state, now_s)
            settled = now_s - since[path][1] >= self._settle_s
            whole = settled and state.size > 0 and not is_written(path)
            (ready if whole else coming).append(path)
        self._since = since
        if any(is_catalog(path) for path in coming):
            ready, held = [p for p in ready if is_catalog(p)], ready
            coming += [path for path in held if not is_catalog(path)]
        return Look(ready, coming, faults)

    def _found(self) -> tuple[list[Path], list[str]]:
        found: list[Path] = []
        faults: list[str] = []
        try:
            children = sorted(self._folder.iterdir())
        except OSError as fault:
            return [], [f"{self._folder}: {fault.strerror}"]
        for child in children:
            folder = child.is_dir() and not child.is_symlink()
            known = folder or log_form(child) or is_catalog(child)
            if not known or child.name.startswith(".") or child.name in self._aside:
                continue
            try:
                found += log_files([child])
            except FileError as fault:
                if child.exists():
                    faults.append(str(fault))
        return sorted(found, key=lambda path: (not is_catalog(path), str(path))), faults


def is_written(path: Path) -> bool:
    """Whether some program has the file open for writing, as far as this system tells.

    Linux gives a read lease only on a file that nobody writes, and only to its owner; elsewhere
    being left alone has to be enough.
    """
    if not hasattr(fcntl, "F_SETLEASE"):
        return False
    with suppress(OSError):
        file = os.open(path, os.O_RDONLY)
        try:
            # whoever opens it in this very moment makes a signal that does nothing
            fcntl.fcntl(file, fcntl.F_SETSIG, signal.SIGURG)
            fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_RDLCK)
            fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_UNLCK)
        except BlockingIOError:
            return True
        finally:
            os.close(file)
    return False
