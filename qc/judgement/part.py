"""The replay: what was recorded of a part, in order of time, judged as it was known then.

Each record takes effect at its time, each correction at its own, each failed gauge check when it
was made; after every step the aspects it touched are judged again, so that a flag opens and closes
when it did and not when the files happened to arrive. A batch is replayed in the same way.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from qc.judgement import measurement
from qc.judgement.flags import MINOR, SETTLING, Flag, FlagBook, Verdict
from qc.judgement.gauges import Suspect
from qc.judgement.mass import judge_mass
from qc.judgement.readings import Around, Change, Doubt, Held, Outcome, Quantity, Reading, Tested
from qc.judgement.runout import judge_runout
from qc.judgement.standing import (
    Standing,
    last_rework,
    missing_items,
    release_counts,
    standing_of,
)
from qc.judgement.steps import Aspect, Step, aspect_of, belongs, step_order
from qc.judgement.struck import judge_tests
from qc.records.kinds import (
    Balance,
    Correction,
    CustomerReturn,
    Disposition,
    Drop,
    Finding,
    Inspection,
    Measurement,
    Receipt,
    Record,
    Runout,
    Weighing,
)

COVERAGE: Aspect = ("coverage",)
RECEIVED: Aspect = ("received",)
# records that leave earlier verdicts alone, unless they are of the same aspect
CALM_KINDS = (Receipt, Weighing, Runout, Measurement, Inspection, Balance)
READING_KINDS = (Weighing, Runout, Measurement, Inspection, Finding, Balance, Drop)


class Judged(NamedTuple):
    """All that follows for one part or batch."""

    model: str | None
    batch: str | None
    flags: list[Flag]
    quantities: list[Quantity]
    tests: list[Tested]
    suspects: list[Suspect]
    standing: Standing
    # when the part was received, if nothing about it reaches back: a first reading of its kind
    # that comes later can then be judged by itself
    calm_since: dt.datetime | None = None
    turns: Sequence[Runout] = ()


def judge_part(serial: str, held: Sequence[Held], around: Around) -> Judged:
    """Replay a part. `held` are its records with their corrections, in any order."""
    return _Replay(around, serial, None).run(held)


def judge_batch(batch: str, held: Sequence[Held], around: Around) -> Judged:
    """Replay what was recorded of a batch as such."""
    return _Replay(around, None, batch).run(held)


class _Replay:
    """The state while one subject's history is walked through."""

    def __init__(self, around: Around, serial: str | None, batch: str | None) -> None:
        self.around, self.serial = around, serial
        self.batch = batch
        self.model: str | None = None
        if batch is not None:
            entry = around.catalog.batch(batch)
            self.model = entry.model if entry else ""
        self.book = FlagBook()
        self.known: dict[Aspect, dict[str, Reading]] = {}
        self.outcomes: dict[Aspect, Outcome] = {}
        self.receipts: dict[str, Reading] = {}
        self.unreceived: dict[str, Reading] = {}
        self.decisions: list[Disposition] = []
        self.records: list[Record] = []

    def run(self, held: Sequence[Held]) -> Judged:
        final = [record for item in held if (record := self._mine(item.final())) is not None]
        self.records = sorted(final, key=lambda r: (r.taken_at, r.record_id))
        self.decisions = [r for r in self.records if isinstance(r, Disposition)]
        for step in sorted(self._steps(held), key=step_order):
            if isinstance(step.content, Disposition):
                self._decide(step.content)
            else:
                self._take(step)
        quantities = [q for outcome in self.outcomes.values() for q in outcome.quantities]
        if self.model is not None:
            looks = [r for r in self.records if isinstance(r, Inspection)]
            findings = [r for r in self.records if isinstance(r, Finding)]
            quantities += measurement.findings_per_part(looks, findings)
        tests = [test for outcome in self.outcomes.values() for test in outcome.tests]
        return Judged(
            *(self.model, self.batch, self.book.all(), quantities, tests),
            self._suspects(held),
            self._standing(),
            self._calm_since(held),
            [turn for outcome in self.outcomes.values() for turn in outcome.turns],
        )

    def _mine(self, record: Record | None) -> Record | None:
        mine = record is not None and belongs(record, self.serial, self.batch_subject)
        return record if mine else None

    @property
    def batch_subject(self) -> str | None:
        return self.batch if self.serial is None else None

    def _steps(self, held: Sequence[Held]) -> Iterator[Step]:
        for item in held:
            last = item.final()
            if isinstance(item.record, Disposition) or isinstance(last, Disposition):
                # decisions are taken as they stand in the end
                if isinstance(last, Disposition) and self._mine(last):
                    yield Step(last.taken_at, item, last)
                continue
            if isinstance(item.record, Correction):
                continue
            yield from self._content_steps(item)

    def _content_steps(self, item: Held) -> Iterator[Step]:
        states = [Change(item.record.taken_at, item.record)]
        for change in item.changes:
            at = max(change.at, item.record.taken_at)
            if states[-1].at == at:
                states.pop()
            states.append(change._replace(at=at))
        for i, (at, content, accepted_at) in enumerate(states):
            mine = self._mine(content)
            yield Step(at, item, mine, accepted_at)
            until = states[i + 1].at if i + 1 < len(states) else None
            for doubt in self._doubts(mine):
                for moment in (doubt.known_from, doubt.known_until):
                    if moment and moment > at and (until is None or moment < until):
                        yield Step(moment, item, mine, accepted_at)

    def _doubts(self, record: Record | None) -> list[Doubt]:
        """The doubts that cover a record, known by now or later."""
        gauge = getattr(record, "gauge", None)
        doubts = self.around.doubts.get(gauge, ()) if gauge else ()
        return [doubt for doubt in doubts if record and doubt.covers(record.taken_at)]

    def _in_doubt(self, record: Record, at: dt.datetime, accepted_at: dt.datetime | None) -> bool:
        """Whether a record is in doubt now; what was known when it was accepted counts no more."""
        return any(
            doubt.known_from <= at
            and (doubt.known_until is None or at < doubt.known_until)
            and (accepted_at is None or accepted_at < doubt.known_from)
            for doubt in self._doubts(record)
        )

    def _take(self, step: Step) -> None:
        """A record comes, changes, goes, or its gauge comes into doubt."""
        touched: set[Aspect] = set()
        name = step.held.record.record_id
        for aspect, readings in self.known.items():
            if readings.pop(name, None):
                touched.add(aspect)
        self.unreceived.pop(name, None)
        had_receipt = self.receipts.pop(name, None)
        content = step.content
        if content is not None:
            suspect = self._in_doubt(content, step.at, step.accepted_at)
            reading = Reading(content, suspect)
            about = aspect_of(content)
            if about:
                self.known.setdefault(about, {})[name] = reading
                touched.add(about)
            if isinstance(content, READING_KINDS):
                self.unreceived[name] = reading
            if isinstance(content, Receipt):
                self.receipts[name] = reading
            if isinstance(content, CustomerReturn):
                touched.add(("impact",))
        if self.serial is not None and (had_receipt or isinstance(content, Receipt)):
            self._receive()
            touched.update(self.known)
        self._judge(touched, step.at)

    def _receive(self) -> None:
        """The newest receipt says what the part is."""
        newest = max(self.receipts.values(), key=lambda r: r.order, default=None)
        receipt = newest.record if newest else None
        self.model = receipt.model if isinstance(receipt, Receipt) else None
        self.batch = receipt.batch if isinstance(receipt, Receipt) else None

    def _judge(self, touched: set[Aspect], at: dt.datetime) -> None:
        if self.model is None:
            self.outcomes.clear()
            for aspect in (*self.known, COVERAGE):
                self.book.judged(aspect, (), at)
            self.book.judged(RECEIVED, self._not_received(), at)
            return
        self.book.judged(RECEIVED, (), at)
        for aspect in sorted(touched):
            outcome = self._outcome(aspect, self.model, at)
            self.outcomes[aspect] = outcome
            self.book.judged(aspect, outcome.verdicts, at)
        if touched:
            self.book.judged(COVERAGE, self._uncovered(), at)

    def _outcome(self, aspect: Aspect, model: str, at: dt.datetime) -> Outcome:
        readings = list(self.known.get(aspect, {}).values())
        match aspect:
            case ("mass", stage):
                rework = last_rework(self.decisions, at)
                since = [r for r in readings if rework is None or r.record.taken_at > rework]
                return judge_mass(stage, since, model, self.around)
            case ("runout", stage, direction):
                return judge_runout(stage, direction, readings, model, self.around)
            case ("measurement", stage, code):
                return measurement.judge_measurement(stage, code, readings, model, self.around)
            case ("balance", stage):
                return measurement.judge_balance(stage, readings, model, self.around)
            case ("findings",):
                return measurement.judge_findings(readings, model, self.around)
        return judge_tests(readings, self.records, self.around)

    def _uncovered(self) -> list[Verdict]:
        words = [o.uncovered for _, o in sorted(self.outcomes.items()) if o.uncovered]
        if not words:
            return []
        basis = tuple(sorted({record for o in self.outcomes.values() for record in o.basis}))
        message = "Not judged: " + "; ".join(words) + ". Add the limit or claim to the catalog."
        return [Verdict("not-judged", MINOR, message, basis=basis)]

    def _not_received(self) -> list[Verdict]:
        if not self.unreceived:
            return []
        message = "Readings of a part that was never received: its model and batch are unknown."
        return [Verdict("not-received", MINOR, message)]

    def _decide(self, decision: Disposition) -> None:
        at = decision.taken_at
        earlier = [d for d in self.decisions if d.taken_at < at]
        if any(d.decision in ("scrap", "return-to-supplier") for d in earlier):
            return
        if decision.decision == "rework":
            self.book.reworked()
            self._judge({aspect for aspect in self.known if aspect[0] == "mass"}, at)
        elif decision.decision == "repair":
            self._judge({aspect for aspect in self.known if aspect[0] == "impact"}, at)
        elif decision.decision in SETTLING and (
            decision.decision != "release" or release_counts(decision, self.decisions, self.records)
        ):
            self.book.settled(decision.decision, at)

    def _standing(self) -> Standing:
        standing = standing_of(self.decisions, self.records)
        rework = last_rework(self.decisions)
        missing: tuple[str, ...] = ()
        if self.model is not None and self.serial is not None:
            missing = missing_items(self.model, self.records, rework, self.around.catalog)
        critical = tuple(sorted(flag.verdict.flag for flag in self.book.open_critical()))
        return replace(standing, missing=missing, critical=critical)

    def _calm_since(self, held: Sequence[Held]) -> dt.datetime | None:
        mended = any(item.changes for item in held)
        calm = all(isinstance(record, CALM_KINDS) for record in self.records)
        uncovered = any(outcome.uncovered for outcome in self.outcomes.values())
        held_back = uncovered or self.book.open_critical()
        if mended or not calm or held_back or len(self.receipts) != 1:
            return None
        received = next(iter(self.receipts.values())).record.taken_at
        return received if received <= self.records[0].taken_at else None

    def _suspects(self, held: Sequence[Held]) -> list[Suspect]:
        """Every record that is or was in doubt, and when it was measured again or accepted."""
        found = []
        for item in held:
            record = self._mine(item.final())
            if record is None:
                continue
            accepted_at = item.changes[-1].accepted_at if item.changes else None
            standing = {d.known_from for d in self._doubts(record) if d.known_until is None}
            for known_from in sorted(standing):
                accepted = accepted_at is not None and accepted_at >= known_from
                settled = accepted_at if accepted else self._again(record)
                gauge = str(getattr(record, "gauge", ""))
                found.append(Suspect(record.record_id, gauge, record.taken_at, known_from, settled))
        return found

    def _again(self, record: Record) -> dt.datetime | None:
        """When the same was measured again on a gauge that is not in doubt."""
        aspect = aspect_of(record)
        if aspect is None or isinstance(record, Drop):
            return None
        later = [
            reading.record.taken_at
            for reading in self.known.get(aspect, {}).values()
            if reading.record.taken_at > record.taken_at
            and not reading.suspect
            and getattr(reading.record, "side", None) == getattr(record, "side", None)
        ]
        return min(later, default=None)
