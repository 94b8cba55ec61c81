"""First readings, judged by themselves: what most records at intake are.

A part that was received and has nothing that reaches back (no correction, decision, drop, finding
or doubtful gauge) gains nothing from a replay when a first reading of its kind comes: the aspect
is judged alone and its rows are added. All other records go through the replay, which gives the
same rows; the tests hold the two against each other.
"""

import datetime as dt
from collections.abc import Iterable, Sequence, Set
from typing import Any, NamedTuple

from sqlalchemy import Connection, update

from qc.judgement.flags import CRITICAL, Flag
from qc.judgement.mass import judge_mass, plainly_inside
from qc.judgement.measurement import findings_per_part, judge_balance, judge_measurement
from qc.judgement.part import CALM_KINDS
from qc.judgement.readings import Around, Outcome, Reading
from qc.judgement.runout import judge_runout
from qc.judgement.standing import Standing, items_of, wanting
from qc.ledger.bulk import LOOKED_UP_AT_ONCE, insert_rows, pieces, select_in
from qc.ledger.projections import (
    FLAG_COLUMNS,
    PART_COLUMNS,
    QUANTITY_COLUMNS,
    TURN_COLUMNS,
    flag_row,
    quantity_row,
    standing_text,
    turn_row,
)
from qc.ledger.summaries import change_summaries
from qc.ledger.tables import FlagRow, Part, Quantity, Turn
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
_NO_ITEMS: frozenset[tuple[str, str]] = frozenset()
_DERIVED = ("form-lateral", "form-radial", "survived-multiple")


class Calm(NamedTuple):
    """A part as the database has it: what it is, since when, and the items it has."""

    model: str
    batch: str
    since: dt.datetime
    items: frozenset[tuple[str, str]]
    standing: str | None  # None: it comes with these records


def judge_fresh(
    connection: Connection,
    around: Around,
    records: Sequence[Record],
    mended: Set[str],
    first: int,
) -> set[str]:
    """Judge what can be judged by itself; returns the serials that are done with.

    `mended` are serials that a correction touches; the records stand from position `first` on.
    """
    by_serial: dict[str, list[Record]] = {}
    not_alone = set(mended)
    for record in records:
        serial = getattr(record, "serial", None)
        if type(record) not in CALM_KINDS:
            not_alone.add(serial or "")
        elif serial is not None:
            by_serial.setdefault(serial, []).append(record)
            if around.doubts and getattr(record, "gauge", None) in around.doubts:
                not_alone.add(serial)
    # in the order of the log: neighbours in the log are neighbours in the tables
    at_hand = {serial: items for serial, items in by_serial.items() if serial not in not_alone}
    known = _calm_parts(connection, at_hand)
    rows = _Rows(around, first)
    done = set()
    for serial, items in at_hand.items():
        part = known[serial] if serial in known else _received(items)
        if part is not None and rows.judge(serial, part, items):
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
        has = frozenset(items[serial]) if serial in items else _NO_ITEMS
        found[serial] = Calm(model, batch, since, has, standing)
    return found


def _received(items: Sequence[Record]) -> Calm | None:
    """A part that comes in with these records."""
    receipts = [record for record in items if isinstance(record, Receipt)]
    if len(receipts) != 1:
        return None
    receipt = receipts[0]
    return Calm(receipt.model, receipt.batch, receipt.taken_at, _NO_ITEMS, None)


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


def _holds(outcome: Outcome) -> bool:
    """Whether it holds the part, which only the replay can tell the consequences of."""
    verdicts = outcome.verdicts
    return bool(verdicts) and any(verdict.severity == CRITICAL for verdict in verdicts)


