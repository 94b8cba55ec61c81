"""Whether a part may leave: what its plan still wants, what holds it, what can never be undone."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from qc.catalog.catalog import Catalog
from qc.records.kinds import (
    Balance,
    Build,
    CustomerReturn,
    Disposition,
    Drop,
    Inspection,
    Measurement,
    Receipt,
    Record,
    Runout,
    Shipment,
    Weighing,
)


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a part or a batch stands after all decisions on it by name."""

    held: str = ""  # the reason
    rework: bool = False
    repair: bool = False
    scrapped: bool = False
    sent_back: bool = False
    grade: str = ""
    struck: bool = False
    shipped: bool = False
    returned: bool = False
    order: str = ""  # of the newest shipment, and to whom it went
    to: str = ""
    missing: tuple[str, ...] = ()
    critical: tuple[str, ...] = ()


def last_rework(
    decisions: Iterable[Disposition], until: dt.datetime | None = None
) -> dt.datetime | None:
    """When the part was last sent to rework."""
    times = [d.taken_at for d in decisions if d.decision == "rework"]
    return max((t for t in times if until is None or t <= until), default=None)


def release_counts(
    release: Disposition, decisions: Sequence[Disposition], records: Sequence[Record]
) -> bool:
    """Whether a release has any effect.

    It has none on a scrapped or struck part. After a rework an inspection must have come between;
    a batch as such has none, its parts are asked for theirs one by one.
    """
    before = [d for d in decisions if d.taken_at < release.taken_at]
    if any(d.decision in ("scrap", "return-to-supplier") for d in before):
        return False
    if any(isinstance(r, Drop) and r.taken_at <= release.taken_at for r in records):
        return False
    rework = last_rework(before)
    if rework is None or release.batch is not None:
        return True
    return any(
        isinstance(r, Inspection) and rework < r.taken_at <= release.taken_at for r in records
    )


def not_looked_at_since(of_batch: Sequence[Disposition], records: Sequence[Record]) -> bool:
    """Whether a part waits for an inspection since its batch was reworked."""
    rework = last_rework(of_batch)
    looks = [r.taken_at for r in records if isinstance(r, Inspection)]
    return rework is not None and not any(t > rework for t in looks)


def standing_of(decisions: Sequence[Disposition], records: Sequence[Record]) -> Standing:
    """The decisions by name in order of time; a scrap ends them."""
    held, grade = "", ""
    rework = repair = scrapped = sent_back = False
    for decision in decisions:
        match decision.decision:
            case "hold":
                held = decision.reason
            case "rework":
                rework = True
            case "repair":
                repair = True
            case "release" if release_counts(decision, decisions, records):
                held, rework = "", False
            case "concession":
                held, repair = "", False
            case "regrade":
                grade = decision.grade or ""
            case "return-to-supplier":
                sent_back = True
            case "scrap":
                scrapped = True
        if scrapped or sent_back:
            break
    moves = [r for r in records if isinstance(r, Shipment | CustomerReturn)]
    last = max(moves, key=lambda r: (r.taken_at, r.record_id), default=None)
    shipments = [r for r in moves if isinstance(r, Shipment)]
    newest = max(shipments, key=lambda r: (r.taken_at, r.record_id), default=None)
    return Standing(
        held,
        *(rework, repair, scrapped, sent_back, grade),
        struck=any(isinstance(r, Drop) for r in records),
        shipped=isinstance(last, Shipment),
        returned=isinstance(last, CustomerReturn),
        order=newest.order if newest else "",
        to=newest.to if newest else "",
    )


class Failure(NamedTuple):
    """A part of a batch that did not bear the standard impact, and since when that is known."""

    serial: str
    at: dt.datetime


def stopped_by_failures(
    batch: Standing, decisions: Iterable[Disposition], failures: Iterable[Failure]
) -> Standing:
    """A batch as its failures at the standard leave it: held, until somebody who knows of them
    releases the batch or grants it a concession."""
    freed = [d.taken_at for d in decisions if d.decision in ("release", "concession")]
    decided = max(freed, default=None)
    serials = sorted({f.serial for f in failures if decided is None or f.at > decided})
    if batch.held or not serials:
        return batch
    more = f" and {len(serials) - 3} more" if len(serials) > 3 else ""
    return replace(batch, held=f"{', '.join(serials[:3])}{more} did not bear the standard impact")


