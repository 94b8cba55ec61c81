"""Where people and rigs hand records in: read, checked against catalog and role, then written.

Screens, entry routes and stations all come through here, so hiding a button is never the guard.
"""

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import msgspec
from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.checks import entry_checker
from qc.catalog.codes import code_checker
from qc.catalog.entries import Entry, Inspector, table_of
from qc.ledger.journal import Prepared, prepare
from qc.ledger.ledger import ACCEPTED, CONFLICT, Answer, Ledger
from qc.ledger.walk import FileReport, conflict
from qc.ledger.writer import Asked, Writer
from qc.people.accounts import gauge_grants
from qc.people.roles import entry_action
from qc.people.tokens import sender
from qc.people.who import Person, may
from qc.readers.objects import Entry as Read
from qc.readers.objects import read_entry
from qc.readers.refusal import Refusal
from qc.records.kinds import Record
from qc.records.parsing import RecordParser, Refused
from qc.stations.here import Here
from qc.stations.rights import check_may_leave, check_record, forbidden

# one transaction holds no more, so that nobody waits long behind a large body
MOST_AT_ONCE = 2000


def submit(
    ledger: Ledger,
    writer: Writer,
    person: Person,
    lines: Sequence[Mapping[str, Any]],
    *,
    name: str = "screen",
) -> dict[str, Any]:
    """Take a person's records in; the answer is that of `rimqc import` for one file.

    `inspector` is the person, and a line that names another is refused; `station` is the
    session's where a line names none. A part that may not leave is not shipped here.
    """
    _list_inspector(ledger, person)
    read = (_read(number, line) for number, line in enumerate(lines, 1))
    own = {"inspector": person.code}
    if person.station:
        own["station"] = person.station
    with ledger.reading() as connection:
        rules = _rules(ledger, connection)
        checked = _check(rules, connection, person, read, own, name, check_may_leave)
    return _write(writer, checked)


class Handed:
    """What a rig hands in with its token; inspector and station are as it says."""

    def __init__(
        self, ledger: Ledger, token: str, read: Callable[[], Iterable[Read | Refusal]]
    ) -> None:
        self._ledger, self._token, self._read = ledger, token, read
        self._checked: _Checked | None = None

    def check(self, connection: Connection, asked: Asked) -> list[Prepared]:
        """What may be taken in; nothing is read for a token that is not good."""
        self._checked = _check_station(self._ledger, connection, self._token, self._read(), asked)
        waiting = self._checked.waiting if self._checked else []
        return [prepare(record) for _, record in waiting]

    def report(self, answers: Sequence[Answer]) -> dict[str, Any] | None:
        """What became of it, once it was checked; None for a token that is not good."""
        return self._checked and _report(self._checked, answers)


def submit_station(
    here: Here, token: str, read: Callable[[], Iterable[Read | Refusal]]
) -> dict[str, Any] | None:
    """Take in what a rig hands in, however much; answered as `Handed.report` is."""
    with here.ledger.reading() as connection:
        checked = _check_station(here.ledger, connection, token, read(), {})
    return checked and _write(here.writer, checked)


def _check_station(
    ledger: Ledger, connection: Connection, token: str, read: Iterable[Read | Refusal],
    asked: Asked,
) -> "_Checked | None":  # fmt: skip
    if ("token", token) not in asked:
        asked["token", token] = sender(connection, token)
    rig = asked["token", token]
    if rig is None:
        return None
    if ("rules",) not in asked:
        asked["rules",] = _rules(ledger, connection)
    person = Person(f"station {rig.station}", f"station {rig.station}", rig.role)
    own = {"station": rig.station}
    return _check(asked["rules",], connection, person, read, own, person.name)


def submit_entries(ledger: Ledger, person: Person, entries: Sequence[Entry]) -> dict[str, Any]:
    """Take catalog entries in, each as a new version; answered as an import of a catalog is."""
    report = FileReport("catalog")
    good: list[Entry] = []
    with ledger.writing() as connection:
        check = entry_checker(ledger.known(connection).catalog, entries)
        for number, entry in enumerate(entries, 1):
            try:
                if not may(person, entry_action(entry)):
                    raise forbidden(person, entry_action(entry), "table", table_of(entry))
                check(entry)
            except Refused as fault:
                report.refuse(number, fault.field, fault.value, fault.reason)
                continue
            good.append(entry)
        for answer in ledger.accept_catalog(connection, good, person.code):
            _count(report, answer)
    ledger.settle()
    return dict(msgspec.to_builtins(report))


