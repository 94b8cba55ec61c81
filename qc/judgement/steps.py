"""The steps in which a history is replayed, and the aspect of a part that a record bears on."""

import datetime as dt
from typing import NamedTuple

from qc.judgement.readings import Held
from qc.records.kinds import (
    Balance,
    Disposition,
    Drop,
    Finding,
    Measurement,
    Receipt,
    Record,
    Runout,
    Weighing,
)

Aspect = tuple[str, ...]


class Step(NamedTuple):
    """One step of the replay: a record reads `content` from now on, or is merely looked at anew."""

    at: dt.datetime
    held: Held
    content: Record | None
    accepted_at: dt.datetime | None = None


def aspect_of(record: Record) -> Aspect | None:
    """The aspect that a reading belongs to."""
    match record:
        case Weighing():
            return "mass", record.stage
        case Runout():
            return "runout", record.stage, record.direction
        case Measurement():
            return "measurement", record.stage or "", record.characteristic
        case Balance():
            return "balance", record.stage
        case Finding():
            return ("findings",)
        case Drop():
            return ("impact",)
    return None


def belongs(record: Record, serial: str | None, batch: str | None) -> bool:
    """Whether a record is about this part, or about this batch as such."""
    if serial is not None:
        return getattr(record, "serial", None) == serial
    return not isinstance(record, Receipt) and getattr(record, "batch", None) == batch


def step_order(step: Step) -> tuple[dt.datetime, int, str]:
    """At one moment: receipts, readings, decisions; then by identity, never by arrival."""
    record = step.held.record
    rank = {Receipt: 0, Disposition: 2}.get(type(record), 1)
    return step.at, rank, record.record_id
