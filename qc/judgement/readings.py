"""What the judge is given: records with their changes, and the facts around them."""

import datetime as dt
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import NamedTuple

import msgspec

from qc.catalog.catalog import Catalog
from qc.judgement.flags import Verdict
from qc.records.kinds import Record, Runout


class Change(NamedTuple):
    """From `at` on a record reads `content` (None: void).

    `accepted_at` says when it was accepted in spite of its gauge, as far as was known then.
    """

    at: dt.datetime
    content: Record | None
    accepted_at: dt.datetime | None = None


class Held(NamedTuple):
    """A record of the journal with the corrections made to it, oldest first."""

    record: Record
    changes: tuple[Change, ...] = ()

    def final(self) -> Record | None:
        """What it says in the end."""
        return self.changes[-1].content if self.changes else self.record


class Reading(NamedTuple):
    """A record as known at one moment of the replay."""

    record: Record
    suspect: bool = False

    @property
    def order(self) -> tuple[dt.datetime, str]:
        """In order of time; equal times by identity, so that arrival never matters."""
        return self.record.taken_at, self.record.record_id


class Doubt(NamedTuple):
    """A stretch of time in which a gauge's readings are in doubt, from one failed check.

    Readings with `start` < taken_at < `end` are meant (None: unbounded); the doubt is known from
    `known_from` on, and until `known_until` where a correction took the failed check away.
    """

    known_from: dt.datetime
    start: dt.datetime | None
    end: dt.datetime | None
    error: Decimal
    limit: Decimal
    known_until: dt.datetime | None = None

    def covers(self, moment: dt.datetime) -> bool:
        """Whether a reading of this moment is in doubt."""
        after = self.start is None or moment > self.start
        return after and (self.end is None or moment < self.end)


Doubts = Mapping[str, Sequence[Doubt]]


class Around(NamedTuple):
    """The facts around a subject: the catalog, and the gauges in doubt."""

    catalog: Catalog
    doubts: Doubts


class Quantity(msgspec.Struct, frozen=True, gc=False):
    """What an aspect comes to: one number per part, stage and characteristic.

    `gauge`, `station` and `inspector` are those of the readings it rests on, empty where these
    differ or name none; `readings` counts all there are of it, repeats included.
    """

    stage: str
    characteristic: str
    value: Decimal
    at: dt.datetime
    u: float | None = None
    suspect: bool = False
    protocol: str = ""
    verdict: str = ""
    beyond: str = ""
    gauge: str = ""
    station: str = ""
    inspector: str = ""
    readings: int = 1


class Outcome(msgspec.Struct, frozen=True):
    """What judging one aspect gave. `uncovered` says in words what no limit or claim covers."""

    verdicts: Sequence[Verdict] = ()
    quantities: Sequence[Quantity] = ()
    uncovered: str = ""
    basis: tuple[str, ...] = ()
    tests: Sequence["Tested"] = ()
    turns: Sequence[Runout] = ()  # those that count, with all their readings


class Tested(msgspec.Struct, frozen=True, gc=False):
    """One impact test as judged: survived up to here, failed by there or not at all."""

    test: str
    protocol: str
    stage: str
    method: str
    required: Decimal
    survived: Decimal
    failed: Decimal | None
    damaged: bool
    first_damage: int | None
    marks: tuple[str, ...]
    suspect: bool
    at: dt.datetime
    drawn: str | None


def taken_with(records: Sequence[Record]) -> tuple[str, str, str]:
    """The gauge, station and inspector that records have in common; empty where they differ."""
    first = records[0]
    common = [getattr(first, "gauge", ""), first.station, first.inspector]
    for record in records[1:]:
        own = getattr(record, "gauge", ""), record.station, record.inspector
        common = [name if name == other else "" for name, other in zip(common, own, strict=True)]
    gauge, station, inspector = common
    return gauge, station, inspector


def valid(readings: Sequence[Reading]) -> tuple[list[Reading], bool]:
    """The readings that count, oldest first, and whether all there is is in doubt.

    Readings in doubt give way to others; where there are no others they still raise flags (a
    doubtful reading out of its limits is no reason to trust the part), marked as suspect.
    """
    if len(readings) == 1:
        return list(readings), readings[0].suspect
    ordered = sorted(readings, key=lambda reading: reading.order)
    good = [reading for reading in ordered if not reading.suspect]
    return (good, False) if good else (ordered, bool(ordered))
