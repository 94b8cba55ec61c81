"""First readings, judged by themselves: what most records at intake are.

A part that was received and has nothing that reaches back (no correction, decision, drop, finding
or doubtful gauge) gains nothing from a replay when a first reading of its kind comes: the aspect
is judged alone and its rows are added. All other records go through the replay, which gives the
same rows; the tests hold the two against each other.
"""

import datetime as dt
from collections.abc import Iterable, Sequence, Set
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, update

from qc.catalog.catalog import Catalog
from qc.judgement.flags import CRITICAL, Flag
from qc.judgement.mass import judge_mass
from qc.judgement.measurement import findings_per_part, judge_balance, judge_measurement
from qc.judgement.part import CALM_KINDS
from qc.judgement.readings import Around, Outcome, Reading
from qc.judgement.runout import judge_runout
from qc.judgement.standing import Standing, items_of, wanting
from qc.ledger.bulk import insert_rows, select_in
from qc.ledger.projections import (
    FLAG_COLUMNS,
    PART_COLUMNS,
    QUANTITY_COLUMNS,
    change_summaries,
    flag_row,
    quantity_row,
    standing_text,
)
from qc.ledger.tables import FlagRow, Part, Quantity
from qc.records.kinds import (
    Balance,
    Inspection,
    Measurement,
    Receipt,
    Record,
    Runout,
    Weighing,
)

# which quantity shows that a part has a reading of an item at a stage already
_SHOWN_BY = {
    "bare-mass": "weighing",
    "tir-lateral": "runout-lateral",
    "tir-radial": "runout-radial",
    "unbalance": "balance",
    "findings-per-part": "inspection",
}
_DERIVED = ("form-lateral", "form-radial", "survived-multiple")


class Calm(NamedTuple):
    """A part as the database has it: what it is, since when, and the items it has."""

    model: str
    batch: str
    since: dt.datetime
    items: Set[tuple[str, str]]
    standing: str | None  # None: it comes with these records


def judge_fresh(
    connection: Connection, around: Around, records: Sequence[Record], mended: Set[str]
) -> set[str]:
    """Judge what can be judged by itself; returns the serials that are done with.

    `mended` are the serials that a correction concerns.
    """
    by_serial: dict[str, list[Record]] = {}
    for record in records:
        serial = getattr(record, "serial", None)
        if serial is not None:
            by_serial.setdefault(serial, []).append(record)
    at_hand = {
        serial: items
        for serial, items in by_serial.items()
        if serial not in mended
        and all(isinstance(record, CALM_KINDS) for record in items)
        and not any(getattr(record, "gauge", None) in around.doubts for record in items)
    }
    known = _calm_parts(connection, at_hand)
    rows = _Rows()
    done = set()
    for serial, items in at_hand.items():
        part = known[serial] if serial in known else _received(items)
        if part is not None and _judge(serial, part, items, around, rows):
            done.add(serial)
    rows.write(connection)
    return done


def _calm_parts(connection: Connection, serials: Iterable[str]) -> dict[str, Calm | None]:
    """The parts that the database knows; None for one that is not calm."""
    columns = ("serial", "model", "batch", "calm_since", "standing")
    held = {row[0]: row for row in select_in(connection, Part, columns, "serial", serials)}
    calm = [serial for serial, row in held.items() if row[3] is not None]
    items: dict[str, set[tuple[str, str]]] = {}
    shown = ("serial", "stage", "characteristic")
    for serial, stage, name in select_in(connection, Quantity, shown, "serial", calm):
        if name not in _DERIVED:
            items.setdefault(serial, set()).add((stage, _SHOWN_BY.get(name, name)))
    found: dict[str, Calm | None] = dict.fromkeys(held)
    for serial in calm:
        _, model, batch, since, standing = held[serial]
        found[serial] = Calm(model, batch, since, items.get(serial, set()), standing)
    return found


