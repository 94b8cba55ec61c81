"""plants.json: the planted faults and the flags they must raise, for programs to read."""

import json
from typing import Any

from generator import catalog_file, chance, faults, judged, shop
from generator.batches import Batch
from generator.half_year import HalfYear
from generator.records import Record
from generator.scale_fault import LATERAL_RIM_LIMIT_MM

SEVERITY = {
    "impact-below-standard": "critical",
    "weight-over-claim": "major", "weight-under-claim": "major", "runout-lateral": "major",
    "impact-early": "major", "finding": "major", "gauge-overdue": "major",
    "gauge-suspect": "major",
}  # fmt: skip


def expected_flags(half_year: HalfYear) -> set[judged.Flag]:
    """Every flag but drift that the half year may raise, from what was planted."""
    heavy = half_year.batch(faults.HEAVY_BATCH)
    light = half_year.batch(faults.LIGHT_BATCH).serial(faults.LIGHT_NUMBER)
    void = half_year.batch(faults.VOID_BATCH).serial(faults.VOID_NUMBER)
    broken = half_year.fates[faults.BROKEN_BATCH].tests[0]
    weak = half_year.fates[faults.WEAK_BATCH].tests
    return {
        *(("weight-over-claim", rim.serial, "rim") for rim in heavy.rims),
        *(("runout-lateral", serial, "rim") for serial in _over_form_limit(half_year)),
        *(("impact-early", test.serial, test.code) for test in weak),
        ("impact-below-standard", broken.serial, broken.code),
        ("gauge-suspect", faults.SCALE),
        ("weight-under-claim", light, "rim"),
        ("gauge-overdue", "TM-1"),
        ("finding", void),
        ("weight-over-claim", _slip(half_year)["replacement"]["serial"], "front-wheel"),
    }


def _over_form_limit(half_year: HalfYear) -> list[str]:
    over = []
    for record in half_year.of_kind("runout"):
        if record["stage"] == "rim" and record["direction"] == "lateral":
            form = judged.judged_mm(record)
            assert abs(form - LATERAL_RIM_LIMIT_MM) > 0.001, "too close to the limit to plant"
            if form > LATERAL_RIM_LIMIT_MM:
                over.append(record["serial"])
    worn = {rim.serial for batch in _worn(half_year) for rim in batch.rims}
    assert set(over) <= worn
    return over


def _worn(half_year: HalfYear) -> list[Batch]:
    return [b for b in half_year.batches if b.factors["mould"] == faults.CREEP_MOULD]


def _slip(half_year: HalfYear) -> Record:
    (correction,) = half_year.of_kind("correction")
    return correction


def text(plants: dict[str, Any]) -> str:
    return json.dumps(plants, indent=1, default=str) + "\n"


def plants(half_year: HalfYear, expected: set[judged.Flag], files: int) -> dict[str, Any]:
    """Everything the list of faults says, as plain values."""
    entries = [table for table, _ in catalog_file.entries(half_year.batches)]
    tables = {table: entries.count(table) for table in dict.fromkeys(entries)}
    return {
        "maker": shop.MAKER,
        "seed": chance.SEED,
        "counts": {
            "records": half_year.counts(),
            "records_in_all": len(half_year.records),
            "catalog": {"site": 1, **tables},
            "catalog_in_all": 1 + len(entries),
            "log_files": files,
            "rims": len(half_year.of_kind("receipt")),
        },
        "plants": {
            "over_claim_batch": _heavy(half_year),
            "creeping_mould": _creep(half_year),
            "weak_batch": _impact(half_year, faults.WEAK_BATCH, len(faults.WEAK_HITS)),
            "failed_at_standard": _impact(half_year, faults.BROKEN_BATCH, 1),
            "scale_off": _scale(half_year),
            "light_part": _light(half_year),
            "gauge_overdue": _overdue(half_year),
            "large_void": _void(half_year),
            "typing_slip": _typing_slip(half_year),
        },
        "flags": [_flag(half_year, flag) for flag in sorted(expected)],
        "drift": _drift(half_year),
        "events": _events(half_year),
    }


