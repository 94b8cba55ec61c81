"""What must hold before anything is written: the planted faults and nothing beside them."""

import datetime as dt
from collections import defaultdict
from statistics import fmean, stdev

from generator import faults, judged, shop
from generator.half_year import HalfYear
from generator.hours import CLOSING, LAST_DAY, WORKING_DAYS
from generator.records import Record

FROM_LIMIT_SD = 4.0


def hold(half_year: HalfYear, expected: set[judged.Flag]) -> None:
    """Raises `AssertionError` where the half year is not as its README says."""
    found = judged.flags(half_year)
    assert found == expected, f"not planted: {found - expected}; missing: {expected - found}"
    _serials_are_unique(half_year)
    _times_make_sense(half_year)
    _nothing_ships_that_must_not(half_year, found)
    _sound_values_keep_their_distance(half_year, found)


def _serials_are_unique(half_year: HalfYear) -> None:
    received = [record["serial"] for record in half_year.of_kind("receipt")]
    made = [rim.serial for batch in half_year.batches for rim in batch.rims]
    assert sorted(received) == sorted(made)
    assert len(set(made)) == len(made)


def _times_make_sense(half_year: HalfYear) -> None:
    """Made, received, measured, struck or built, shipped; within working hours."""
    made_on = {rim.serial: b.made_on for b in half_year.batches for rim in b.rims}
    seen: dict[str, list[Record]] = defaultdict(list)
    for record in half_year.records:
        moment = record["taken_at"]
        assert moment.date() in WORKING_DAYS
        assert moment.date() <= LAST_DAY
        assert dt.time(8) <= moment.time() <= CLOSING
        seen[record.get("serial", "")].append(record)
    del seen[""]
    for serial, records in seen.items():
        kinds = [record["kind"] for record in records]
        assert kinds[0] == "receipt"
        assert made_on[serial] < records[0]["taken_at"].date()
        first = {kind: kinds.index(kind) for kind in kinds}
        for later in ("drop", "build", "shipment"):
            if later in first:
                assert {"weighing", "runout", "inspection"} <= set(kinds[: first[later]])
        if "drop" in first:
            assert "shipment" not in first
            assert records[-1]["kind"] == "drop" or records[-1]["decision"] == "scrap"
        if "shipment" in first:
            assert set(kinds[first["shipment"] :]) <= {"shipment", "customer-return", "disposition"}


def _nothing_ships_that_must_not(half_year: HalfYear, found: set[judged.Flag]) -> None:
    shipped = {record["serial"] for record in half_year.of_kind("shipment")}
    slip = {record["replacement"]["serial"] for record in half_year.of_kind("correction")}
    flagged = {name for flag in found for name in flag[1:]}
    assert not shipped & (flagged | slip | set(half_year.off.not_again))
    held = {
        record["batch"]
        for record in half_year.of_kind("disposition")
        if record["decision"] == "hold" and "batch" in record
    }
    assert not [serial for serial in shipped if serial.rpartition("-")[0] in held]


def _sound_values_keep_their_distance(half_year: HalfYear, found: set[judged.Flag]) -> None:
    """Of what carries no flag, each stream's mean is four standard deviations from its limits."""
    flagged = {flag[1] for flag in found}
    key: tuple[str, ...]
    streams: dict[tuple[str, ...], list[tuple[float, float, float]]] = defaultdict(list)
    for record in half_year.records:
        serial = record.get("serial") or record.get("batch", "")
        model = serial.partition("-")[0]
        if serial in flagged or _is_worn_mould(half_year, serial):
            continue
        if record["kind"] == "weighing":
            day = record["taken_at"].date()
            claimed, band = judged.claim_g(shop.MODEL[model], record["stage"], day)
            off = float(judged.bare_g(record)) - claimed
            heavy = str(_factor(half_year, serial, "resin_lot") == faults.HEAVY_LOT)
            streams["mass", model, record["stage"], heavy].append((off, -band, band))
        elif record["kind"] == "runout":
            limit = judged.runout_limit_mm(record)
            key = ("runout", model, record["stage"], record["direction"], record.get("side", ""))
            streams[key].append((judged.judged_mm(record), float("-inf"), limit))
        elif record["kind"] == "measurement":
            lower, upper = judged.limits_of(record)
            key = (record["characteristic"], model, record.get("stage", ""))
            streams[key].append((float(record["value"]), lower, upper))
    for key, values in streams.items():
        mean, sd = fmean(v for v, _, _ in values), stdev(v for v, _, _ in values)
        for _, lower, upper in values:
            room = min(mean - lower, upper - mean) / sd
            assert room >= FROM_LIMIT_SD, f"{key}: a limit only {room:.1f} sd from the mean"


def _factor(half_year: HalfYear, serial: str, name: str) -> object:
    code = serial.rpartition("-")[0] if serial.count("-") == 2 else serial
    return half_year.batch(code).factors[name] if code else None


def _is_worn_mould(half_year: HalfYear, serial: str) -> bool:
    return _factor(half_year, serial, "mould") == faults.CREEP_MOULD
