"""Records into log files, in the forms that different stations leave behind."""

import csv
import gzip
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

from generator.hours import with_offset
from generator.records import Record

_HEAD = ["taken_at", "station", "inspector", "serial"]


@dataclass(frozen=True)
class Csv:
    """A sheet: its columns and habits."""

    columns: Sequence[str]
    delimiter: str = ","
    offset: bool = False
    bom: bool = False
    newline: str = "\n"

    def text(self, records: Sequence[Record]) -> str:
        out = io.StringIO()
        lines = csv.writer(out, delimiter=self.delimiter, lineterminator=self.newline)
        lines.writerow(self.columns)
        for record in records:
            left_out = set(record) - set(self.columns) - {"kind"}
            assert not left_out, f"{record['kind']}: no column for {left_out}"
            lines.writerow([self._cell(record.get(column, "")) for column in self.columns])
        return ("\ufeff" if self.bom else "") + out.getvalue()

    def _cell(self, value: object) -> str:
        if isinstance(value, datetime):
            return with_offset(value) if self.offset else value.isoformat()
        if isinstance(value, dict):
            return " ".join(f"{code}:{count}" for code, count in value.items())
        if isinstance(value, list):
            return " ".join(map(self._cell, value))
        if isinstance(value, Decimal) and self.delimiter == ";":
            return str(value).replace(".", ",")
        return str(value)


@dataclass(frozen=True)
class JsonLines:
    """One JSON object a line, times with their offset."""

    def text(self, records: Sequence[Record]) -> str:
        return "".join(json.dumps(r, default=_plain, ensure_ascii=False) + "\n" for r in records)


def _plain(value: object) -> object:
    if isinstance(value, datetime):
        return with_offset(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    raise TypeError(value)


@dataclass(frozen=True)
class Log:
    """Which records of a station go to which monthly file."""

    name: str
    station: str
    kinds: frozenset[str]
    form: Csv | JsonLines

    def takes(self, record: Record) -> bool:
        return record["kind"] in self.kinds and self.station in ("", record["station"])


def _log(name: str, station: str, kinds: str, form: Csv | JsonLines) -> Log:
    return Log(name, station, frozenset(kinds.split()), form)


_RUNOUT = ["stage", "gauge", "direction", "side", "tir_mm", "readings_mm"]
# the name's {} is the month; a sheet without a `kind` column has its kind at the head of its name
LOGS = (
    _log("rim-bench/receipt_{}.csv", "rim-bench", "receipt", Csv([*_HEAD, "model", "batch"])),
    _log("rim-bench/weighing-rims_{}.csv", "rim-bench", "weighing",
         Csv([*_HEAD, "stage", "gauge", "gross_g", "room_c", "note"])),
    _log("rim-bench/runout_{}.csv.gz", "rim-bench", "runout", Csv(
        [*_HEAD, "stage", "gauge", "direction", "readings_mm"])),
    _log("rim-bench/measurement_{}.csv", "rim-bench", "measurement", Csv(
        ["serial", "batch", "characteristic", "value", "gauge", "stage", "taken_at", "station",
         "inspector"])),
    _log("rim-bench/looks_{}.csv", "rim-bench", "inspection finding", Csv(
        ["kind", *_HEAD, "stage", "method", "result", "zones", "zone", "defect", "angle_deg",
         "size_mm"], delimiter="\t")),
    _log("wheel-bench/build_{}.csv", "wheel-bench", "build", Csv(
        [*_HEAD, "stage", "pair", "hub", "builder"], delimiter=";", newline="\r\n")),
    _log("wheel-bench/balance_{}.csv", "wheel-bench", "balance", Csv(
        [*_HEAD, "stage", "state", "heavy_deg", "residual_g", "radius_mm"], delimiter=";",
        bom=True, newline="\r\n")),
    _log("wheel-bench/weighing_wheels_{}.csv", "wheel-bench", "weighing", Csv(
        ["record_id", *_HEAD, "stage", "gauge", "gross_g", "fitted"], delimiter=";",
        offset=True, newline="\r\n")),
    _log("wheel-bench/runout_{}.csv.gz", "wheel-bench", "runout", Csv(
        [*_HEAD, *_RUNOUT], delimiter=";", newline="\r\n")),
    _log("wheel-bench/tablet_{}.jsonl", "wheel-bench", "inspection measurement", JsonLines()),
    _log("drop-rig/drops_{}.jsonl.gz", "drop-rig", "drop", JsonLines()),
    _log("gauges/gauge-check_{}.csv", "", "gauge-check", Csv(
        ["taken_at", "station", "inspector", "gauge", "check", "found", "reference", "nominal",
         "reading", "limit", "due", "note"], offset=True)),
    _log("desk/decisions_{}.ndjson", "desk",
         "disposition shipment correction customer-return", JsonLines()),
)  # fmt: skip


def written(folder: Path, records: list[Record]) -> int:
    """Write every record to its monthly file; returns how many files there are."""
    months: dict[str, tuple[Log, list[Record]]] = {}
    for record in records:
        (log,) = (log for log in LOGS if log.takes(record))
        name = log.name.format(f"{record['taken_at']:%Y-%m}")
        months.setdefault(name, (log, []))[1].append(record)
    for name, (log, lines) in months.items():
        write(folder / name, log.form.text(lines))
    return len(months)


def write(path: Path, text: str) -> None:
    """UTF-8 as given; gzipped by the name, without the time of writing."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix != ".gz":
        path.write_bytes(text.encode())
        return
    packed = io.BytesIO()
    with gzip.GzipFile("", "wb", 9, packed, mtime=0) as file:
        file.write(text.encode())
    path.write_bytes(packed.getvalue())
