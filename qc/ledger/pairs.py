"""Wheelsets: the mass of a pair against the claim made for it.

The pair stands under its front wheel's serial, at stage `pair`.
"""

import datetime as dt
from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection, delete, select

from qc.judgement.flags import SETTLING, Flag
from qc.judgement.mass import against_claim, part_mass
from qc.judgement.part import judge_part
from qc.judgement.readings import Around, Held, Quantity, Reading, valid
from qc.judgement.standing import last_rework
from qc.ledger.bulk import insert_rows, pieces
from qc.ledger.corrections import histories
from qc.ledger.projections import (
    FLAG_COLUMNS,
    QUANTITY_COLUMNS,
    change_summaries,
    delete_owned,
    flag_row,
    quantity_row,
)
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
    serials: Sequence[str],
    corrected: bool,
) -> None:
    """Judge these pairs anew: a pair is one front and one rear wheel, both weighed.

    `serials` are the parts that changed; some may have left their pair.
    """
    _forget(connection, serials)
    delete_owned(connection, FlagRow, FlagRow.owner, [f"pair:{code}" for code in codes])
    for code in codes:
        rows = connection.execute(
            select(Part.serial, Part.pair_stage).where(Part.pair == code)
        ).all()
        fronts = [serial for serial, stage in rows if stage == "front-wheel"]
        rears = [serial for serial, stage in rows if stage == "rear-wheel"]
        _forget(connection, fronts)
        if len(fronts) == len(rears) == 1:
            held = histories(connection, "serial", [*fronts, *rears], corrected)
            front = wheel_of(fronts[0], "front-wheel", held[fronts[0]], around)
            rear = wheel_of(rears[0], "rear-wheel", held[rears[0]], around)
            if front and rear:
                _write(connection, around, code, front, rear)


def wheel_of(serial: str, stage: str, held: Sequence[Held], around: Around) -> Wheel | None:
    """The mass of one wheel at its stage; None while it is not received or not weighed."""
    judged = judge_part(serial, held, around)
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


def _forget(connection: Connection, fronts: Sequence[str]) -> None:
    columns = [getattr(QuantityRow, name) for name in QUANTITY_COLUMNS]
    for piece in pieces(fronts):
        ours = (QuantityRow.serial.in_(piece), QuantityRow.stage == "pair")
        before = [tuple(row) for row in connection.execute(select(*columns).where(*ours))]
        connection.execute(delete(QuantityRow).where(*ours))
        change_summaries(connection, before, [])


def _write(connection: Connection, around: Around, code: str, front: Wheel, rear: Wheel) -> None:
    mass = pair_mass(front.mass, rear.mass)
    at = max(front.at, rear.at)
    claim = None
    if front.model == rear.model:
        claim = around.catalog.claim(front.model, "pair", around.catalog.local_day(at))
    conformity = beyond = ""
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
        insert_rows(connection, FlagRow, FLAG_COLUMNS, rows)
    found = Quantity(
        *("pair", "bare-mass", mass.bare_g, at, mass.u_g, front.suspect or rear.suspect),
        verdict=conformity,
        beyond=beyond,
    )
    row = quantity_row(front.serial, front.model, front.batch, found)
    insert_rows(connection, QuantityRow, QUANTITY_COLUMNS, [row])
    change_summaries(connection, [], [row])