def _read(number: int, line: Mapping[str, Any]) -> Read | Refusal:
    """A screen's values as the reader of JSON Lines has them: numbers exactly as shown."""
    try:
        text = json.dumps(dict(line), default=_word)
    except (ValueError, RecursionError):
        return Refusal(number, None, None, "nested too deeply, or round in a circle")
    return read_entry(number, text)


def _word(value: Any) -> str:
    return str(value.isoformat() if hasattr(value, "isoformat") else value)


class _Checked(NamedTuple):
    """What was read and may be written, by its line, and the report so far."""

    report: FileReport
    waiting: list[tuple[int, Record]]


class _Rules(NamedTuple):
    """What every record is held against: the catalog, and who may use which gauge."""

    catalog: Catalog
    grants: Mapping[str, Collection[str]]


def _rules(ledger: Ledger, connection: Connection) -> _Rules:
    return _Rules(ledger.known(connection).catalog, gauge_grants(connection))


def _check(
    rules: _Rules,
    connection: Connection,
    person: Person,
    read: Iterable[Read | Refusal],
    own: Mapping[str, str],
    name: str,
    check_more: Callable[[Connection, Record], None] = lambda *_: None,
) -> _Checked:
    report = FileReport(name)
    parser, check = _parser_in(rules.catalog.zone), code_checker(rules.catalog)
    waiting: list[tuple[int, Record]] = []
    unknown: dict[str, None] = {}
    for one in read:
        if isinstance(one, Refusal):
            report.refuse(one.line, one.field, one.value, one.reason)
            continue
        number, line, _ = one
        try:
            record = parser.from_object(_filled(person, line, own))
            check(record)
            check_record(connection, person, record, rules.grants)
            check_more(connection, record)
        except Refused as fault:
            report.refuse(number, fault.field, fault.value, fault.reason)
            continue
        unknown |= dict.fromkeys(record.other)
        waiting.append((number, msgspec.structs.replace(record, entered_by=person.code)))
    report.unknown_columns = list(unknown)
    return _Checked(report, waiting)


@lru_cache(maxsize=4)
def _parser_in(zone: ZoneInfo | None) -> RecordParser:
    """One for all: what makes a parser takes longer than a record does."""
    return RecordParser(zone)


def _write(writer: Writer, checked: _Checked) -> dict[str, Any]:
    answers: list[Answer] = []
    for start in range(0, len(checked.waiting), MOST_AT_ONCE):
        piece = checked.waiting[start : start + MOST_AT_ONCE]
        answers += writer.submit([record for _, record in piece]).result()
    return _report(checked, answers)


def _report(checked: _Checked, answers: Sequence[Answer]) -> dict[str, Any]:
    """The report once it is known what became of each line."""
    report = checked.report
    for (number, record), answer in zip(checked.waiting, answers, strict=True):
        _count(report, answer, number, record.record_id)
    report.refusals.sort(key=lambda refusal: refusal["line"])
    return dict(msgspec.to_builtins(report))


def _filled(person: Person, line: Mapping[str, Any], own: Mapping[str, str]) -> dict[str, Any]:
    """The line with what it leaves out and the session knows."""
    given = {name: value for name, value in line.items() if value not in (None, "")}
    named = given.get("inspector", own.get("inspector"))
    if "inspector" in own and named != own["inspector"]:
        reason = f"{person.name} ({person.code}) is signed in; only that person can hand this in"
        raise Refused("inspector", named, reason)
    return {**own, **given}


def _count(report: FileReport, answer: Answer, number: int = 0, record_id: str = "") -> None:
    if answer.outcome == ACCEPTED:
        report.accepted += 1
    elif answer.outcome == CONFLICT:
        report.refuse(number, "record_id", record_id, conflict(record_id, answer.field))
    else:
        report.already_held += 1


def _list_inspector(ledger: Ledger, person: Person) -> None:
    """An account is an inspector: a catalog that lists inspectors comes to list this one too."""
    listed = ledger.catalog().codes(Inspector)
    if not listed or person.code in listed:
        return
    with ledger.writing() as connection:
        entry = Inspector(code=person.code, name=person.name)
        ledger.accept_catalog(connection, [entry], person.code)
