"""One log on its way in: its lines become records, what is refused is set aside."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from qc.catalog.catalog import Catalog
from qc.catalog.codes import bulk_checker, code_checker
from qc.ledger.journal import Prepared, prepare, prepare_all
from qc.ledger.seen import stretch_digest
from qc.readers.lines import Line, Log, singly
from qc.readers.refusal import Refusal
from qc.readers.refused import RefusedLines
from qc.readers.table import Plain
from qc.records.columns import ColumnParser
from qc.records.kinds import KINDS, Record
from qc.records.parsing import FIELDS, RecordParser, Refused, known_kind, missing_columns


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
    """Parsed lines that wait for their chunk: their numbers, records, and text to write back.

    `seen` is the digest by which the stretch is known again once all of it is held.
    """

    walk: "Walk"
    lines: Sequence[int]
    items: Sequence[Prepared]
    raws: Sequence[Any]
    seen: str | None = None


class Walk:
    """A log being read. `target` is where its refused lines go, if anywhere.

    `held` tells of how many records a stretch consists, if it is known to be held whole.
    """

    def __init__(
        self,
        log: Log,
        catalog: Catalog,
        report: FileReport,
        target: Path | None,
        held: Callable[[str], int | None],
    ) -> None:
        self.log, self.catalog, self.report, self.held = log, catalog, report, held
        self.parser = RecordParser(catalog.zone, decimal_comma=log.decimal_comma)
        self.check, self.all_pass = code_checker(catalog), bulk_checker(catalog)
        self.refused: list[tuple[int, Any, str]] = []
        self.written = RefusedLines(log, target) if target is not None else None
        self.columns = log.columns
        self.kind_at = log.columns.index("kind") if "kind" in log.columns else None
        self.column_parsers: dict[str, ColumnParser] = {}
        self.unknown: dict[str, None] = {}

    def refuse(
        self, line: int, field: str | None, value: str | None, reason: str, raw: Any
    ) -> None:
        """Note a refused line, to be counted and written back out."""
        self.report.refuse(line, field, value, reason)
        self.refused.append((line, raw, f"{field}: {reason}" if field else reason))

    def write_refused(self, until: int | None = None) -> None:
        """Write out the lines refused so far, in their order, up to the line `until`."""
        self.refused.sort(key=lambda item: item[0])
        due = [item for item in self.refused if until is None or item[0] <= until]
        if self.written is not None:
            for _, raw, reason in due:
                self.written.add(raw, reason)
        del self.refused[: len(due)]

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
        for found in self.log.stretches():
            if isinstance(found, Refusal):
                self.refuse(*found)
            elif isinstance(found, Plain):
                yield from self._stretch(found)
            else:
                yield from self._single(found)
        self._name_unknown()

    def _stretch(self, plain: Plain) -> Iterator[Waiting]:
        """Plain lines at once, or one by one where one of them is not as it should be."""
        seen = stretch_digest(self.log, plain, self.catalog) if self.log.kind else None
        held = self.held(seen) if seen else None
        if held is not None:
            self.report.already_held += held
            return
        items = self._together(plain.rows)
        if items is None:
            for line in singly(plain):
                yield from self._single(line)
            return
        lines = range(plain.first, plain.first + len(items))
        yield Waiting(self, lines, items, plain.rows, seen)

    def _together(self, rows: Sequence[list[str]]) -> list[Prepared] | None:
        places: dict[str, list[int]] = {}
        if self.log.kind is not None:
            places[self.log.kind] = list(range(len(rows)))
        else:
            for i, row in enumerate(rows):
                places.setdefault(row[self.kind_at or 0].strip(), []).append(i)
        found: dict[int, Prepared] = {}
        others: dict[int, Iterable[str]] = {}
        for kind, at in places.items():
            records = self._columns_of(kind).read([rows[i] for i in at]) if kind in KINDS else None
            if records is None or not self.all_pass(records):
                return None
            found.update(zip(at, prepare_all(records), strict=True))
            if self.log.kind is None:  # else `_name_unknown` asks the columns
                others.update((i, r.other) for i, r in zip(at, records, strict=True) if r.other)
        for i in sorted(others):
            self.unknown.update(dict.fromkeys(others[i]))
        return [found[i] for i in range(len(rows))]

    def _columns_of(self, kind: str) -> ColumnParser:
        if kind not in self.column_parsers:
            self.column_parsers[kind] = ColumnParser(self.parser, kind, self.columns)
        return self.column_parsers[kind]

    def _single(self, line: Line) -> Iterator[Waiting]:
        number, fields, raw = line
        try:
            record = self._read(fields)
            self.check(record)
        except Refused as fault:
            if self.log.form == "csv" and not any(cell.strip() for cell in fields):
                return  # a spreadsheet's empty row
            self.refuse(number, fault.field, fault.value, fault.reason, raw)
            return
        if record.other:
            self.unknown.update(dict.fromkeys(record.other))
        yield Waiting(self, (number,), (prepare(record),), (raw,))

    def _missing_group(self) -> str | None:
        kind = self.log.kind
        if self.log.form != "csv" or kind is None or not self.columns:
            return None
        return missing_columns(kind, self.columns)

    def _read(self, fields: Any) -> Record:
        if self.log.form != "csv":
            return self.parser.from_object(fields)
        if self.kind_at is None:
            assert self.log.kind is not None
            return self.parser.from_cells(self.log.kind, self.columns, fields)
        kind = known_kind(fields[self.kind_at] or None)
        return self.parser.from_cells(kind, self.columns, fields)

    def _name_unknown(self) -> None:
        """Columns of no kind, named once; in a file of one kind also those left empty."""
        if self.log.form == "csv" and self.log.kind is not None:
            known = {field.name for field in FIELDS[self.log.kind]} | {"kind"}
            self.unknown = dict.fromkeys(name for name in self.columns if name not in known)
        self.report.unknown_columns = list(self.unknown)