def _received(items: Sequence[Record]) -> Calm | None:
    """A part that comes in with these records."""
    receipts = [record for record in items if isinstance(record, Receipt)]
    if len(receipts) != 1:
        return None
    receipt = receipts[0]
    return Calm(receipt.model, receipt.batch, receipt.taken_at, set(), None)


def _judge(serial: str, part: Calm, items: Sequence[Record], around: Around, rows: "_Rows") -> bool:
    """Judge the new records of a part, each by itself, and add their rows; False: it cannot be."""
    have = set(part.items)
    outcomes: list[tuple[Record, Outcome]] = []
    for record in items:
        if isinstance(record, Receipt):
            if part.standing is not None:
                return False
            continue
        item = items_of(record)
        if item is None or item in have or record.taken_at < part.since:
            return False
        have.add(item)
        outcome = _outcome(record, part.model, around)
        if outcome is None or outcome.uncovered:
            return False
        if any(verdict.severity == CRITICAL for verdict in outcome.verdicts):
            return False  # it holds the part
        outcomes.append((record, outcome))
    stages = sorted({stage for stage, _ in have if stage}, key=lambda stage: stage != "rim")
    if len(stages) > 2 or stages == ["front-wheel", "rear-wheel"]:
        return False
    standing = _standing(part, have, stages or ["rim"], around.catalog)
    rows.add(serial, part, standing, outcomes)
    return True


def _outcome(record: Record, model: str, around: Around) -> Outcome | None:
    """A reading as the only one of its aspect."""
    alone = [Reading(record)]
    match record:
        case Weighing():
            return judge_mass(record.stage, alone, model, around)
        case Runout():
            return judge_runout(record.stage, record.direction, alone, model, around)
        case Measurement():
            stage = record.stage or ""
            return judge_measurement(stage, record.characteristic, alone, model, around)
        case Balance():
            return judge_balance(record.stage, alone, model, around)
        case Inspection(result="clean"):
            return Outcome(quantities=findings_per_part([record], []))
    return None


def _standing(
    part: Calm, have: set[tuple[str, str]], stages: Sequence[str], catalog: Catalog
) -> str:
    at_hand: dict[str, set[str]] = {"": {"receipt"}}
    for stage, name in have:
        at_hand.setdefault(stage, set()).add(name)
    return standing_text(Standing(missing=wanting(part.model, at_hand, stages, catalog)))


class _Rows:
    """Rows to add, gathered over all parts."""

    def __init__(self) -> None:
        self.new: list[tuple[Any, ...]] = []
        self.changed: list[dict[str, str]] = []
        self.quantities: list[tuple[Any, ...]] = []
        self.flags: list[tuple[Any, ...]] = []

    def add(
        self, serial: str, part: Calm, standing: str, outcomes: Sequence[tuple[Record, Outcome]]
    ) -> None:
        if part.standing is None:
            self.new.append((serial, part.model, part.batch, standing, part.since, None, None))
        elif standing != part.standing:
            self.changed.append({"of": serial, "now": standing})
        for record, outcome in outcomes:
            for quantity in outcome.quantities:
                self.quantities.append(quantity_row(serial, part.model, part.batch, quantity))
            for verdict in outcome.verdicts:
                self.flags.append(
                    flag_row(
                        Flag(verdict, record.taken_at), f"serial:{serial}",
                        serial=serial, batch=part.batch, model=part.model,
                    )
                )  # fmt: skip

    def write(self, connection: Connection) -> None:
        insert_rows(connection, Part, PART_COLUMNS, self.new)
        if self.changed:
            statement = update(Part).where(Part.serial == bindparam("of"))
            connection.execute(statement.values(standing=bindparam("now")), self.changed)
        insert_rows(connection, Quantity, QUANTITY_COLUMNS, self.quantities)
        insert_rows(connection, FlagRow, FLAG_COLUMNS, self.flags)
        change_summaries(connection, [], self.quantities)
