"""Other measurements, findings and unbalance against their limits."""

import math
from collections.abc import Sequence
from decimal import Decimal

from qc.judgement.flags import CRITICAL, MAJOR, MINOR, Verdict
from qc.judgement.readings import Around, Outcome, Quantity, Reading, taken_with, valid
from qc.physics.balance import unbalance_gmm
from qc.records.kinds import Balance, Finding, Inspection, Measurement
from qc.statistics.conformity import GUARD

_RANK = {MINOR: 0, MAJOR: 1, CRITICAL: 2}
# these are never shown harmless by leaving them out of the limits
_ALWAYS_A_FLAG = frozenset({"crack", "delamination", "disbond"})


def judge_measurement(
    stage: str, characteristic: str, readings: Sequence[Reading], model: str, around: Around
) -> Outcome:
    """The newest valid value of a characteristic against its most specific limit."""
    used, suspect = valid(readings)
    if not used:
        return Outcome()
    newest = used[-1].record
    assert isinstance(newest, Measurement)
    catalog = around.catalog
    day = catalog.local_day(newest.taken_at)
    gauge = catalog.gauge(newest.gauge, day)
    u = math.hypot(float(gauge.u), float(gauge.resolution) / math.sqrt(12)) if gauge else 0.0
    basis = (newest.record_id,)
    quantity = Quantity(
        *(stage, characteristic, newest.value, newest.taken_at, u, suspect, "", "", ""),
        *taken_with([newest]),
        len(readings),
    )
    limit = catalog.limit(characteristic, model, stage or None, day)
    if limit is None:
        return Outcome((), [quantity], f"{characteristic}: no limit", basis)
    guard = Decimal(repr(GUARD * u)) if limit.rule == "guarded" else Decimal(0)
    if limit.upper is not None and newest.value > limit.upper - guard:
        side, crossed = "upper", limit.upper
    elif limit.lower is not None and newest.value < limit.lower + guard:
        side, crossed = "lower", limit.lower
    else:
        return Outcome((), [quantity])
    entry = catalog.characteristic(characteristic)
    unit = entry.unit if entry else ""
    name = entry.name if entry else characteristic
    held = "is beyond" if not guard else "is not clear of"
    message = f"{name} {newest.value} {unit} {held} its {side} limit of {crossed} {unit}."
    out = Verdict(
        *("measurement-out", limit.severity, message, newest.value, crossed, unit),
        stage=stage or None,
        characteristic=characteristic,
        basis=basis,
    )
    return Outcome([out], [quantity])


def judge_findings(readings: Sequence[Reading], model: str, around: Around) -> Outcome:
    """Defects against the limits of their zone; the worst one stands for the flag."""
    found: list[tuple[int, Decimal, Verdict]] = []
    uncovered, not_judged = [], []
    for reading in sorted(readings, key=lambda r: r.order):
        finding = reading.record
        assert isinstance(finding, Finding)
        day = around.catalog.local_day(finding.taken_at)
        limits = around.catalog.finding_limits(finding.zone, finding.defect, model, day)
        what = f"{finding.defect} of {finding.size_mm} mm in the {finding.zone} at {finding.angle_deg} deg"  # noqa: E501
        reached = [limit for limit in limits if finding.size_mm >= limit.size_mm]
        if reached:
            worst = max(reached, key=lambda limit: _RANK[limit.severity])
            message = f"A {what} reaches the limit of {worst.size_mm} mm."
            verdict = _finding(worst.severity, message, finding, worst.size_mm)
            found.append((_RANK[worst.severity], finding.size_mm, verdict))
        elif not limits and finding.defect in _ALWAYS_A_FLAG:
            message = f"A {what}: no limit covers it, so it counts as found."
            found.append((_RANK[MAJOR], finding.size_mm, _finding(MAJOR, message, finding, None)))
        elif not limits:
            uncovered.append(f"a {what}: no limit")
            not_judged.append(finding.record_id)
    words, unjudged = "; ".join(uncovered), tuple(sorted(not_judged))
    if not found:
        return Outcome(uncovered=words, basis=unjudged)
    worst_found = max(found, key=lambda item: item[:2])[2]
    basis = tuple(sorted(verdict.basis[0] for _, _, verdict in found))
    more = f" {len(found) - 1} more beside it." if len(found) > 1 else ""
    shown = _with(worst_found, worst_found.message + more, basis)
    return Outcome([shown], uncovered=words, basis=unjudged)


def _finding(severity: str, message: str, finding: Finding, limit: Decimal | None) -> Verdict:
    return Verdict(
        *("finding", severity, message, finding.size_mm, limit, "mm"), basis=(finding.record_id,)
    )


def _with(verdict: Verdict, message: str, basis: tuple[str, ...]) -> Verdict:
    return Verdict(
        *("finding", verdict.severity, message, verdict.value, verdict.limit, "mm"), basis=basis
    )


def findings_per_part(
    inspections: Sequence[Inspection], findings: Sequence[Finding]
) -> list[Quantity]:
    """The findings of each inspected stage; a finding goes to the inspection nearest to it."""
    newest: dict[str, Inspection] = {}
    counts: dict[str, int] = {}
    for look in sorted(inspections, key=lambda r: r.taken_at):
        newest[look.stage] = look
        counts[look.stage] = 0
    for finding in findings:
        if inspections:
            nearest = min(
                inspections, key=lambda r: (abs(r.taken_at - finding.taken_at), r.record_id)
            )
            counts[nearest.stage] += 1
    return [
        Quantity(
            *(stage, "findings-per-part", Decimal(counts[stage]), look.taken_at, None, False),
            *("", "", "", *taken_with([look])),
        )
        for stage, look in newest.items()
    ]


def judge_balance(stage: str, readings: Sequence[Reading], model: str, around: Around) -> Outcome:
    """The newest unbalance of a wheel against its limit, in g mm."""
    if not readings:
        return Outcome()
    newest = max(readings, key=lambda reading: reading.order).record
    assert isinstance(newest, Balance)
    unbalance = unbalance_gmm(newest.residual_g, newest.radius_mm)
    limit = around.catalog.balance_limit(stage, model, around.catalog.local_day(newest.taken_at))
    basis = (newest.record_id,)
    quantity = Quantity(
        *(stage, "unbalance", unbalance, newest.taken_at, None, False, "", "", ""),
        *taken_with([newest]),
        len(readings),
    )
    if limit is None:
        return Outcome((), [quantity], f"balance of the {stage}: no limit", basis)
    if unbalance <= limit.limit_gmm:
        return Outcome((), [quantity])
    message = (
        f"The {stage} is {unbalance:.0f} g mm out of balance at {newest.heavy_deg} deg "
        f"({newest.residual_g} g at {newest.radius_mm} mm); the limit is {limit.limit_gmm} g mm."
    )
    out = Verdict(
        *("unbalance", MINOR, message, unbalance, limit.limit_gmm, "g mm"),
        stage=stage,
        basis=basis,
    )
    return Outcome([out], [quantity])
