"""The whole half year put together: batches, what became of their rims, all records."""

from collections import Counter
from dataclasses import dataclass

from generator import desk, drop_rig, gauges, rim_bench, scale_fault, wheel_bench
from generator import fates as decisions
from generator.batches import Batch, made
from generator.fates import Fate
from generator.records import Record
from generator.scale_fault import ScaleFault


@dataclass(frozen=True)
class HalfYear:
    """Everything that the files and the list of faults are written from."""

    batches: list[Batch]
    fates: dict[str, Fate]
    off: ScaleFault
    records: list[Record]

    def batch(self, code: str) -> Batch:
        return next(batch for batch in self.batches if batch.code == code)

    def of_kind(self, kind: str) -> list[Record]:
        return [record for record in self.records if record["kind"] == kind]

    def counts(self) -> dict[str, int]:
        """Records of each kind."""
        return dict(sorted(Counter(record["kind"] for record in self.records).items()))


def lived() -> HalfYear:
    """The maker's half year, the same every time."""
    batches = made()
    off = scale_fault.place(batches)
    fates = decisions.decided(batches, off)
    wheels = wheel_bench.records(batches, fates)
    weighings = [record for record in wheels if record["kind"] == "weighing"]
    records = [
        *rim_bench.records(batches, off),
        *wheels,
        *drop_rig.records(fates),
        *desk.records(batches, fates, off, weighings),
    ]
    last_day = max(record["taken_at"] for record in records).date()
    records += gauges.records(fates, last_day, off)
    # a stable order: what a station wrote in the same second stays as written
    records.sort(key=lambda record: record["taken_at"])
    return HalfYear(batches, fates, off, records)