def items_of(record: Record) -> tuple[str, str] | None:
    """The stage and the plan item that a record satisfies."""
    match record:
        case Weighing():
            return record.stage, "weighing"
        case Runout():
            return record.stage, f"runout-{record.direction}"
        case Inspection():
            return record.stage, "inspection"
        case Balance():
            return record.stage, "balance"
        case Build():
            return record.stage, "build"
        case Measurement():
            return record.stage or "", record.characteristic
        case Receipt():
            return "", "receipt"
    return None


def missing_items(
    model: str, records: Sequence[Record], rework: dt.datetime | None, catalog: Catalog
) -> tuple[str, ...]:
    """What the plans of the stages that the part has reached still want.

    After a rework only a new weighing and a new inspection count. Items of an earlier stage carry
    its name.
    """
    have: dict[str, set[str]] = {}
    newest: dict[str, dt.datetime] = {}
    for record in records:
        item = items_of(record)
        if item is None:
            continue
        stage, name = item
        stale = rework is not None and record.taken_at <= rework
        if not (stale and name in ("weighing", "inspection")):
            have.setdefault(stage, set()).add(name)
        if stage:
            newest[stage] = max(record.taken_at, newest.get(stage, record.taken_at))
    return wanting(model, have, stages_reached(newest), catalog)


def wanting(
    model: str, have: Mapping[str, set[str]], stages: Sequence[str], catalog: Catalog
) -> tuple[str, ...]:
    """Plan items of these stages that are not among those at hand; the last stage is today's."""
    found: list[str] = []
    for stage in stages:
        plan = catalog.plan(model, stage, None)
        for wanted in plan.requires if plan else ():
            if wanted not in have.get(stage, ()) and wanted not in have.get("", ()):
                found.append(wanted if stage == stages[-1] else f"{wanted} ({stage})")
    return tuple(found)


def stages_reached(newest: Mapping[str, dt.datetime]) -> list[str]:
    """The stages that a part has been at; a part with no readings is at the first."""
    wheels = sorted((t, stage) for stage, t in newest.items() if stage != "rim")
    rim = ["rim"] if "rim" in newest or not wheels else []
    return rim + [stage for _, stage in wheels]


def reasons_against(part: Standing, batch: Standing, received: bool) -> list[str]:
    """Every reason why the part may not leave, in plain words; empty when it may."""
    reasons = []
    if part.scrapped:
        reasons.append("scrapped")
    if part.sent_back:
        reasons.append("returned to the supplier")
    if part.struck:
        reasons.append("struck in an impact test: it can never be released")
    if batch.scrapped or batch.sent_back:
        reasons.append("its batch is scrapped or returned to the supplier")
    if not received:
        reasons.append("not received")
    if part.held:
        reasons.append(f"held by name: {part.held}")
    if batch.held:
        reasons.append(f"its batch is held: {batch.held}")
    if part.rework or batch.rework:
        reasons.append("in rework: it wants a new inspection, then a release")
    if part.repair or batch.repair:
        reasons.append("repaired: it wants a concession")
    reasons.extend(f"missing: {item}" for item in part.missing)
    reasons.extend(f"critical flag open: {flag}" for flag in part.critical)
    return reasons


def status(part: Standing, batch: Standing, received: bool) -> str:
    """One word for where the part is."""
    if part.scrapped or batch.scrapped:
        return "scrapped"
    if part.sent_back or batch.sent_back:
        return "returned-to-supplier"
    if part.struck:
        return "struck"
    if part.shipped:
        return "shipped"
    if part.returned:
        return "returned-by-customer"
    if not received:
        return "not-received"
    if part.held or batch.held or part.critical:
        return "held"
    if part.rework or part.repair or batch.rework or batch.repair:
        return "in-rework"
    return "incomplete" if part.missing else "may-leave"
