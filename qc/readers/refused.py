"""Refused lines, written back out as a file that can be mended and imported again.

An unmended line is refused again: what could not be read is written as it stood, byte for byte.
"""

import csv
import json
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from hashlib import sha256
from io import StringIO
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Literal, Self

from qc.readers.folder import CSV_FORMS, bare_name, log_form
from qc.readers.lines import Log
from qc.readers.refusal import REFUSED_BECAUSE, FileError, encoded
from qc.readers.text import BOM

_MARK = ".refused"
_SPACES = re.compile(r"[ \t\n\r]*")
_decode = json.JSONDecoder().raw_decode


def refused_paths(logs: Iterable[Path], folder: Path) -> dict[Path, Path]:
    """Where the refused lines of each log of one import go: `NAME.refused.csv` or `.jsonl`.

    Logs that would share a file each get a digest of their path into the name; so does one whose
    file is itself being read. A log that is a refused file already has no entry: its lines stand
    in a file to be mended, and nobody's mending is overwritten.
    """
    logs = [log for log in logs if log_form(log)]
    read = {log.resolve() for log in logs}
    sources = [log for log in logs if not bare_name(log).endswith(_MARK)]
    plain = {log: _target(log, folder, bare_name(log)) for log in sources}
    shared = Counter(plain.values())
    paths = {
        log: _own_target(log, folder) if shared[target] > 1 or target.resolve() in read else target
        for log, target in plain.items()
    }
    return {log: target for log, target in paths.items() if target.resolve() not in read}


class RefusedLines:
    """The refused file of one log, as a context: complete under its name at the end, or untouched.

    The file of an earlier run is replaced; it goes when nothing is refused now.
    """

    def __init__(self, log: Log, target: Path) -> None:
        self._log, self._target = log, target
        self._aside = target.with_name(f".{target.name}.{os.getpid()}.part")
        self._file: BinaryIO | None = None

    def __enter__(self) -> Self:
        return self

    def add(self, raw: list[str] | str | None, reason: str) -> None:
        """Write one line, from the raw part of a `Line` or a `Refusal`; None has none to write."""
        if raw is None:
            return
        try:
            if self._file is None:
                self._target.parent.mkdir(parents=True, exist_ok=True)
                self._file = self._aside.open("wb")
                self._file.write(encoded(_head(self._log)))
            line = _csv_line if self._log.form == "csv" else _json_line
            self._file.write(encoded(line(self._log, raw, reason)))
        except OSError as error:
            raise self._unwritable(error) from error

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        try:
            if self._file is None:
                if error is None:
                    self._target.unlink(missing_ok=True)
                return
            try:
                self._file.close()
                if error is None:
                    self._aside.replace(self._target)
            finally:
                self._aside.unlink(missing_ok=True)
        except OSError as failed:
            raise self._unwritable(failed) from failed

    def _unwritable(self, error: OSError) -> FileError:
        return FileError(
            f"{self._target}: refused lines cannot be written ({error.strerror});"
            " name another folder for them"
        )


def _target(log: Path, folder: Path, name: str) -> Path:
    ending = ".csv" if log_form(log) in CSV_FORMS else ".jsonl"
    return folder / f"{name}{_MARK}{ending}"


def _own_target(log: Path, folder: Path) -> Path:
    digest = sha256(os.fsencode(log.resolve())).hexdigest()[:8]
    return _target(log, folder, f"{bare_name(log)}.{digest}")


def _head(log: Log) -> str:
    mark = BOM if log.bom else ""
    return (
        mark + _row(log, _with_reason(log, log.columns, REFUSED_BECAUSE)) if log.columns else mark
    )


def _csv_line(log: Log, raw: list[str] | str, reason: str) -> str:
    if not isinstance(raw, str):
        return _row(log, _with_reason(log, raw, reason))
    # text of a line with a wrong count or broken quotes, which it keeps until it is mended; in a
    # log that has the reasons of an earlier run it already holds one
    if log.reason_at is not None:
        return f"{raw}\r\n"
    # the reason's own quotes end a quoted cell left open, so that it cannot take in the next line
    return raw + log.delimiter + _row(log, [reason], csv.QUOTE_ALL)


def _with_reason(log: Log, cells: list[str], reason: str) -> list[str]:
    at = len(cells) if log.reason_at is None else log.reason_at
    return [*cells[:at], reason, *cells[at:]]


def _row(log: Log, cells: list[str], quoting: Literal[0, 1] = csv.QUOTE_MINIMAL) -> str:
    out = StringIO()
    csv.writer(out, delimiter=log.delimiter, quoting=quoting, lineterminator="\r\n").writerow(cells)
    return out.getvalue()


def _json_line(_log: Log, raw: list[str] | str, reason: str) -> str:
    return refused_object(str(raw), reason)


def refused_object(text: str, reason: str) -> str:
    """A line of JSON Lines with the reason as its last member; what is no object goes in whole."""
    because = f"{json.dumps(REFUSED_BECAUSE)}: {json.dumps(reason, ensure_ascii=False)}"
    try:
        members = [member for name, member in _members(text) if name != REFUSED_BECAUSE]
    except (ValueError, RecursionError):
        members = [f'"refused_line": {json.dumps(text)}']
    return "{" + ", ".join([*members, because]) + "}\n"


def _members(text: str) -> Iterator[tuple[str, str]]:
    """Name and text of each member of an object, as written; ValueError where it is none."""

    def expect(marks: str, at: int) -> int:
        at = _SPACES.match(text, at).end()  # type: ignore[union-attr]  # matches always
        if text[at : at + 1] not in tuple(marks):
            raise ValueError(f"expected one of {marks!r} at character {at + 1}")
        return at

    at = expect("{", 0)
    if text[expect('"}', at + 1)] == "}":
        at = expect("}", at + 1)
    while text[at] != "}":
        start = expect('"', at + 1)
        name, end = _decode(text, start)
        value_at = _SPACES.match(text, expect(":", end) + 1).end()  # type: ignore[union-attr]
        _, end = _decode(text, value_at)
        yield name, text[start:end]
        at = expect(",}", end)
    if text[at + 1 :].strip():
        raise ValueError("text follows the object")
