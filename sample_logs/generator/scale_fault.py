"""When the scale was off, and which rims it weighed meanwhile."""

import datetime as dt
from dataclasses import dataclass

from generator import faults
from generator.batches import Batch
from generator.chance import stream
from generator.hours import after
from generator.shop import RUNOUT_LIMITS

UNCHECKED_DAYS = 3
LATERAL_RIM_LIMIT_MM = float(RUNOUT_LIMITS[0][2])


@dataclass(frozen=True)
class ScaleFault:
    """The good check was on the morning of `last_good`; the failed one on that of `found_off`."""

    last_good: dt.date
    found_off: dt.date
    first: Batch
    second: Batch
    again: tuple[str, ...]
    not_again: tuple[str, ...]

    def covers(self, gauge: str, day: dt.date) -> bool:
        """Whether the gauge reads wrongly on this day."""
        return gauge == faults.SCALE and self.last_good <= day < self.found_off


def place(batches: list[Batch]) -> ScaleFault:
    """The first three days in the summer on which the scale weighs exactly two batches.

    The first batch is measured again on the other scale, of the second only some rims.
    """
    day = faults.SCALE_SEARCH_FROM
    while True:
        found_off = after(day, UNCHECKED_DAYS)
        weighed = [
            batch
            for batch in batches
            if batch.model.scale == faults.SCALE and day <= batch.received_on < found_off
        ]
        if len(weighed) == 2:
            first, second = weighed
            serials = [rim.serial for rim in second.rims]
            some = stream("measured again").sample(serials, faults.MEASURED_AGAIN_OF_SECOND)
            again = [rim.serial for rim in first.rims] + sorted(some)
            left = [serial for serial in serials if serial not in some]
            return ScaleFault(day, found_off, first, second, tuple(again), tuple(left))
        day = after(day, 1)
