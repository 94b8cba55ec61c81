"""What comes in from outside, one target each: bytes in, and nothing but an answer or a refusal.

Each target raises `AssertionError` where a promise is broken; any other exception is a fault too.
`fuzz.py` drives them by coverage, `test_corpus.py` replays what was worth keeping.
"""

import atexit
import datetime as dt
import gzip
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from qc.catalog.catalog import Catalog, Recorded
from qc.catalog.checks import entry_checker
from qc.catalog.codes import code_checker
from qc.catalog.entries import Entry, Gauge, Readout
from qc.catalog.serial_line import line_pattern, request_bytes
from qc.catalog.toml_file import read_catalog
from qc.catalog.toml_out import toml_text
from qc.devices import serial_port
from qc.devices.readout import Reading, Unreadable, line_reader
from qc.errors import RimqcError
from qc.ledger.journal import prepare
from qc.ledger.walk import FileReport, Walk
from qc.readers.lines import open_log
from qc.readers.refusal import Refusal
from qc.records.canonical import body, from_body, replacement_of
from qc.records.kinds import KINDS, Correction, Record
from qc.records.parsing import RecordParser, Refused, missing_columns
from qc.reports.noted import read_note
from qc.stations.records import BodyError, read_body
from tests.maker import CATALOG

Target = Callable[[bytes], None]

# on a memory disk where there is one: a file is written for most inputs
_MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
FOLDER = Path(tempfile.mkdtemp(prefix="rimqc-fuzz-", dir=_MEMORY))
atexit.register(shutil.rmtree, FOLDER, ignore_errors=True)
_KINDS = (*KINDS, "march")


def _catalog() -> Catalog:
    path = FOLDER / "catalog.toml"
    path.write_text(CATALOG)
    at = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    entries = [line.entry for line in read_catalog(path) if line.entry is not None]
    return Catalog([Recorded(f"{n}", n, at, entry) for n, entry in enumerate(entries, 1)])


_CATALOG = _catalog()
_ZONE = ZoneInfo("Europe/Lisbon")


def _sound(record: Record) -> None:
    """A record comes back from the journal's form as it went in, and every database can keep it."""
    text = body(record)
    assert b"\0" not in text
    assert from_body(text) == record
    prepare(record)
    if isinstance(record, Correction) and record.replacement is not None:
        assert body(replacement_of(record))


def _shown(refusal: Any) -> None:
    """A refusal can be printed, and is short enough to read."""
    for words in refusal:
        text = words or ""
        text.encode()
        assert len(text) < 3000, text[:200]


def _log(name: str, content: bytes) -> None:
    """A whole log as an import reads it: counted line by line, refused lines written out."""
    path, target = FOLDER / name, FOLDER / f"refused-{name}"
    path.write_bytes(content)
    report = FileReport(name)

    def required(kind: str | None) -> list[str]:
        return [] if kind is None else [first] if (first := missing_columns(kind, [])) else []

    with open_log(path, kinds=KINDS, required=required) as log:
        walk = Walk(
            log,
            _CATALOG,
            report,
            target.with_suffix(".csv" if log.form == "csv" else ".jsonl"),
            lambda _: None,
        )
        if walk.kind_at is None and log.kind is None and log.form == "csv":
            list(log)
            return
        for waiting in walk:
            assert len(waiting.lines) == len(waiting.items) == len(waiting.raws)
            for item, raw in zip(waiting.items, waiting.raws, strict=True):
                _sound(item.record)
                if log.form == "csv":
                    kind = log.kind or raw[walk.kind_at].strip()
                    assert walk.parser.from_cells(kind, log.columns, raw) == item.record
        walk.write_refused()
        walk.close(None)
    assert report.refused == len(report.refusals)
    for refusal in report.refusals:
        _shown([refusal["field"], refusal["value"], refusal["reason"]])


def table(data: bytes) -> None:
    """CSV: the first byte chooses the kind in the file's name, and whether it is packed."""
    if not data:
        return
    kind, packed = _KINDS[data[0] % len(_KINDS)], data[0] // len(_KINDS) % 8
    if packed == 0:
        _log(f"{kind}.csv.gz", gzip.compress(data[1:], 1))
    else:
        _log(f"{kind}.csv", data[1:])


def lines(data: bytes) -> None:
    """JSON Lines."""
    _log("march.jsonl", data)


def packed(data: bytes) -> None:
    """Whatever calls itself gzip."""
    _log("weighing.csv.gz", data)


