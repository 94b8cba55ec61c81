"""One log on its way in: its lines become records, what is refused is set aside."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from qc.ledger.journal import Prepared, prepare
from qc.readers.lines import Log
from qc.readers.refusal import Refusal
from qc.readers.refused import RefusedLines
from qc.records.kinds import Record
from qc.records.parsing import FIELDS, RecordParser, Refused, known_kind, missing_columns

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


def conflict(record_id: str, field: str | None) -> str:
    """Why a record that differs from the one held is refused."""
    return (
        f"record {record_id} is held already with another {field}; "
        "record a correction of it instead"
    )


class Waiting(NamedTuple):
    """A parsed line that waits for its chunk: its number, its record, its text to write back."""

    walk: "Walk"
    line: int
    item: Prepared
    raw: Any


class Walk:
    """A log being read. `target` is where its refused lines go, if anywhere."""

    def __init__(
        self,
        log: Log,
        parser: RecordParser,
        check: Check,
        report: FileReport,
        target: Path | None,
    ) -> None:
        self.log, self.parser, self.check, self.report = log, parser, check, report
        self.refused: list[tuple[int, Any, str]] = []
        self.written = RefusedLines(log, target) if target is not None else None
        self.columns = log.columns
        self.kind_at = log.columns.index("kind") if "kind" in log.columns else None
        self.unknown: dict[str, None] = {}

    def refuse(
        self, line: int, field: str | None, value: str | None, reason: str, raw: Any
    ) -> None:
        """Note a refused line, to be counted and written back out."""
        self.report.refuse(line, field, value, reason)
        self.refused.append((line, raw, f"{field}: {reason}" if field else reason))

    def write_refused(self) -> None:
        """Write out the lines refused so far, in their order."""
        if self.written is not None:
            for _, raw, reason in sorted(self.refused, key=lambda item: item[0]):
                self.written.add(raw, reason)
        self.refused.clear()

    def close(self, fault: BaseException | None) -> None:
        """Finish the refused file; after a fault it stays as it was before."""
        self.report.refusals.sort(key=lambda refusal: refusal["line"])
        if self.written is not None:
            self.written.__exit__(type(fault) if fault else None, fault, None)

    def __iter__(self) -> Iterator[Waiting]:
        """The lines that can become records."""
        group = self._missing_group()
        if group is not None:
            self.refuse(1, group, None, "missing column: one of these must be there", None)
            return
        read = self._read_cells if self.log.form == "csv" else self.parser.from_object
        for line in self.log:
            if isinstance(line, Refusal):
                self.refuse(*line)
                continue
            number, fields, raw = line
            try:
                record = read(fields)
                self.check(record)
            except Refused as fault:
                if self.log.form == "csv" and not any(cell.strip() for cell in fields):
                    continue  # a spreadsheet's empty row
                self.refuse(number, fault.field, fault.value, fault.reason, raw)
                continue
            if record.other:
                self.unknown.update(dict.fromkeys(record.other))
            yield Waiting(self, number, prepare(record), raw)
        self._name_unknown()

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

    def _name_unknown(self) -> None:
        """Columns of no kind, named once; in a file of one kind also those left empty."""
        if self.log.form == "csv" and self.log.kind is not None:
            known = {field.name for field in FIELDS[self.log.kind]} | {"kind"}
            self.unknown = dict.fromkeys(name for name in self.columns if name not in known)
        self.report.unknown_columns = list(self.unknown)
