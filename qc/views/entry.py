"""What the entry screens know beforehand: batches, gauges and when they fall due, protocols."""

import datetime as dt
from typing import Any

from sqlalchemy import Connection, func, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import (
    Batch,
    Characteristic,
    FittedPart,
    Gauge,
    Model,
    Protocol,
    Station,
)
from qc.judgement.gauges import passes
from qc.ledger.corrections import histories
from qc.ledger.tables import FlagRow, Part, Quantity, Summary
from qc.physics.exact import EXACT
from qc.records.kinds import GaugeCheck
from qc.records.rules import STAGES
from qc.statistics.summary import Summary as Sums
from qc.views.plain import number
from qc.views.today import parts_in_doubt

Rows = list[dict[str, Any]]
# batches whose parts are counted: what comes in now is of these
COUNTED = 300


def settings(connection: Connection, catalog: Catalog, *, today: dt.date) -> dict[str, Any]:
    """Everything a form offers to choose from. `today` is the site's day.

    Batches stand newest first; `received` is told of the newest `COUNTED`, None of older ones. A
    gauge's `state` is `good`, `due` (its calibration ran out), `off` (a check found it off) or
    `undated`.
    """
    return {
        "models": [
            {"code": m.code, "brake": m.brake, "depth_mm": number(m.depth_mm)}
            for m in catalog.entries(Model)
        ],
        "batches": _batches(connection, catalog),
        "gauges": _gauges(connection, catalog, today),
        "fitted": [
            {"code": part.code, "mass_g": number(part.mass_g)}
            for part in catalog.entries(FittedPart)
        ],
        "protocols": [protocol(entry) for entry in catalog.entries(Protocol)],
        "characteristics": [
            {"code": c.code, "name": c.name, "unit": c.unit}
            for c in catalog.entries(Characteristic)
        ],
        "stations": [{"code": s.code, "name": s.name} for s in catalog.entries(Station)],
        "weights": _weights(catalog),
        "claims": [
            {"model": claim.model, "stage": claim.stage, "claimed_g": float(claim.claimed_g)}
            for model in catalog.codes(Model)
            for stage in STAGES
            if (claim := catalog.claim(model, stage, today))
        ],
    }


def _weights(catalog: Catalog) -> dict[str, dict[str, float]]:
    """Per stage what a weight can be at all: a tenth of the lightest claim to ten times the
    heaviest, as the door has it (`qc.catalog.codes`)."""
    found = {}
    for stage in STAGES:
        claims = [claim.claimed_g for claim in catalog.claims_at(stage)]
        if claims:
            found[stage] = {"least_g": float(min(claims) / 10), "most_g": float(max(claims) * 10)}
    return found


def protocol(entry: Protocol) -> dict[str, Any]:
    """A protocol as the impact screen needs it."""
    return {
        "code": entry.code,
        "stage": entry.stage,
        "method": entry.method,
        "standard_energy_j": float(entry.standard_energy_j),
        "required_multiple": float(entry.required_multiple),
        "positions_deg": [float(angle) for angle in entry.positions_deg],
        "position_tolerance_deg": float(entry.position_tolerance_deg),
        "energy_tolerance": float(entry.energy_tolerance),
        "fails_at": entry.fails_at,
        "change_limit_mm": number(entry.change_limit_mm),
        "striker": entry.striker,
        "tyre": entry.tyre,
        "strike": entry.strike,
        "source": entry.source,
    }


def _batches(connection: Connection, catalog: Catalog) -> Rows:
    newest = sorted(catalog.entries(Batch), key=lambda b: (b.made_on, b.code), reverse=True)
    lately = [batch.code for batch in newest[:COUNTED]]
    counted = select(Part.batch, func.count()).where(Part.batch.in_(lately)).group_by(Part.batch)
    received: dict[str | None, int] = dict.fromkeys(lately, 0)
    received |= {row[0]: row[1] for row in connection.execute(counted)}
    return [
        {
            "code": batch.code,
            "model": batch.model,
            "made_on": batch.made_on.isoformat(),
            "quantity": batch.quantity,
            "received": received.get(batch.code),
        }
        for batch in newest
    ]