def catalog(data: bytes) -> None:
    """`catalog.toml`; what is taken is written out and read again as the same."""
    path = FOLDER / "catalog.toml"
    path.write_bytes(data)
    found = list(read_catalog(path))
    read = [line.entry for line in found if line.entry is not None]
    check, good = entry_checker(_CATALOG, read), []
    for line in found:
        try:
            if line.entry is not None:
                check(line.entry)
                good.append(line.entry)
            elif line.refused is not None:
                raise line.refused
        except Refused as refused:
            _shown([refused.field, refused.value, refused.reason])
    path.write_text(toml_text(good), encoding="utf-8")
    again = [line.entry for line in read_catalog(path)]
    assert set(map(_name, again)) == set(map(_name, good))
    at = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    made = Catalog([Recorded(f"{n}", n, at, entry) for n, entry in enumerate(good, 1)])
    code_checker(made)


def _name(entry: Entry | None) -> bytes:
    assert entry is not None
    return body(entry)


def station(data: bytes) -> None:
    """The body of `POST /station/records`, up to the door of the journal."""
    parser, check = RecordParser(_ZONE), code_checker(_CATALOG)
    try:
        for at, one in enumerate(read_body(data), 1):
            if isinstance(one, Refusal):
                _shown([one.field, one.value, one.reason])
                continue
            try:
                record = parser.from_object(one[1])
                check(record)
            except Refused as refused:
                _shown([refused.field, refused.value, refused.reason])
                continue
            _sound(record)
            assert one[0] >= at
    except BodyError as fault:
        _shown([str(fault)])


def mending(data: bytes) -> None:
    """A correction's replacement, as an object, and as the text of a CSV cell."""
    parser = RecordParser(_ZONE)
    common = {"station": "W1", "inspector": "ann", "taken_at": "2026-02-10T09:00:00Z",
              "reason": "slip", "of": "123e4567-e89b-42d3-a456-426614174000"}  # fmt: skip
    text = data.decode("utf-8", "surrogateescape")
    given = [{"replacement": text}]
    for one in read_body(b'{"replacement": ' + data + b"}") if data.strip() else ():
        if not isinstance(one, Refusal):
            given.append(one[1])
    for more in given:
        try:
            _sound(parser.from_object({"kind": "correction", **common, **more}))
        except Refused as refused:
            _shown([refused.field, refused.value, refused.reason])


def readout(data: bytes) -> None:
    """A pattern of the catalog, and lines on the wire; the first two bytes say how long it is."""
    size, mark = (data[0], data[1]) if len(data) > 1 else (0, 0)
    pattern, said = data[2 : 2 + size].decode("utf-8", "surrogateescape"), data[2 + size :]
    try:
        line_pattern(pattern)
    except ValueError as fault:
        str(fault).encode("utf-8", "backslashreplace")
        pattern = r"\s*(?P<value>[-+ ]*[0-9.,]+)\s*(?P<unit>[a-zA-Z]*)\s*(?P<stable>S?).*"
    for request in (pattern[:40],):
        try:
            request_bytes(request)
        except ValueError:
            continue
    told = Readout(gauge="S1", pattern=pattern, unit="g", baud=9600,
                   stable_mark=("S" if mark % 2 else None))  # fmt: skip
    gauge = _CATALOG.gauge("S1")
    assert isinstance(gauge, Gauge)
    read = line_reader(told, gauge)
    *whole, rest = serial_port._split(said)
    for line in [*(one.strip(serial_port._CONTROLS) for one in whole), rest]:
        try:
            reading = read(line)
        except Unreadable as fault:
            assert str(fault).isprintable()  # noqa: PT017 - whatever came is to be held
            continue
        assert isinstance(reading, Reading)
        assert reading.value.is_finite()


def note(data: bytes) -> None:
    """The text of a printed record's code."""
    try:
        read_note(data.decode("utf-8", "surrogateescape"))
    except RimqcError as fault:
        str(fault).encode("utf-8")


def paper(data: bytes) -> None:
    """A file that calls itself the record of a part."""
    from qc.reports.part import read

    path = FOLDER / "paper.pdf"
    path.write_bytes(data)
    try:
        said, words = read(path)
        assert said
        words.encode("utf-8", "surrogatepass")
    except RimqcError as fault:
        assert len(str(fault)) < 3000  # noqa: PT017 - whatever came is to be held


TARGETS: dict[str, Target] = {
    one.__name__: one
    for one in (table, lines, packed, catalog, station, mending, readout, note, paper)
}