def _flag(half_year: HalfYear, flag: judged.Flag) -> dict[str, Any]:
    name, subject, *place = flag
    entry: dict[str, Any] = {"flag": name, "severity": SEVERITY[name]}
    entry["gauge" if name.startswith("gauge-") else "serial"] = subject
    if place:
        entry["test" if name.startswith("impact-") else "stage"] = place[0]
    entry["followed_by"] = _followed_by(half_year, name, subject)
    return entry


def _followed_by(half_year: HalfYear, name: str, subject: str) -> str | None:
    """What was done about it later in the logs: a correction, a decision, a calibration."""
    if subject == _slip(half_year)["replacement"]["serial"]:
        return "correction"
    if name == "gauge-overdue":
        return "calibration"
    decided = [d["decision"] for d in half_year.of_kind("disposition")
               if d.get("serial") == subject]  # fmt: skip
    return decided[-1] if decided else None


def _heavy(half_year: HalfYear) -> dict[str, Any]:
    batch = half_year.batch(faults.HEAVY_BATCH)
    later = [b.code for b in half_year.batches
             if b.factors["resin_lot"] == faults.HEAVY_LOT and b is not batch]  # fmt: skip
    return {
        "model": batch.model.code, "batch": batch.code, "stage": "rim",
        "serials": [rim.serial for rim in batch.rims],
        "resin_lot": faults.HEAVY_LOT, "later_batches": later,
        "shift_g": faults.HEAVY_SHIFT_G, "first_batch_shift_g": faults.HEAVY_FIRST_G,
    }  # fmt: skip


def _creep(half_year: HalfYear) -> dict[str, Any]:
    worn = _worn(half_year)
    return {
        "model": faults.CREEP_MODEL, "mould": faults.CREEP_MOULD, "stage": "rim",
        "characteristic": "form-lateral", "batches": [batch.code for batch in worn],
        "first_level_mm": 0.2, "last_level_mm": round(0.2 + faults.CREEP_RISE_MM, 3),
        "limit_mm": LATERAL_RIM_LIMIT_MM, "over_limit": _over_form_limit(half_year),
    }  # fmt: skip


def _impact(half_year: HalfYear, code: str, planted: int) -> dict[str, Any]:
    results = {test[0]: (survived, failed)
               for test, survived, failed in judged.impact_results(half_year.of_kind("drop"))
               }  # fmt: skip
    tests = [
        {"test": test.code, "serial": test.serial,
         "survived": int(results[test.code][0]), "failed": int(results[test.code][1] or 0) or None}
        for test in half_year.fates[code].tests
    ]  # fmt: skip
    batch = half_year.batch(code)
    return {
        "model": batch.model.code, "batch": code, "protocol": shop.REPEAT,
        "fibre_lot": batch.factors["fibre_lot"],
        "tests": tests[:planted], "sound_tests": tests[planted:],
    }  # fmt: skip


def _scale(half_year: HalfYear) -> dict[str, Any]:
    off = half_year.off
    checks = [check for check in half_year.of_kind("gauge-check")
              if check["gauge"] == faults.SCALE]  # fmt: skip
    failed = next(i for i, check in enumerate(checks) if "note" in check)
    suspect = judged.suspect(half_year)[faults.SCALE]
    assert sorted(suspect) == sorted([*off.again, *off.not_again])
    good, bad, again = (checks[failed + n]["taken_at"].isoformat() for n in (-1, 0, 1))
    return {
        "gauge": faults.SCALE, "off_g": faults.SCALE_OFF_G,
        "last_good_check": good, "failed_check": bad, "passed_again": again,
        "batches": [off.first.code, off.second.code],
        "measured_again": list(off.again), "not_measured_again": list(off.not_again),
    }  # fmt: skip


