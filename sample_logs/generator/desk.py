"""The quality desk: holds, releases, scrap, a concession, a correction, shipments, a return."""

import datetime as dt
from collections.abc import Callable

from generator import faults
from generator.batches import Batch
from generator.chance import stream
from generator.fates import Fate
from generator.hours import Clock, after
from generator.records import Record, record
from generator.scale_fault import ScaleFault
from generator.shop import WHEELS
from generator.wheel_bench import built_on

DESK, OPENS, INSPECTOR = "desk", dt.time(17, 0), "I3"
SHIPPED_AFTER_DAYS, RETURNED_ON = 7, dt.date(2026, 10, 6)
Write = Callable[..., None]


def records(
    batches: list[Batch], fates: dict[str, Fate], off: ScaleFault, weighings: list[Record]
) -> list[Record]:
    """Everything the desk wrote, in order of time."""
    todo: list[tuple[dt.date, str, dict[str, object]]] = []

    def write(day: dt.date, kind: str, **fields: object) -> None:
        todo.append((day, kind, fields))

    by_code = {batch.code: batch for batch in batches}
    _scrap(fates, write)
    _holds(by_code, fates, off, write)
    shipped = _shipments(batches, fates, write)
    _return(shipped, write)
    _correction(by_code[faults.SLIP_BATCH], fates, weighings, write)
    todo.sort(key=lambda item: item[0])
    clock = Clock(OPENS, stream("desk clock"))
    return [record(kind, clock.tick(day, 90), DESK, INSPECTOR, **f) for day, kind, f in todo]


def _scrap(fates: dict[str, Fate], write: Write) -> None:
    for code, fate in fates.items():
        for test in fate.tests:
            # those that failed wait for the engineer, to be cut open
            if code == faults.WEAK_BATCH or test is fates[faults.BROKEN_BATCH].tests[0]:
                continue
            write(after(test.day, 1), "disposition", serial=test.serial, decision="scrap",
                  reason=f"struck on the drop rig, test {test.code}")  # fmt: skip


def _holds(
    by_code: dict[str, Batch], fates: dict[str, Fate], off: ScaleFault, write: Write
) -> None:
    def decide(day: dt.date, decision: str, reason: str, **what: object) -> None:
        write(day, "disposition", decision=decision, reason=reason, **what)

    heavy, light = by_code[faults.HEAVY_BATCH], by_code[faults.LIGHT_BATCH]
    void = by_code[faults.VOID_BATCH]
    decide(heavy.received_on, "hold", "all rims over their claim", batch=heavy.code)
    decide(light.received_on, "hold", "far too light: to be cut open",
           serial=light.serial(faults.LIGHT_NUMBER))  # fmt: skip
    decide(off.found_off, "hold", "scale found off; rims wait to be weighed again",
           batch=off.second.code)  # fmt: skip
    for code in (faults.WEAK_BATCH, faults.BROKEN_BATCH):
        first = fates[code].tests[0].day
        decide(first, "hold", "impact test failed early; more rims to be struck", batch=code)
    sound = fates[faults.BROKEN_BATCH].tests[-1].day
    decide(sound, "release", "three more rims bore the required hits; the first is to be cut open",
           batch=faults.BROKEN_BATCH)  # fmt: skip
    decide(after(void.received_on, 1), "concession", "void clear of the spoke holes, shop use only",
           serial=void.serial(faults.VOID_NUMBER), quantity=1,
           until=dt.date(2026, 12, 31))  # fmt: skip


def _shipments(batches: list[Batch], fates: dict[str, Fate], write: Write) -> list[str]:
    """One pair of every third batch, one bare rim of every fifth; gives the serials."""
    shipped: list[str] = []
    order = 0
    for batch in batches:
        fate, day = fates[batch.code], after(batch.received_on, SHIPPED_AFTER_DAYS)
        if not fate.pairs:
            continue  # held, or waiting
        leaving: list[tuple[str, ...]] = [fate.pairs[-1]] if batch.index % 3 == 1 else []
        leaving += [(fate.kept[0],)] if batch.index % 5 == 2 and fate.kept else []
        for parts in leaving:
            order += 1
            for serial in parts:
                write(day, "shipment", serial=serial, order=f"O-26-{order:04d}",
                      to=f"C-{100 + order * 37 % 53}")  # fmt: skip
            shipped += parts
    return shipped


def _return(shipped: list[str], write: Write) -> None:
    """An early shipment comes back."""
    serial = shipped[1]
    write(RETURNED_ON, "customer-return", serial=serial, distance_km=1840,
          reason="hit a pothole; rider asks whether it can be ridden on")  # fmt: skip
    write(RETURNED_ON, "disposition", serial=serial, decision="hold",
          reason="back from a customer after an impact")  # fmt: skip


def _correction(
    batch: Batch, fates: dict[str, Fate], weighings: list[Record], write: Write
) -> None:
    serial = fates[batch.code].pairs[0][WHEELS.index("front-wheel")]
    typed = next(w for w in weighings if w["serial"] == serial and w["stage"] == "front-wheel")
    mended = typed | {"gross_g": typed["gross_g"] - faults.SLIP_BY_G}
    write(built_on(batch), "correction", of=typed["record_id"],
          reason="typing slip: the scale showed 100 g less", replacement=mended)  # fmt: skip
