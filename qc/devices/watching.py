"""Logs taken in as rigs drop them: imported, then moved aside to `done` or `refused`.

Killed at any moment, nothing is lost or counted twice: a log stays where it is until its records
are in the ledger and the reasons for what was refused lie ready; then one rename moves it. Met
again, its records are held already and its reasons are the same.
"""

import datetime as dt
import filecmp
import itertools
import os
import shutil
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

import msgspec

from qc.devices.arrivals import Arrivals, State, is_written, state_of
from qc.devices.files import hold_if_free, write_durably
from qc.devices.log_photos import Photos, keep_photos, move_photos
from qc.devices.patience import waits
from qc.devices.photos import photo_folder
from qc.errors import RimqcError
from qc.ledger.importing import import_paths
from qc.ledger.ledger import Ledger
from qc.ledger.walk import FileReport
from qc.readers.folder import bare_name, is_catalog
from qc.readers.refusal import FileError, in_words
from qc.readers.refused import refused_paths

DONE, REFUSED, OWN = "done", "refused", ".rimqc"
FIRST_WAIT_S, MOST_WAIT_S = 2.0, 300.0
LOOK_S = 1.0
# logs moved aside lately that are looked at again, should a rig still write into them
REMEMBERED = 500

Say = Callable[[str], None]


class Taken(msgspec.Struct):
    """What became of a log: the counts of its import, where it lies now, and the photos that its
    findings name, with what is wrong with those that are not kept."""

    file: str
    accepted: int
    already_held: int
    refused: int
    moved_to: str
    refusals: list[dict[str, Any]]
    photos: list[str]
    photo_faults: dict[str, str]