def _light(half_year: HalfYear) -> dict[str, Any]:
    batch = half_year.batch(faults.LIGHT_BATCH)
    serial = batch.serial(faults.LIGHT_NUMBER)
    weighing = next(w for w in half_year.of_kind("weighing") if w["serial"] == serial)
    return {"model": batch.model.code, "batch": batch.code, "serial": serial, "stage": "rim",
            "bare_g": float(weighing["gross_g"]), "claimed_g": batch.model.claimed_g}  # fmt: skip


def _overdue(half_year: HalfYear) -> dict[str, Any]:
    days = [
        record["taken_at"].date()
        for record in half_year.of_kind("measurement")
        if record["gauge"] == "TM-1"
        and shop.TENSION_METER_DUE < record["taken_at"].date() < shop.TENSION_METER_BACK
    ]
    return {"gauge": "TM-1", "due": shop.TENSION_METER_DUE, "first_used_after": min(days),
            "calibrated_again": shop.TENSION_METER_BACK, "readings": len(days)}  # fmt: skip


def _void(half_year: HalfYear) -> dict[str, Any]:
    serial = half_year.batch(faults.VOID_BATCH).serial(faults.VOID_NUMBER)
    return {"serial": serial, "zone": "sidewall", "defect": "void",
            "size_mm": float(faults.VOID_MM), "limit_mm": 5}  # fmt: skip


def _typing_slip(half_year: HalfYear) -> dict[str, Any]:
    right = _slip(half_year)["replacement"]
    return {
        "serial": right["serial"], "stage": right["stage"], "record_id": right["record_id"],
        "typed_g": float(right["gross_g"] + faults.SLIP_BY_G), "right_g": float(right["gross_g"]),
    }  # fmt: skip


def _drift(half_year: HalfYear) -> dict[str, Any]:
    """Streams that must signal, and those that may because of the same faults.

    The cause sets in at batch `since`; a signal that must come comes at batch `by` at the latest.
    """
    heavy, creep = faults.HEAVY_MODEL, faults.CREEP_MODEL
    worn = _worn(half_year)

    def stream(
        model: str, stage: str, characteristic: str, since: str, by: str | None = None
    ) -> dict[str, str]:
        entry = {"model": model, "stage": stage, "characteristic": characteristic, "since": since}
        return entry | ({"by": by} if by else {})

    wheels_since = f"{heavy}-{faults.HEAVY_FROM + 1}"
    return {
        "must": [
            stream(heavy, "rim", "bare-mass", faults.HEAVY_BATCH, faults.HEAVY_BATCH),
            stream(creep, "rim", "form-lateral", worn[0].code, worn[-1].code),
        ],
        "may": [
            *(stream(heavy, stage, "bare-mass", wheels_since) for stage in shop.WHEELS),
            stream(creep, "rim", "tir-lateral", worn[0].code),
            stream(creep, "rim", "bare-mass", faults.LIGHT_BATCH),
            stream("65R", "rim", "survived-multiple", faults.WEAK_BATCH),
            stream("35R", "rim", "survived-multiple", faults.BROKEN_BATCH),
        ],
    }


def _events(half_year: HalfYear) -> dict[str, Any]:
    """Decisions and movements that are no faults."""
    decisions = half_year.of_kind("disposition")
    held = [d for d in decisions if d["decision"] == "hold"]
    released = [d["batch"] for d in decisions if d["decision"] == "release"]
    return {
        "batches_held": [d["batch"] for d in held if d.get("batch") and d["batch"] not in released],
        "batches_released": released,
        "parts_held": [d["serial"] for d in held if d.get("serial")],
        "scrapped": sum(d["decision"] == "scrap" for d in decisions),
        "concession": [d["serial"] for d in decisions if d["decision"] == "concession"],
        "shipped": [s["serial"] for s in half_year.of_kind("shipment")],
        "returned": [r["serial"] for r in half_year.of_kind("customer-return")],
    }