def _gauges(connection: Connection, catalog: Catalog, today: dt.date) -> Rows:
    gauges = catalog.entries(Gauge)
    calibrated = _calibrated(connection, [gauge.code for gauge in gauges])
    off = {
        row[0]
        for row in connection.execute(
            select(FlagRow.gauge).where(
                FlagRow.flag == "gauge-suspect", FlagRow.closed_at.is_(None)
            )
        )
    }
    rows = []
    for gauge in gauges:
        due = calibrated.get(gauge.code, gauge.due)
        state = "undated" if due is None else "due" if due < today else "good"
        rows.append(
            {
                "code": gauge.code,
                "measures": gauge.measures,
                "unit": gauge.unit,
                "due": due.isoformat() if due else None,
                "state": "off" if gauge.code in off else state,
                "live": catalog.readout(gauge.code, today) is not None,
            }
        )
    return rows


def _calibrated(connection: Connection, gauges: list[str]) -> dict[str, dt.date]:
    """Until when each gauge's last passed calibration holds."""
    found: dict[str, tuple[dt.datetime, dt.date]] = {}
    held = histories(connection, "checked", gauges)
    for gauge, items in held.items():
        for item in items:
            check = item.final()
            if not isinstance(check, GaugeCheck) or check.check != "calibration":
                continue
            if check.due is None or check.gauge != gauge or not passes(check):
                continue
            if gauge not in found or check.taken_at > found[gauge][0]:
                found[gauge] = check.taken_at, check.due
    return {gauge: due for gauge, (_, due) in found.items()}


def checked_gauge(connection: Connection, catalog: Catalog, check: GaugeCheck) -> dict[str, Any]:
    """A gauge after a check: whether it passed, its error in the gauge's unit, and the serials
    whose readings are in doubt now."""
    gauge = catalog.gauge(check.gauge)
    return {
        "gauge": check.gauge,
        "unit": gauge.unit if gauge else "",
        "passes": passes(check),
        "error": f"{EXACT.subtract(check.reading, check.nominal):f}",
        "limit": f"{check.limit:f}",
        "in_doubt": parts_in_doubt(connection, check.gauge),
    }


def batch_mass(connection: Connection, batch: str | None, stage: str) -> dict[str, Any]:
    """How many parts of a batch have a mass at a stage, its mean and spread in g."""
    query = select(Summary.n, Summary.total, Summary.squares).where(
        Summary.batch == batch, Summary.stage == stage, Summary.characteristic == "bare-mass"
    )
    rows = connection.execute(query).all() if batch else []
    sums = Sums.together(Sums(n, int(total), int(squares)) for n, total, squares in rows)
    return {"n": sums.n, "mean_g": sums.mean, "sd_g": sums.sd}


# what shows that a part has had a pass of its batch, by the characteristics it leaves behind
PASSES = {
    "weigh": ("bare-mass",),
    "spin": ("tir-lateral", "tir-radial"),
    "look": ("findings-per-part",),
}


def roster(connection: Connection, code: str, stage: str) -> dict[str, Any]:
    """The received parts of a batch, with the passes that each still waits for at a stage."""
    parts = select(Part.serial).where(Part.batch == code).order_by(Part.serial)
    have = {row[0]: set[str]() for row in connection.execute(parts)}
    known = select(Quantity.serial, Quantity.characteristic).where(
        Quantity.batch == code, Quantity.stage == stage
    )
    for serial, characteristic in connection.execute(known):
        if serial in have:
            have[serial].add(characteristic)
    return {
        "batch": code,
        "mass": batch_mass(connection, code, stage),
        "parts": [
            {
                "serial": serial,
                "waits_for": [
                    name for name, wanted in PASSES.items() if not found.issuperset(wanted)
                ],
            }
            for serial, found in have.items()
        ],
    }