class Watch:
    """A folder that rigs drop logs into. Use as a context manager: one watches a folder at a time.

    RimqcError where the folder cannot be used or is watched already.
    """

    def __init__(
        self, ledger: Ledger, folder: Path, taken: Callable[[Taken], None], say: Say,
        *, settle_s: float,
    ) -> None:  # fmt: skip
        self.waiting: list[Path] = []
        self.faults: list[str] = []
        self._ledger, self._folder, self._taken, self._say = ledger, folder, taken, say
        self._photos = photo_folder(ledger.url.render_as_string(hide_password=False))
        self._arrivals = Arrivals(folder, settle_s, frozenset({DONE, REFUSED}))
        self._lock: IO[bytes] | None = None
        self._retry: dict[Path | None, tuple[float, Iterator[float]]] = {}
        self._moved: OrderedDict[Path, State] = OrderedDict()

    def __enter__(self) -> "Watch":
        try:
            for name in (DONE, REFUSED, OWN):
                (self._folder / name).mkdir(exist_ok=True)
            self._lock = hold_if_free(self._folder / OWN / "watching")
            if self._lock is not None:  # what a killed run left behind
                shutil.rmtree(self._folder / OWN / REFUSED, ignore_errors=True)
        except OSError as fault:
            raise RimqcError(f"{fault.filename}: {fault.strerror}; the folder must be there, and "
                             "this user must be allowed to write into it") from None  # fmt: skip
        if self._lock is None:
            raise RimqcError(f"{self._folder} is watched by another program already")
        return self

    def __exit__(self, *_: object) -> None:
        if self._lock is not None:
            self._lock.close()

    def look(self) -> None:
        """Take in whatever has come whole; what cannot be taken is tried again later."""
        now_s = time.monotonic()
        look = self._arrivals.look(now_s)
        for fault in set(look.faults) - set(self.faults):
            self._say(f"{fault}; it is tried again")
        self.faults = look.faults
        self.waiting = [*look.ready, *look.coming]
        if self._is_resting(None, now_s):
            return
        for path in [*look.ready, *self._grown()]:
            if self._is_resting(path, now_s):
                continue
            try:
                if self._take(path) and path in self.waiting:
                    self.waiting.remove(path)
                self._retry.pop(path, None)
                self._retry.pop(None, None)
            except RimqcError as fault:  # the database: no other log would fare better
                self._rest(None, str(fault), now_s)
                return
            except (FileError, OSError) as fault:
                self._rest(path, _words(fault), now_s)
            except Exception as fault:  # our own fault, and no reason to leave other rigs waiting
                words = f"{path}: a fault of the program: {fault!r}; please tell its maintainer"
                self._rest(path, words, now_s)

    def _is_resting(self, path: Path | None, now_s: float) -> bool:
        return path in self._retry and now_s < self._retry[path][0]

    def _rest(self, path: Path | None, words: str, now_s: float) -> None:
        trying = self._retry[path][1] if path in self._retry else waits(FIRST_WAIT_S, MOST_WAIT_S)
        if path not in self._retry:
            self._say(f"{words}; it is tried again")
        self._retry[path] = now_s + next(trying), trying

    def _grown(self) -> list[Path]:
        """Logs that a rig has gone on writing into where they lie now."""
        grown = []
        for path, state in list(self._moved.items()):
            with suppress(OSError):
                now = state_of(path)
                if now != state and not is_written(path):
                    grown.append(path)
                    continue
                if now.inode == state.inode:
                    continue
            self._moved.pop(path, None)
        return grown

    def _take(self, path: Path) -> bool:
        """Import a log and move it aside; False where somebody wrote into it meanwhile."""
        before = state_of(path)
        stage = self._folder / OWN / REFUSED
        report = import_paths(self._ledger, [path], refused_folder=stage).files[0]
        staged = refused_paths([path], stage).get(path)
        photos = keep_photos(path, self._photos)
        if photos.coming or is_written(path) or state_of(path) != before:
            return False
        if report.refused:
            mend = staged if staged and staged.exists() else None
            target = self._refuse(path, report, mend, photos)
        else:
            target = self._put_aside(path, DONE, {}, photos)
        self._moved[target] = before
        if len(self._moved) > REMEMBERED:
            self._moved.popitem(last=False)
        self._taken(Taken(
            self._name(path), report.accepted, report.already_held, report.refused,
            self._name(target), report.refusals, photos.kept, photos.faults,
        ))  # fmt: skip
        return True

    def _refuse(self, path: Path, report: FileReport, staged: Path | None, photos: Photos) -> Path:
        """Beside the log go its refused lines, to be mended, and the reasons, to be read."""
        stage = self._folder / OWN / REFUSED
        stage.mkdir(exist_ok=True)
        reasons = stage / "reasons.txt"
        mend = f"{_stem(path)}.refused{staged.suffix}" if staged else ""
        write_durably(reasons, _reasons(path.name, report, mend).encode("utf-8"))
        sides = {".reasons.txt": reasons}
        if staged is not None:
            sides[f".refused{staged.suffix}"] = staged
        return self._put_aside(path, REFUSED, sides, photos)

    def _put_aside(self, path: Path, where: str, sides: dict[str, Path], photos: Photos) -> Path:
        """Move a log, and before it what belongs beside it, under a name that is free."""
        target = self._target(path, where, sides)
        target.parent.mkdir(parents=True, exist_ok=True)
        for ending, side in sides.items():
            write_durably(target.with_name(_stem(target) + ending), side.read_bytes())
        move_photos(photos, target.parent)
        if target != path:
            path.rename(target)
        for side in sides.values():
            side.unlink()
        return target

    def _target(self, path: Path, where: str, sides: dict[str, Path]) -> Path:
        """The log's own name, or with its time in it where something else has that name.

        What lies beside the name already may stay if it says the same: then it is ours, left by
        a run that was killed before it moved the log.
        """
        inside = path.relative_to(self._folder)
        if inside.parts[0] in (DONE, REFUSED):
            inside = inside.relative_to(inside.parts[0])
        plain = self._folder / where / inside
        for name in _names(path):
            target = plain.with_name(name)
            others = {target.with_name(_stem(target) + end): side for end, side in sides.items()}
            free = target == path or not os.path.lexists(target)
            if free and all(
                not os.path.lexists(other) or filecmp.cmp(other, side, shallow=False)
                for other, side in others.items()
            ):  # fmt: skip
                return target
        raise AssertionError("names do not end")

    def _name(self, path: Path) -> str:
        return str(path.relative_to(self._folder))


def _stem(path: Path) -> str:
    return path.stem if is_catalog(path) else bare_name(path)


def _names(path: Path) -> Iterator[str]:
    """The log's name, then with the time at which it was written: the same whenever it is asked."""
    yield path.name
    stem, ending = _stem(path), path.name[len(_stem(path)) :]
    written = dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC)
    stamp = written.strftime("%Y%m%dT%H%M%SZ")
    yield f"{stem}_{stamp}{ending}"
    for n in itertools.count(2):
        yield f"{stem}_{stamp}-{n}{ending}"


def _reasons(name: str, report: FileReport, mend: str) -> str:
    """What a person reads beside a refused log; the same however often the log is read."""
    kept = report.accepted + report.already_held
    lines = [
        f"{name}: {report.refused} refused, {kept} kept.",
        "What is kept needs nothing more.",
        f"Mend the lines in {mend} and put that file into the watched folder."
        if mend
        else f"Mend {name} and put it into the watched folder again.",
        "",
    ]
    return "\n".join([*lines, *map(in_words, report.refusals)]) + "\n"


def _words(fault: OSError | FileError) -> str:
    if isinstance(fault, OSError):
        return f"{fault.filename}: {fault.strerror}; give this user the rights to move it"
    return str(fault)
