"""What the record of a part states: every figure and word of it, row by row, as it is printed."""

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Inspector
from qc.catalog.units import unit
from qc.errors import RimqcError
from qc.figures.words import amount, characteristic_name, signed, stage_name
from qc.judgement.gauges import passes
from qc.judgement.part import Judged
from qc.judgement.readings import Quantity
from qc.judgement.standing import not_looked_at_since, reasons_against
from qc.records.kinds import GaugeCheck
from qc.reports.as_of import AsOf, finals
from qc.reports.evidence import evidence
from qc.reports.page import clock
from qc.views.entry_part import limits_of, verdict_of
from qc.views.plain import number

Row = tuple[str, ...]
WORDS = {
    "conforms": "✓ conforms",
    "does-not-conform": "✕ does not conform",
    "undecided": "? too near the limit to tell",
    "": "no limit",
}
_SHOWN_ELSEWHERE = ("survived-multiple", "bare-mass")
_WITHOUT_GAUGE = ("unbalance", "findings-per-part")


class Stated(NamedTuple):
    """A part's record: rows of cells as printed, by section; the first cell names its row.

    `reasons` says why the part may not leave, and is empty where it may.
    """

    serial: str
    model: str
    batch: str
    struck: bool
    reasons: tuple[str, ...]
    sections: Mapping[str, Sequence[Row]]


def stated(then: AsOf, serial: str) -> Stated:
    """The record of a part as of a place in the journal.

    RimqcError for a part of which nothing, or no receipt, was recorded by then.
    """
    part, held = then.part(serial)
    if part.model is None or part.batch is None:
        raise RimqcError(
            f"part {serial}: no receipt says its model and batch, so there is no record to print; "
            "import its receipt first"
        )
    struck = then.struck(part.batch)
    whole, decisions = then.batch(part.batch, struck)
    records = finals(held)
    reasons = reasons_against(part.standing, whole, received=True)
    if not_looked_at_since(decisions, records):
        reasons.append("its batch was reworked: it wants a new inspection")
    found = sorted(part.quantities, key=lambda q: (q.at, q.stage, q.characteristic))
    masses = [q for q in found if q.characteristic == "bare-mass"]
    others = _told_once(then.catalog, part, found)
    release: list[Row] = [("Release", "may leave")]
    sections = {
        "part": _part(then.catalog, serial, part),
        "release": _numbered("Not released", reasons) or release,
        "mass": [_mass(then.catalog, part.model, q) for q in masses],
        "other": list(others.values()),
        "measured": [_measured(then, q) for q in (*masses, *others)],
        "impact": evidence(then, struck),
    }
    return Stated(serial, part.model, part.batch, part.standing.struck, tuple(reasons), sections)


def _numbered(name: str, said: Sequence[str]) -> list[Row]:
    return [(f"{name} {i}", reason) for i, reason in enumerate(said, 1)]


def _part(catalog: Catalog, serial: str, part: Judged) -> list[Row]:
    entry = catalog.batch(part.batch or "")
    rows: list[Row] = [
        ("Serial", serial),
        ("Model", part.model or ""),
        ("Batch", (part.batch or "") + (f", made on {entry.made_on}" if entry else "")),
    ]
    return [*rows, ("Grade", part.standing.grade)] if part.standing.grade else rows


def _name(found: Quantity) -> str:
    """`front-wheel`, `tir-lateral` as "Front wheel: lateral run-out (TIR)"."""
    stage = stage_name(found.stage) if found.stage else "part"
    return f"{stage}: {characteristic_name(found.characteristic)}".capitalize().replace(
        "tir", "TIR"
    )


def _mass(catalog: Catalog, model: str, found: Quantity) -> Row:
    """Mass, standard and expanded uncertainty (k = 2), claim, difference, verdict.

    The uncertainty is given to two significant digits and the mass to the same place
    (JCGM 100:2008, 7.2.6).
    """
    u = found.u or 0.0
    places = 1 if not u else min(3, max(0, 1 - math.floor(math.log10(2 * u))))
    claim = catalog.claim(model, found.stage, catalog.local_day(found.at))
    claimed, off = "no claim", "–"
    if claim:
        claimed = f"{amount(number(claim.claimed_g), 'g')} +{claim.over_g}/−{claim.under_g}"
        away = round(float(found.value - claim.claimed_g), places)
        off = f"{'+' if away > 0 else '−' if away < 0 else '±'}{abs(away):.{places}f} g"
    sure = (f"{u:.{places}f} g", f"{2 * u:.{places}f} g") if found.u is not None else ("–", "–")
    mass = f"{found.value:.{places}f} g"
    return (
        stage_name(found.stage).capitalize(),
        mass,
        *sure,
        claimed,
        off,
        _judged(found.verdict, found),
    )


