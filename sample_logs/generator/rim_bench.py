"""The rim bench: receipt, scale, run-out stand, tapes and callipers, inspection."""

import datetime as dt

from generator import faults, traces
from generator.batches import Batch, Rim
from generator.chance import levels, normal, spread, stream
from generator.hours import Clock, at
from generator.records import Record, read, record
from generator.scale_fault import ScaleFault
from generator.shop import BATCHES_PER_MODEL, FINDING_LIMITS, GAUGE, Model, zones

BENCH, OPENS = "rim-bench", dt.time(8, 30)
FINDINGS_PER_PART = 0.3
SIZED_PER_BATCH = 3


def inspector(day: dt.date) -> str:
    """Two people take the rim bench and the wheel bench in turn, day by day."""
    return ("I1", "I2")[day.toordinal() % 2]


def records(batches: list[Batch], off: ScaleFault) -> list[Record]:
    """Everything the rim bench wrote."""
    clock = Clock(OPENS, stream("rim bench clock"))
    sizes = {code: _size_levels(batch.model) for batch in batches for code in [batch.model.code]}
    made: list[Record] = []
    for batch in batches:
        made += _receipts(batch, clock)
        made += _weighings(batch, off, clock)
        for rim in batch.rims:
            made += _runouts(batch, rim, clock)
        made += _sizes(batch, sizes[batch.model.code][batch.index], clock)
        made += _looks(batch, clock)
        if batch.received_on == off.found_off:
            clock.not_before(at(off.found_off, 14, 0))
            made += _weighed_again(batches, off, clock)
    return made


def _receipts(batch: Batch, clock: Clock) -> list[Record]:
    day = batch.received_on
    return [
        record("receipt", clock.tick(day, 20), BENCH, inspector(day),
               serial=rim.serial, model=batch.model.code, batch=batch.code)
        for rim in batch.rims
    ]  # fmt: skip


def _weighing(rim: Rim, day: dt.date, gauge: str, off_g: float, clock: Clock) -> Record:
    rng = stream("weighing", rim.serial, gauge)
    shown = read(rim.mass_g + off_g + normal(rng, 0.04), GAUGE[gauge].resolution)
    return record("weighing", clock.tick(day, 40), BENCH, inspector(day),
                  serial=rim.serial, stage="rim", gauge=gauge, gross_g=shown)  # fmt: skip


def _weighings(batch: Batch, off: ScaleFault, clock: Clock) -> list[Record]:
    day = batch.received_on
    gauge = "SC-1" if day == off.found_off else batch.model.scale
    off_g = faults.SCALE_OFF_G if off.covers(gauge, day) else 0.0
    room_c = read(19.5 + normal(stream("room", day), 1.0), "0.5")
    return [{**_weighing(rim, day, gauge, off_g, clock), "room_c": room_c} for rim in batch.rims]


def _weighed_again(batches: list[Batch], off: ScaleFault, clock: Clock) -> list[Record]:
    rims = [rim for batch in batches for rim in batch.rims if rim.serial in off.again]
    note = f"again, after {faults.SCALE} was found off"
    return [{**_weighing(rim, off.found_off, "SC-1", 0.0, clock), "note": note} for rim in rims]


def _runouts(batch: Batch, rim: Rim, clock: Clock) -> list[Record]:
    day, rng = batch.received_on, stream("runout", rim.serial)
    eccentric = 0.08 + normal(rng, 0.015)
    return [
        record("runout", clock.tick(day, 80), BENCH, inspector(day), serial=rim.serial,
               stage="rim", gauge="DI-1", direction=direction,
               readings_mm=traces.bare_rim(rng, form, eccentric))
        for direction, form in (("lateral", rim.form_lateral_mm), ("radial", rim.form_radial_mm))
    ]  # fmt: skip


def _sizes_of(model: Model) -> tuple[str, str, float, float, float]:
    """Characteristic, gauge, level, batch to batch, part to part."""
    if model.tyre == "tubular":
        return "tyre-bed-width", "CL-1", 25.0, 0.02, 0.03
    return "bead-seat-circumference", "TP-1", 1954.1, 0.06, 0.08


def _size_levels(model: Model) -> list[tuple[float, float]]:
    """For each batch its size and the strength of its witness laminate."""
    _, _, level, between, _ = _sizes_of(model)
    size = levels(stream("size", model.code), BATCHES_PER_MODEL, between)
    strength = levels(stream("strength", model.code), BATCHES_PER_MODEL, 1.2)
    return [(level + a, 68 + b) for a, b in zip(size, strength, strict=True)]


def _sizes(batch: Batch, level: tuple[float, float], clock: Clock) -> list[Record]:
    day, rng = batch.received_on, stream("sizes", batch.code)
    characteristic, gauge, _, _, within = _sizes_of(batch.model)
    made = [
        record("measurement", clock.tick(day, 90), BENCH, inspector(day), serial=rim.serial,
               characteristic=characteristic, gauge=gauge, stage="rim",
               value=read(level[0] + deviation, GAUGE[gauge].resolution))
        for rim, deviation in zip(
            rng.sample(batch.rims, SIZED_PER_BATCH), spread(rng, SIZED_PER_BATCH, within),
            strict=True)
    ]  # fmt: skip
    strength = record("measurement", clock.tick(day, 240), BENCH, inspector(day),
                      batch=batch.code, characteristic="short-beam-strength", gauge="LF-1",
                      value=read(level[1], "0.1"))  # fmt: skip
    return [*made, strength]


def _looks(batch: Batch, clock: Clock) -> list[Record]:
    """Every rim is looked at, every fourth tapped too; some show small things within limits."""
    day, rng = batch.received_on, stream("looks", batch.code)
    found = _found_on(batch)
    made = []
    for rim in batch.rims:
        seen = found.get(rim.serial, [])
        made.append(
            record("inspection", clock.tick(day, 150), BENCH, inspector(day), serial=rim.serial,
                   stage="rim", method="visual", zones=zones(batch.model),
                   result="findings" if seen else "clean")
        )  # fmt: skip
        for zone, defect, size_mm in seen:
            made.append(
                record("finding", clock.tick(day, 30), BENCH, inspector(day), serial=rim.serial,
                       zone=zone, defect=defect, angle_deg=read(360 * rng.random(), "5"),
                       size_mm=size_mm)
            )  # fmt: skip
        if rim.number % 4 == 0:
            made.append(
                record("inspection", clock.tick(day, 60), BENCH, inspector(day),
                       serial=rim.serial, stage="rim", method="tap",
                       zones=["sidewall", "spoke-bed"], result="clean")
            )  # fmt: skip
    return made


def _found_on(batch: Batch) -> dict[str, list[tuple[str, str, object]]]:
    """Zone, defect and size in mm of what is found on some of the rims."""
    rng = stream("findings", batch.code)
    kinds = [pair for pair in FINDING_LIMITS if pair[0] in zones(batch.model)]
    # the share of rims hardly changes from batch to batch
    count = int(FINDINGS_PER_PART * len(batch.rims) + rng.random())
    found: dict[str, list[tuple[str, str, object]]] = {}
    for rim in rng.sample(batch.rims, count):
        zone, defect = rng.choice(kinds)
        limit = float(FINDING_LIMITS[zone, defect][0])
        found[rim.serial] = [(zone, defect, read(limit * (0.2 + 0.5 * rng.random()), "0.1"))]
    if batch.code == faults.VOID_BATCH:
        serial = batch.serial(faults.VOID_NUMBER)
        found[serial] = [("sidewall", "void", read(float(faults.VOID_MM), "0.1"))]
    return found
