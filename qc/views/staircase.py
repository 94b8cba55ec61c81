"""The up-and-down test: what each part's first drop did, and how high the next drop is.

A part is struck once. One that was struck again counts by its first drop alone.
"""

import math
from decimal import Decimal
from itertools import pairwise
from statistics import median
from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Model, Protocol
from qc.errors import RimqcError
from qc.judgement.impact import STRUCK_BEFORE, place
from qc.ledger.corrections import histories
from qc.ledger.tables import Test
from qc.physics.drop import height_mm_for
from qc.records.kinds import Drop
from qc.records.parsing import nearest
from qc.statistics.survival.staircase import next_level, staircase_fit
from qc.views.plain import moment, number

# of a step that a drop may be off its rung and still belong to it (heights are rounded)
_OFF_RUNG = 0.1


def staircase(
    connection: Connection,
    catalog: Catalog,
    *,
    protocol: str,
    model: str,
    batch: str | None = None,
    step: float | None = None,
    start: float | None = None,
    striker_kg: Decimal | None = None,
) -> dict[str, Any]:
    """First drops in order of time, the next multiple of the standard impact, and its height.

    `step` and `start` in multiples of the standard impact; the step is read from the drops and the
    striker is the last one's unless given. RimqcError where the next drop cannot be told.
    """
    entry = _known(catalog, protocol, model)
    results, left_out = _first_drops(connection, catalog, protocol, model, batch)
    kilograms = striker_kg or (Decimal(str(results[-1]["striker_kg"])) if results else None)
    if kilograms is None:
        raise RimqcError(f"no part has been struck by {protocol} yet: give --striker KG", 2)
    multiple, why, step = _next(results, protocol, step, start)
    joules = Decimal(str(multiple)) * entry.standard_energy_j
    height = height_mm_for(joules, kilograms)
    sentence = (
        f"{why} Strike the next part once at {multiple:g} × the standard impact: drop "
        f"{kilograms:f} kg from {height:.0f} mm ({joules.normalize():f} J)."
    )
    half = _half_fail(results)
    if half is not None:
        sentence += (
            f" So far half the parts fail at {half['multiple']:.2f} × (95 %: "
            f"{_limit(half['lower'])} to {_limit(half['upper'])}), from {len(results)} parts."
        )
    return {
        "sentence": sentence + " A struck part never ships.",
        "protocol": protocol,
        "model": model,
        "batch": batch,
        "step": step,
        "striker_kg": number(kilograms),
        "next_multiple": multiple,
        "next_height_mm": round(float(height), 1),
        "half_fail": half,
        "results": results,
        "left_out": left_out,
    }


def _known(catalog: Catalog, protocol: str, model: str) -> Protocol:
    entry = catalog.protocol(protocol)
    if entry is None:
        near = nearest(protocol, catalog.codes(Protocol))
        raise RimqcError(f"--staircase {protocol}: not a protocol of the catalog{near}", 2)
    if catalog.model(model) is None:
        near = nearest(model, catalog.codes(Model))
        raise RimqcError(f"--model {model}: not a model of the catalog{near}", 2)
    return entry


def _first_drops(
    connection: Connection, catalog: Catalog, protocol: str, model: str, batch: str | None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    query = select(Test.serial, Test.test, Test.batch, Test.marks, Test.suspect, Test.drawn).where(
        Test.protocol == protocol, Test.model == model
    )
    if batch is not None:
        query = query.where(Test.batch == batch)
    rows = list(connection.execute(query).mappings())
    serials = sorted({row["serial"] for row in rows})
    held = histories(connection, "serial", serials)
    counted, left_out = [], []
    for row in rows:
        drops = [
            final
            for item in held[row["serial"]]
            if isinstance(final := item.final(), Drop) and final.test == row["test"]
        ]
        first = min(drops, key=lambda d: (d.drop_no, d.taken_at, d.record_id))
        result, reason = _judged(first, row, catalog)
        head = {"serial": row["serial"], "test": row["test"], "batch": row["batch"]}
        head["at"] = moment(first.taken_at)
        if reason:
            left_out.append(head | {"reason": reason})
        else:
            counted.append(head | result)
    return sorted(counted, key=_order), sorted(left_out, key=_order)


def _order(row: dict[str, Any]) -> tuple[str, str]:
    return row["at"], row["serial"]


def _judged(first: Drop, row: Any, catalog: Catalog) -> tuple[dict[str, Any], str]:
    """What the first drop did, or why it does not count."""
    entry = catalog.protocol(first.protocol, catalog.local_day(first.taken_at))
    placed = place([first], entry)[0] if entry and first.protocol == entry.code else None
    if STRUCK_BEFORE in row["marks"]:
        return {}, "struck, repaired or returned before this test"
    if row["suspect"]:
        return {}, "the rig was in doubt"
    if row["drawn"] == "reject":
        return {}, "a reject, no part of the lot"
    if placed is None or first.drop_no != 1:
        return {}, "its first drop is not on record"
    if placed.position is None:
        return {}, "its first drop fell beside every position"
    if placed.damaged is None:
        return {}, "not examined after its first drop"
    return {
        "multiple": round(float(placed.load), 4),
        "height_mm": number(first.height_mm),
        "striker_kg": number(first.striker_kg),
        "failed": placed.damaged,
    }, ""


def _next(
    results: list[dict[str, Any]], protocol: str, step: float | None, start: float | None
) -> tuple[float, str, float | None]:
    """The next multiple, why it is that, and the step."""
    if not results:
        if start is None:
            raise RimqcError(f"no part has been struck by {protocol} yet: give --start MULTIPLE", 2)
        return start, f"No part has been struck by {protocol} yet: begin.", step
    levels = [result["multiple"] for result in results]
    if step is None:
        # the usual gap; the heights that make it are rounded
        gaps = [gap for a, b in pairwise(levels) if (gap := abs(b - a)) > 0.01]
        step = round(median(gaps), 3) if gaps else None
        if not step:
            raise RimqcError(
                "all parts were struck alike, so the step is not known: give --step", 2
            )
    last = results[-1]
    rungs = (last["multiple"] - levels[0]) / step
    on_rung = abs(rungs - round(rungs)) <= _OFF_RUNG
    level = levels[0] + round(rungs) * step if on_rung else last["multiple"]
    multiple = round(next_level(last_level=level, last_failed=last["failed"], step=step), 4)
    if multiple <= 0:
        raise RimqcError(
            f"{last['serial']} failed at {last['multiple']:g} ×, and one step of {step:g} × down "
            "leaves no drop: give a smaller --step"
        )
    went = "failed" if last["failed"] else "survived"
    way = "down" if last["failed"] else "up"
    return multiple, f"{last['serial']} {went} at {last['multiple']:g} ×: one step {way}.", step


def _half_fail(results: list[dict[str, Any]]) -> dict[str, float | None] | None:
    """The multiple that half the parts fail at, by maximum likelihood; None while it is open."""
    failed = [result["failed"] for result in results]
    if all(failed) or not any(failed):
        return None
    fitted = staircase_fit(levels=[result["multiple"] for result in results], failed=failed)
    if not fitted.estimable:
        return None
    lower, upper = (limit if math.isfinite(limit) else None for limit in fitted.level_interval(0.5))
    return {"multiple": fitted.mean, "lower": lower, "upper": upper}


def _limit(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f} ×"
