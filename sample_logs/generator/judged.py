"""The flags that the records deserve, worked out from the records alone by the shop's limits.

A second, short reading of the rules of judgement, so that nothing is planted by accident.
"""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator
from decimal import Decimal

from generator import shop, traces
from generator.half_year import HalfYear
from generator.records import Record

Flag = tuple[str, ...]
GRAVITY = Decimal("9.80665")
TOLERANCE = Decimal("0.02")
DAMAGED = ("set", "delamination", "crack", "break")


def flags(half_year: HalfYear) -> set[Flag]:
    """Every flag but drift: its name, then what it is about."""
    model_of = {rim.serial: batch.model for batch in half_year.batches for rim in batch.rims}
    found: set[Flag] = set()
    for record in half_year.records:
        kind = record["kind"]
        if kind == "weighing":
            found |= set(_weight(record, model_of[record["serial"]]))
        elif kind == "runout":
            found |= set(_runout(record))
        elif kind == "finding":
            limit, _ = shop.FINDING_LIMITS[record["zone"], record["defect"]]
            if record["size_mm"] >= Decimal(limit):
                found.add(("finding", record["serial"]))
        elif kind == "balance" and _unbalance_gmm(record) > shop.BALANCE_LIMIT_GMM:
            found.add(("unbalance", record["serial"], record["stage"]))
        elif kind == "measurement" and not _within(record):
            found.add(("measurement-out", record.get("serial") or record["batch"]))
    found |= set(_impacts(half_year.of_kind("drop")))
    return found | set(_overdue(half_year)) | _suspect_gauges(half_year)


def bare_g(weighing: Record) -> Decimal:
    fitted: dict[str, int] = weighing.get("fitted", {})
    taken_off = sum((n * Decimal(shop.FITTED[code][0]) for code, n in fitted.items()), Decimal(0))
    gross: Decimal = weighing["gross_g"]
    return gross - taken_off


def claim_g(model: shop.Model, stage: str, day: dt.date) -> tuple[int, int]:
    """Claimed mass and band on a day."""
    if stage != "rim":
        return model.claimed_g + model.kit_g(stage), shop.WHEEL_BAND_G
    early = day < shop.TIGHTER_FROM
    return model.claimed_g, shop.OLD_RIM_BAND_G if early else shop.RIM_BAND_G


def _weight(weighing: Record, model: shop.Model) -> Iterator[Flag]:
    claimed, band = claim_g(model, weighing["stage"], weighing["taken_at"].date())
    off = bare_g(weighing) - claimed
    if abs(off) > band:
        way = "over" if off > 0 else "under"
        yield f"weight-{way}-claim", weighing["serial"], weighing["stage"]


def judged_mm(runout: Record) -> float:
    """What its limit judges: form on a bare rim, the indicator reading on a wheel."""
    if "tir_mm" in runout:
        return float(runout["tir_mm"])
    readings = runout["readings_mm"]
    return traces.form_mm(readings) if runout["stage"] == "rim" else float(traces.tir_mm(readings))


def runout_limit_mm(runout: Record) -> float:
    place = (runout["direction"], runout["stage"])
    return next(float(limit[2]) for limit in shop.RUNOUT_LIMITS if limit[:2] == place)


def _runout(runout: Record) -> Iterator[Flag]:
    if judged_mm(runout) > runout_limit_mm(runout):
        yield f"runout-{runout['direction']}", runout["serial"], runout["stage"]


def _unbalance_gmm(balance: Record) -> Decimal:
    product: Decimal = balance["residual_g"] * balance["radius_mm"]
    return product


def limits_of(measurement: Record) -> tuple[float, float]:
    """Lower and upper limit; exactly one entry covers each measurement of this shop."""
    (limit,) = (
        limit
        for limit in shop.LIMITS
        if limit["characteristic"] == measurement["characteristic"]
        and limit.get("stage", measurement.get("stage")) == measurement.get("stage")
    )
    lower, upper = limit.get("lower", "-inf"), limit.get("upper", "inf")
    return float(str(lower)), float(str(upper))


def _within(measurement: Record) -> bool:
    lower, upper = limits_of(measurement)
    return lower <= float(measurement["value"]) <= upper


def _impacts(drops: list[Record]) -> Iterator[Flag]:
    for test, survived, failed in impact_results(drops):
        if failed is not None and failed <= 1:
            yield "impact-below-standard", test[1], test[0]
        elif survived < _required(test[2]):
            yield "impact-incomplete" if failed is None else "impact-early", test[1], test[0]


def _required(protocol: str) -> Decimal:
    entry = next(entry for entry in shop.PROTOCOLS if entry["code"] == protocol)
    return Decimal(str(entry["required_multiple"]))


def impact_results(
    drops: list[Record],
) -> Iterator[tuple[tuple[str, str, str], Decimal, Decimal | None]]:
    """(test, serial, protocol), survived and failed multiple of every test."""
    tests: dict[tuple[str, str, str], list[Record]] = defaultdict(list)
    for drop in drops:
        tests[drop["test"], drop["serial"], drop["protocol"]].append(drop)
    for test, struck in tests.items():
        assert [drop["drop_no"] for drop in struck] == list(range(1, len(struck) + 1))
        borne = {position: Decimal(0) for position in shop.POSITIONS_DEG}
        failed = None
        for drop in struck:
            position = min(borne, key=lambda p: abs(p - drop["position_deg"]))
            assert abs(position - drop["position_deg"]) <= 3
            # the n-th hit at the standard, or the rung as it was set
            load = borne[position] + 1 if test[2] == shop.REPEAT else _load(drop)
            if drop["damage"] in DAMAGED or drop["lateral_change_mm"] > shop.CHANGE_LIMIT_MM:
                failed = load
                assert drop is struck[-1]
                break
            borne[position] = load
        # heights differ by a mm at most: what both positions bore is one rung
        yield test, min(borne.values()), failed


def _load(drop: Record) -> Decimal:
    energy_j = drop["striker_kg"] * GRAVITY * drop["height_mm"] / 1000
    load: Decimal = energy_j / shop.STANDARD_J
    return Decimal(1) if abs(load - 1) <= TOLERANCE else load


def _overdue(half_year: HalfYear) -> Iterator[Flag]:
    due = {gauge.code: gauge.due for gauge in shop.GAUGES}
    for record in half_year.records:
        gauge: str = record.get("gauge", "")
        if record["kind"] == "gauge-check":
            if record["check"] == "calibration" and _passes(record):
                due[gauge] = record["due"]
        elif gauge:
            limit = due[gauge]
            assert limit is not None
            if record["taken_at"].date() > limit:
                yield "gauge-overdue", gauge


def _passes(check: Record) -> bool:
    error = abs(Decimal(check["reading"]) - Decimal(check["nominal"]))
    return error <= Decimal(check["limit"])


def suspect(half_year: HalfYear) -> dict[str, list[str]]:
    """For each gauge that failed a check, the serials it measured since its last good one."""
    since_good: dict[str, list[str]] = defaultdict(list)
    found: dict[str, list[str]] = {}
    for record in half_year.records:
        gauge: str = record.get("gauge", "")
        if record["kind"] == "gauge-check":
            if not _passes(record):
                found[gauge] = since_good[gauge]
            since_good[gauge] = []
        elif gauge:
            since_good[gauge].append(record.get("serial") or record["batch"])
    return found


def _suspect_gauges(half_year: HalfYear) -> set[Flag]:
    return {("gauge-suspect", gauge) for gauge, serials in suspect(half_year).items() if serials}