class _Rows:
    """Rows to add, gathered over all parts."""

    def __init__(self, around: Around, first: int) -> None:
        self.around, self.first = around, first
        self.new: list[tuple[Any, ...]] = []
        self.changed: dict[str, list[str]] = {}  # parts by what they now stand at
        self.quantities: list[tuple[Any, ...]] = []
        self.turns: list[tuple[Any, ...]] = []
        self.flags: list[tuple[Any, ...]] = []
        self._standings: dict[tuple[str, frozenset[tuple[str, str]]], str | None] = {}

    def judge(self, serial: str, part: Calm, items: Sequence[Record]) -> bool:
        """Judge the new records of a part, each by itself; False where that cannot be."""
        if len(items) == 1 and self._weighed_inside(serial, part, items[0]):
            return True
        have = part.items
        outcomes: list[tuple[Record, Outcome]] = []
        for record in items:
            if type(record) is Receipt:
                if part.standing is not None:
                    return False
                continue
            item = items_of(record)
            if item is None or item in have or record.taken_at < part.since:
                return False
            have = have | {item}
            outcome = _outcome(record, part.model, self.around)
            if outcome is None or outcome.uncovered or _holds(outcome):
                return False
            outcomes.append((record, outcome))
        if not self._stands(serial, part, have):
            return False
        for record, outcome in outcomes:
            for quantity in outcome.quantities:
                self.quantities.append(quantity_row(serial, part.model, part.batch, quantity))
            for turn in outcome.turns:
                self.turns.append(turn_row(serial, part.model, part.batch, turn))
            for verdict in outcome.verdicts:
                self.flags.append(
                    flag_row(
                        Flag(verdict, record.taken_at), f"serial:{serial}",
                        serial=serial, batch=part.batch, model=part.model,
                    )
                )  # fmt: skip
        return True

    def _weighed_inside(self, serial: str, part: Calm, record: Record) -> bool:
        """A first weighing that lies plainly inside its band: what most records at intake are.

        The same rows as by the long way, in half the time.
        """
        if type(record) is not Weighing or record.taken_at < part.since:
            return False
        item = (record.stage, "weighing")
        if item in part.items:
            return False
        u = plainly_inside(record, part.model, self.around.catalog)
        if u is None or not self._stands(serial, part, part.items | {item}):
            return False
        self.quantities.append((
            *(serial, record.stage, "bare-mass", "", part.model, part.batch),
            *(float(record.gross_g), u, False, record.taken_at, "conforms", ""),
            *(record.gauge, record.station, record.inspector, 1),
        ))  # fmt: skip
        return True

    def _stands(self, serial: str, part: Calm, items: frozenset[tuple[str, str]]) -> bool:
        """Note where a part with these items stands; False where only the replay can tell."""
        standing = self._standing(part.model, items)
        if standing is None:
            return False
        if part.standing is None:
            row = (serial, part.model, part.batch, standing, part.since, None, None, self.first)
            self.new.append(row)
        elif standing != part.standing:
            self.changed.setdefault(standing, []).append(serial)
        return True

    def _standing(self, model: str, have: frozenset[tuple[str, str]]) -> str | None:
        """The standing of a calm part with these items; None where the replay must tell."""
        key = (model, have)
        if key not in self._standings:
            at_hand: dict[str, set[str]] = {"": {"receipt"}}
            for stage, name in have:
                at_hand.setdefault(stage, set()).add(name)
            stages = sorted((s for s in at_hand if s), key=lambda stage: stage != "rim") or ["rim"]
            alone = len([stage for stage in stages if stage != "rim"]) < 2
            missing = wanting(model, at_hand, stages, self.around.catalog)
            self._standings[key] = standing_text(Standing(missing=missing)) if alone else None
        return self._standings[key]

    def write(self, connection: Connection) -> None:
        """Add the rows."""
        insert_rows(connection, Part, PART_COLUMNS, self.new)
        for standing, serials in self.changed.items():
            for piece in pieces(serials, LOOKED_UP_AT_ONCE):
                statement = update(Part).where(Part.serial.in_(piece))
                connection.execute(statement.values(standing=standing))
        insert_rows(connection, Quantity, QUANTITY_COLUMNS, self.quantities)
        insert_rows(connection, Turn, TURN_COLUMNS, self.turns)
        insert_rows(connection, FlagRow, FLAG_COLUMNS, self.flags)
        change_summaries(connection, [], self.quantities)
