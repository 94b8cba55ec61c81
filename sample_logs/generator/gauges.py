"""Gauge checks: calibrations, and what is checked in the morning before the benches open."""

import datetime as dt
from collections.abc import Iterator

from generator import drop_rig, faults, rim_bench, wheel_bench
from generator.chance import normal, stream
from generator.fates import Fate
from generator.hours import FIRST_DAY, WORKING_DAYS, after, at
from generator.records import Record, read, record
from generator.scale_fault import ScaleFault
from generator.shop import (
    GAUGE,
    GAUGES,
    TENSION_METER_BACK,
    TENSION_METER_DUE,
    YEAR_ON,
    Gauge,
)

MONDAY = 0


def records(fates: dict[str, Fate], last_day: dt.date, off: ScaleFault) -> list[Record]:
    """All checks up to the last day of work."""
    struck = {test.day for fate in fates.values() for test in fate.tests}
    made = [_check(gauge, at(FIRST_DAY, 10, 4 * i), "calibration", due=gauge.due
                   or TENSION_METER_DUE)
            for i, gauge in enumerate(GAUGES) if gauge.reference]  # fmt: skip
    for day in WORKING_DAYS[1 : WORKING_DAYS.index(last_day) + 1]:
        made += _morning(day, struck, off)
    return made


def _morning(day: dt.date, struck: set[dt.date], off: ScaleFault) -> Iterator[Record]:
    unchecked = {after(off.last_good, n) for n in (1, 2)}
    for i, gauge in enumerate(GAUGES):
        moment = at(day, 8, 2 * i + 1)
        if gauge.code == faults.SCALE and day == off.found_off:
            yield from _found_off(gauge, moment)
        elif gauge.code == "TM-1" and day == TENSION_METER_BACK:
            yield _check(gauge, moment, "calibration", due=dt.date(2027, 4, 14))
        elif _is_due(gauge, day, struck) and not (gauge.code == faults.SCALE and day in unchecked):
            yield _check(gauge, moment, "daily")


def _is_due(gauge: Gauge, day: dt.date, struck: set[dt.date]) -> bool:
    if gauge.code == "TM-1":
        return day.weekday() == MONDAY
    if gauge.code == "RG-1":
        return day in struck
    return gauge.code[:2] in {"SC", "DI"}


def _found_off(gauge: Gauge, moment: dt.datetime) -> Iterator[Record]:
    yield _check(gauge, moment, "daily", off=faults.SCALE_OFF_G) | {
        "note": "reads high: out of use until adjusted; no check on the two mornings before"
    }
    due = YEAR_ON.replace(month=moment.month)
    mended = moment.replace(hour=10, minute=30)
    yield _check(gauge, mended, "calibration", found="as-left", due=due)


def _check(
    gauge: Gauge, moment: dt.datetime, check: str, *,
    found: str = "as-found", due: dt.date | None = None, off: float = 0.0,
) -> Record:  # fmt: skip
    limit = gauge.calibration_limit if check == "calibration" else gauge.daily_limit
    error = normal(stream("check", gauge.code, moment), float(GAUGE[gauge.code].u) / 2)
    return record(
        "gauge-check", moment, gauge.station, _who(gauge, moment.date()),
        gauge=gauge.code, check=check, found=found, reference=gauge.reference,
        nominal=gauge.nominal, limit=limit, due=due,
        reading=read(float(gauge.nominal) + error + off, gauge.resolution),
    )  # fmt: skip


def _who(gauge: Gauge, day: dt.date) -> str:
    if gauge.station == "drop-rig":
        return drop_rig.INSPECTOR
    at_rims = gauge.station == "rim-bench"
    return rim_bench.inspector(day) if at_rims else wheel_bench.inspector(day)
