"""Average run length of a Shewhart chart with run rules, exact by Markov chain.

The chart's state is which of the last points lay in which zone, as far as that can still matter.
From each state a new point leads to another one or to a signal; with Q the chances of going from
state to state, the mean number of points to the first signal is the solution of (I - Q) L = 1,
read at the state that has seen nothing.

Reference: [1] Champ, C. W. & Woodall, W. H. (1987), "Exact results for Shewhart control charts with
supplementary runs rules", Technometrics 29:393-399.
"""

from collections.abc import Iterable
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.arguments import Floats, finite
from qc.statistics.charts.run_rules import DEFAULT_TESTS, NELSON_ZONES, Zone

if TYPE_CHECKING:
    from scipy.sparse import csr_array

DEFAULT_ZONES = tuple(NELSON_ZONES[test] for test in DEFAULT_TESTS)


def arl_run_rules(shift: float = 0.0, zones: Iterable[Zone] = DEFAULT_ZONES) -> float:
    """Mean number of independent normal points until one completes any of the patterns.

    `shift`: of the mean, in standard deviations of a point. `zones`: patterns, each on both sides;
    take them from `NELSON_ZONES` or `WESTERN_ELECTRIC_ZONES`. The chart starts with no points
    seen. Infinite where a pattern can never be completed. Tests 3, 4 and 8 of Nelson are no zones.

    >>> from qc.statistics.charts.run_rules import WESTERN_ELECTRIC_ZONES
    >>> round(arl_run_rules(0.0, WESTERN_ELECTRIC_ZONES.values()), 2)
    91.75
    """
    from scipy.sparse import eye_array
    from scipy.sparse.linalg import spsolve

    chain = _chain(_checked(zones))
    stay = chain.stay(finite("shift", shift))
    lengths = spsolve(eye_array(stay.shape[0], format="csc") - stay.tocsc(), np.ones(stay.shape[0]))
    return float(np.atleast_1d(lengths)[0])


def signal_probability(
    points: int, shift: float = 0.0, zones: Iterable[Zone] = DEFAULT_ZONES
) -> float:
    """The probability that a new chart signals within so many points; arguments as above.

    >>> round(signal_probability(26), 3)
    0.14
    """
    if points < 0:
        raise ValueError(f"points must not be negative: {points}")
    stay = _chain(_checked(zones)).stay(finite("shift", shift))
    quiet: Floats = np.ones(stay.shape[0])
    for _ in range(points):
        quiet = np.asarray(stay @ quiet)
    return float(1 - quiet[0])


def _checked(zones: Iterable[Zone]) -> tuple[Zone, ...]:
    chosen = tuple(Zone(*zone) for zone in zones)
    if not chosen:
        raise ValueError("zones must name at least one pattern: got none")
    for zone in chosen:
        if not (1 <= zone.hits <= zone.of and zone.low < zone.high):
            raise ValueError(f"zones must have 1 <= hits <= of and low < high: got {zone}")
    return chosen


class _Chain(NamedTuple):
    """`edges` part the line into regions; `to[state, region]` is the next state, -1 a signal."""

    edges: Floats
    to: NDArray[np.intp]

    def stay(self, shift: float) -> "csr_array":
        """Chances of going from state to state, sparse."""
        from scipy.sparse import coo_array
        from scipy.special import ndtr

        chance = np.diff(ndtr(self.edges - shift))
        state, region = np.nonzero(self.to >= 0)
        size = len(self.to)
        return coo_array(
            (chance[region], (state, self.to[state, region])), shape=(size, size)
        ).tocsr()


class _Side(NamedTuple):
    """A pattern on one side: how many of how many, and in which regions a point is a hit."""

    hits: int
    of: int
    regions: frozenset[int]


@lru_cache(maxsize=64)
def _chain(zones: tuple[Zone, ...]) -> _Chain:
    bounds = {bound for zone in zones for bound in (zone.low, zone.high)}
    edges = np.array(sorted({*bounds, *(-bound for bound in bounds), -np.inf, np.inf}))
    sides = []
    for zone in zones:
        for low, high in {(zone.low, zone.high), (-zone.high, -zone.low)}:
            inside = frozenset(np.flatnonzero((edges[:-1] >= low) & (edges[1:] <= high)).tolist())
            sides.append(_Side(zone.hits, zone.of, inside))
    regions = range(len(edges) - 1)
    start = (0,) * len(sides)
    known, rows, waiting = {start: 0}, [], [start]
    for state in waiting:
        steps = []
        for region in regions:
            after = _after(state, region, sides)
            if after is None:
                steps.append(-1)
                continue
            if after not in known:
                known[after] = len(known)
                waiting.append(after)
            steps.append(known[after])
        rows.append(steps)
    return _Chain(edges, np.array(rows, dtype=np.intp))


def _after(state: tuple[int, ...], region: int, sides: list[_Side]) -> tuple[int, ...] | None:
    """The state after a point in this region; None where it completes a pattern."""
    histories = []
    for history, side in zip(state, sides, strict=True):
        seen = history << 1 | (region in side.regions)
        if seen & 1 and seen.bit_count() >= side.hits:
            return None
        histories.append(_that_matters(seen, side))
    return tuple(histories)


def _that_matters(seen: int, side: _Side) -> int:
    """Hits (bit 0 is the newest point) that a pattern still to come can make use of.

    A hit with `younger` hits after it needs hits - younger - 1 more, and leaves the window after
    of - age more points.
    """
    kept = younger = 0
    for age in range(1, side.of):
        bit = 1 << (age - 1)
        if seen & bit:
            if side.hits - younger - 1 > side.of - age:
                break
            kept |= bit
            younger += 1
    return kept