def _judged(verdict: str, found: Quantity) -> str:
    return WORDS[verdict] + ("; in doubt: the gauge was found off" if found.suspect else "")


def _told_once(catalog: Catalog, part: Judged, found: Sequence[Quantity]) -> dict[Quantity, Row]:
    """All other values with their rows; of TIR and form of one turn the one that has a limit."""
    rows = {q: _other(catalog, part, q) for q in found if q.characteristic not in _SHOWN_ELSEWHERE}
    judged = {(q.stage, q.characteristic) for q, row in rows.items() if row[2] != "–"}
    turned = {"tir": "form", "form": "tir"}

    def spare(q: Quantity) -> bool:
        of, _, direction = q.characteristic.partition("-")
        sibling = (q.stage, f"{turned.get(of)}-{direction}")
        return of in turned and rows[q][2] == "–" and sibling in judged

    return {q: row for q, row in rows.items() if not spare(q)}


def _other(catalog: Catalog, part: Judged, found: Quantity) -> Row:
    """A value, what it may be, verdict."""
    of, in_unit = found.characteristic, unit(catalog, found.characteristic)
    value = number(found.value)
    row = {name: getattr(found, name) for name in ("characteristic", "stage", "at", "verdict")} | {
        "model": part.model,
        "value": value,
    }
    typed = not any(
        q.stage == found.stage and q.characteristic == of.replace("tir-", "form-")
        for q in part.quantities
    )
    limits = limits_of(catalog, row, typed)
    flags = [
        {"flag": v.flag, "stage": v.stage, "characteristic": v.characteristic}
        for flag in part.flags
        if flag.closed_at is None
        for v in [flag.verdict]
    ]
    ends = {end: amount(limits[end], in_unit) for end in ("lower", "upper")
            if limits.get(end) is not None}  # fmt: skip
    words = {"lower": "at least", "upper": "at most"}
    within = " to ".join(ends.values()) if len(ends) == 2 else "".join(
        f"{words[end]} {value}" for end, value in ends.items()
    )  # fmt: skip
    verdict = verdict_of(row, limits, flags)
    return (_name(found), amount(value, in_unit), within or "–", _judged(verdict, found))


def _measured(then: AsOf, found: Quantity) -> Row:
    """When, by whom, where, with which gauge, and that gauge's last good calibration before."""
    names = {entry.code: entry.name for entry in then.catalog.entries(Inspector)}
    who = names.get(found.inspector, "")
    who = f"{who} ({found.inspector})" if who else found.inspector or "several"
    when = clock(found.at, then.catalog.zone)
    gauge = "–" if found.characteristic in _WITHOUT_GAUGE else found.gauge or "several"
    return (_name(found), when, who, found.station or "several", gauge, _calibration(then, found))


def _calibration(then: AsOf, found: Quantity) -> str:
    if not found.gauge:
        return "–"
    passed = [
        check
        for check in finals(then.checks.get(found.gauge, []))
        if isinstance(check, GaugeCheck)
        and (check.gauge, check.check) == (found.gauge, "calibration")
        and passes(check)
        and check.taken_at <= found.at
    ]
    if not passed:
        return "none on record before this reading"
    last = max(passed, key=lambda check: (check.taken_at, check.record_id))
    due = f", due {last.due}" if last.due else ""
    day = then.catalog.local_day(last.taken_at)
    return f"{day} against {last.reference}, {_off(then, last)}{due}"


def _off(then: AsOf, check: GaugeCheck) -> str:
    gauge = then.catalog.gauge(check.gauge)
    return f"off by {signed(float(check.reading - check.nominal), gauge.unit if gauge else '')}"
