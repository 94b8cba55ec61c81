"""Open one log and read it line by line, whatever its form, encoding and packing."""

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from io import FileIO
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from qc.readers.folder import CSV_FORMS, log_form
from qc.readers.objects import entries
from qc.readers.refusal import FileError, Refusal
from qc.readers.stream import chunks
from qc.readers.table import Header, Plain, read_header, records
from qc.readers.text import BOM, Block, blocks

# (number, fields, raw): the physical line; its cells in the order of `Log.columns`, or the JSON
# object with numbers as Decimal; and what the refused file takes (those cells, or the line's text)
Line = tuple[int, Any, Any]


@dataclass(slots=True)
class Log:
    """An open log: what its head tells, and its lines, once through, with refusals in place.

    A file that is refused whole gives one refusal at its first line and nothing else. `kind` is
    the file's where it has no column `kind`. `size` is in bytes as stored, like `progress`.
    """

    path: Path
    form: Literal["csv", "jsonl"]
    size: int
    bom: bool = False
    kind: str | None = None
    columns: list[str] = field(default_factory=list)
    delimiter: str = ","
    reason_at: int | None = None
    _file: FileIO | None = None
    _lines: Iterator[Line | Refusal | Plain] = field(default_factory=lambda: iter(()))

    @property
    def decimal_comma(self) -> bool:
        """Whether a comma in a number can be a decimal comma."""
        return self.form == "csv" and self.delimiter != ","

    def __iter__(self) -> Iterator[Line | Refusal]:
        for found in self._lines:
            if isinstance(found, Plain):
                yield from singly(found)
            else:
                yield found

    def stretches(self) -> Iterator[Line | Refusal | Plain]:
        """The same with plain lines of a table in one piece, for whoever can take them so."""
        return self._lines

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; lines not read yet are gone."""
        if self._file:
            self._file.close()


def open_log(
    path: Path,
    *,
    kinds: Iterable[str] = (),
    required: Callable[[str | None], Iterable[str]] | None = None,
    progress: Callable[[int], None] | None = None,
) -> Log:
    """Open a log and read its head.

    `kinds`: the kinds by which a CSV file without a column `kind` may be named; none given, none
    asked for. `required`: the columns that must be there, for the file's kind, or for None where
    each line tells its own. `progress` hears now and then how many bytes of the file are read.
    FileError where the path cannot be opened or is of no known form.
    """
    form = log_form(path)
    if form is None:
        raise FileError(f"{path}: is not a log; expected CSV or JSON Lines by its name")
    try:
        file = FileIO(path, "rb")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise FileError(f"{path}: cannot be opened ({reason}); check path and rights") from error
    log = Log(path, "csv" if form in CSV_FORMS else "jsonl", os.fstat(file.fileno()).st_size)
    log._file = file
    stream = blocks(chunks(file, form.endswith(".gz"), progress))
    first = next(stream)
    if first.lines and first.lines[0].startswith(BOM):
        log.bom = True
        first.lines[0] = first.lines[0].removeprefix(BOM)
    if log.form == "jsonl":
        log._lines = entries(chain((first,), stream))
    else:
        _read_csv(log, first, stream, kinds, required)
    return log


def singly(plain: Plain) -> Iterator[Line]:
    """The lines of a plain stretch, one by one."""
    for number, cells in enumerate(plain.rows, plain.first):
        yield number, cells, cells


def kind_by_name(path: Path, kinds: Iterable[str]) -> str | None:
    """The longest of the kinds that begins the file's name and is followed by `-`, `_` or `.`."""
    fitting = [kind for kind in kinds if path.name.startswith((f"{kind}-", f"{kind}_", f"{kind}."))]
    return max(fitting, key=len, default=None)


def _read_csv(
    log: Log,
    first: Block,
    stream: Iterator[Block],
    kinds: Iterable[str],
    required: Callable[[str | None], Iterable[str]] | None,
) -> None:
    header, rest = read_header(first)
    if isinstance(header, Refusal):
        log._lines = iter((header,))
        return
    log.columns, log.delimiter = header.columns, header.delimiter
    log.reason_at = header.reason_at
    if "kind" not in log.columns:
        kinds = tuple(kinds)
        log.kind = kind_by_name(log.path, kinds)
        if kinds and log.kind is None:
            reason = "no column tells the kind, and the file's name begins with none"
            log._lines = iter((Refusal(1, "kind", None, reason),))
            return
    if missing := _missing(header, required(log.kind) if required else ()):
        reason = f"missing column: {', '.join(missing)}"
        log._lines = iter((Refusal(1, missing[0], None, reason),))
        return
    log._lines = records(chain((rest,), stream), header)


def _missing(header: Header, required: Iterable[str]) -> list[str]:
    return [name for name in required if name not in header.columns]
