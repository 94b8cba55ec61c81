"""Many streams watched at once: which moves stand out, and how many false ones to expect.

Each stream is watched so that few quiet ones ever signal, but a shop has hundreds of streams. An
event is therefore also given the chance that a quiet stream, watched as long, shows anything as
plain, and these p-values are adjusted for the number of streams. An adjusted value that is not
small is no reason to forget a signal: it says that among so many streams one like it is no wonder.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

from qc.statistics.drift.level import Drift
from qc.statistics.multiple_testing import benjamini_hochberg, holm

# fitted to tests/bench/drift_family.py: within m watched batches a quiet stream shows EVENTS ·
# m^GROWING events on average; at most a share FIRST · m^THINNING of streams shows any, and r^PLAIN
# of those one whose p is at most r times the chance allowed
EVENTS, GROWING = 0.0036, 0.83
FIRST, THINNING, PLAIN = 0.0068, 0.62, 0.8


class Family(NamedTuple):
    """`streams` were watched for `batches` in all after their baselines.

    `expected_false`: mean number of events if no level had moved. Per stream, in the order
    given: `p`, the chance of anything as plain on a quiet stream (1 without an event); `fdr`,
    adjusted by Benjamini-Hochberg: keeping those at most 0.05 makes 5 % false ones among the kept;
    `any`, adjusted by Holm: keeping those at most 0.05 keeps any false one in 5 % of such shops.
    """

    streams: int
    batches: int
    expected_false: float
    p: tuple[float, ...]
    fdr: tuple[float, ...]
    any: tuple[float, ...]


def expected_false(watched: int) -> float:
    """Mean number of events on a quiet stream in so many batches after its baseline."""
    return EVENTS * watched**GROWING if watched > 0 else 0.0


def first_event_p(found: Drift) -> float:
    """The chance that a quiet stream watched as long shows anything as plain as its first event.

    The event counts by its plainest look up to six batches after it was found, so the value may
    still change as these arrive. 1 without an event.
    """
    if found.strength is None:
        return 1.0
    any_event = FIRST * max(found.watched, 1) ** THINNING
    return -math.expm1(-any_event * found.strength**PLAIN)


def family(streams: Sequence[Drift]) -> Family:
    """All streams of a shop together; none gives an empty family."""
    p = [first_event_p(found) for found in streams]
    return Family(
        len(streams),
        sum(found.watched for found in streams),
        sum(expected_false(found.watched) for found in streams),
        tuple(p),
        tuple(benjamini_hochberg(p).adjusted.tolist()),
        tuple(holm(p).adjusted.tolist()),
    )
