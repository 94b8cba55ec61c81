"""Wheelsets: the mass of a pair against the claim made for it.

The pair stands under its front wheel's serial, at stage `pair`.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, select

from qc.judgement.flags import SETTLING, Flag
from qc.judgement.mass import against_claim, part_mass
from qc.judgement.part import Judged, judge_part
from qc.judgement.readings import Around, Held, Quantity, Reading, valid
from qc.judgement.standing import last_rework
from qc.ledger.bulk import insert_rows, pieces, select_in
from qc.ledger.corrections import histories
from qc.ledger.projections import (
    FLAG_COLUMNS,
    QUANTITY_COLUMNS,
    delete_owned,
    flag_row,
    quantity_row,
)
from qc.ledger.summaries import change_summaries
from qc.ledger.tables import FlagRow, Part
from qc.ledger.tables import Quantity as QuantityRow
from qc.physics.mass import Mass, pair_mass
from qc.records.kinds import Disposition, Weighing


class Wheel(NamedTuple):
    """One wheel of a pair as far as the pair needs it."""

    serial: str
    model: str
    batch: str
    mass: Mass
    at: dt.datetime
    suspect: bool
    basis: tuple[str, ...]
    decided: tuple[tuple[dt.datetime, str], ...]


def pairs_of(connection: Connection, serials: Sequence[str]) -> set[str]:
    """The pairs that these parts belong to so far."""
    found: set[str] = set()
    for piece in pieces(serials):
        query = select(Part.pair).where(Part.serial.in_(piece), Part.pair.is_not(None))
        found |= {code for (code,) in connection.execute(query) if code}
    return found


def judge_pairs(
    connection: Connection,
    around: Around,
    codes: Sequence[str],
    changed: Mapping[str, tuple[Judged, Sequence[Held]]],
    corrected: bool,
) -> None:
    """Judge these pairs anew: a pair is one front and one rear wheel, both weighed.

    `changed` are the parts that were judged just now; some may have left their pair.
    """
    delete_owned(connection, FlagRow, FlagRow.owner, [f"pair:{code}" for code in codes])
    wheels: dict[str, dict[str, list[str]]] = {}
    for code, serial, stage in select_in(
        connection, Part, ("pair", "serial", "pair_stage"), "pair", codes
    ):
        wheels.setdefault(code, {}).setdefault(stage, []).append(serial)
    whole = [
        (code, *fronts, *rears)
        for code, found in sorted(wheels.items())
        if len(fronts := found.get("front-wheel", [])) == 1
        and len(rears := found.get("rear-wheel", [])) == 1
    ]
    serials = {serial for _, *both in whole for serial in both}
    others = histories(connection, "serial", sorted(serials - changed.keys()), corrected)
    judged = dict(changed) | {
        serial: (judge_part(serial, held, around), held) for serial, held in others.items()
    }
    every_front = {s for found in wheels.values() for s in found.get("front-wheel", [])}
    before = _forget(connection, sorted(every_front | changed.keys()))
    flags: list[tuple[Any, ...]] = []
    masses: list[tuple[Any, ...]] = []
    for code, front_serial, rear_serial in whole:
        front = wheel_of(front_serial, "front-wheel", *judged[front_serial], around)
        rear = wheel_of(rear_serial, "rear-wheel", *judged[rear_serial], around)
        if front and rear:
            more, mass = pair_rows(around, code, front, rear)
            flags += more
            masses.append(mass)
    insert_rows(connection, FlagRow, FLAG_COLUMNS, flags)
    insert_rows(connection, QuantityRow, QUANTITY_COLUMNS, masses)
    change_summaries(connection, before, masses)


def wheel_of(
    serial: str, stage: str, judged: Judged, held: Sequence[Held], around: Around
) -> Wheel | None:
    """The mass of one wheel at its stage; None while it is not received or not weighed."""
    if judged.model is None or judged.batch is None:
        return None
    final = [record for item in held if (record := item.final()) is not None]
    decisions = [r for r in final if isinstance(r, Disposition) and r.serial == serial]
    rework = last_rework(decisions)
    doubted = {s.record_id for s in judged.suspects if s.settled_at is None}
    readings = [
        Reading(r, r.record_id in doubted)
        for r in final
        if isinstance(r, Weighing) and r.serial == serial and r.stage == stage
        and (rework is None or r.taken_at > rework)
    ]  # fmt: skip
    used, suspect = valid(readings)
    if not used:
        return None
    return Wheel(
        *(serial, judged.model, judged.batch, part_mass(used, around.catalog)[0]),
        *(used[-1].record.taken_at, suspect),
        basis=tuple(reading.record.record_id for reading in used),
        decided=tuple((d.taken_at, d.decision) for d in decisions if d.decision in SETTLING),
    )


def _forget(connection: Connection, fronts: Sequence[str]) -> list[tuple[Any, ...]]:
    """Take away the masses of pairs that stood under these serials; returns what was there."""
    rows = select_in(connection, QuantityRow, QUANTITY_COLUMNS, "serial", fronts)
    before = [row for row in rows if row[1] == "pair"]
    for piece in pieces([row[0] for row in before]):
        ours = (QuantityRow.serial.in_(piece), QuantityRow.stage == "pair")
        connection.execute(delete(QuantityRow).where(*ours))
    return before


def pair_rows(
    around: Around, code: str, front: Wheel, rear: Wheel
) -> tuple[list[tuple[Any, ...]], tuple[Any, ...]]:
    """The flags of a pair, and its mass, as rows."""
    mass = pair_mass(front.mass, rear.mass)
    at = max(front.at, rear.at)
    claim = None
    if front.model == rear.model:
        claim = around.catalog.claim(front.model, "pair", around.catalog.local_day(at))
    conformity = beyond = ""
    rows = []
    if claim is not None:
        basis = front.basis + rear.basis
        flags, beyond, conformity = against_claim(mass, mass.u_g, claim, "pair", basis)
        settled = min(
            ((t, why) for t, why in front.decided + rear.decided if t >= at), default=(None, None)
        )
        rows = [
            flag_row(
                Flag(verdict, at, *settled), f"pair:{code}",
                serial=front.serial, batch=front.batch, model=front.model,
            )
            for verdict in flags
        ]  # fmt: skip
    found = Quantity(
        *("pair", "bare-mass", mass.bare_g, at, mass.u_g, front.suspect or rear.suspect),
        verdict=conformity,
        beyond=beyond,
    )
    return rows, quantity_row(front.serial, front.model, front.batch, found)
