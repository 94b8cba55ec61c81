"""Run rules for control charts: the tests of Nelson and the zone rules of Western Electric.

A rule is reported at the point that completes its pattern. All comparisons are strict: a point on
a limit is not beyond it, a point on the centre line lies on neither side, and two equal points are
neither a rise nor a fall. A missing point (NaN) completes nothing and breaks every unbroken run.

Without a rule set being named, `DEFAULT_TESTS` apply: Nelson's tests 1, 2 and 5, which catch a
stray batch, a lasting small shift and a middling one. On normal points in control they signal once
in 158.7 points on average (test 1 alone: 370.4; all four Western Electric rules: 91.8), see
`qc.statistics.charts.run_rule_arl`. More rules see more and cry wolf more often: all eight tests
together once in about 74 points (tests/bench/run_rules_bench.py).

References: [1] Nelson, L. S. (1984), "The Shewhart control chart - tests for special causes",
Journal of Quality Technology 16:237-239. [2] Western Electric (1956), "Statistical Quality Control
Handbook". [3] Champ, C. W. & Woodall, W. H. (1987), "Exact results for Shewhart control charts
with supplementary runs rules", Technometrics 29:393-399.
"""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


class Zone(NamedTuple):
    """`hits` of `of` points in a row between `low` and `high` sigmas, or all so below the centre.

    The notation T(hits, of, low, high) of [3], for both sides at once.
    """

    hits: int
    of: int
    low: float
    high: float = float("inf")


# tests 3 and 4 look at rises and falls, test 8 at both sides together: they are no zones
NELSON_ZONES = {
    1: Zone(1, 1, 3),
    2: Zone(9, 9, 0),
    5: Zone(2, 3, 2),
    6: Zone(4, 5, 1),
    7: Zone(15, 15, -1, 1),
}
WESTERN_ELECTRIC_ZONES = {1: Zone(1, 1, 3), 2: Zone(2, 3, 2), 3: Zone(4, 5, 1), 4: Zone(8, 8, 0)}
DEFAULT_TESTS = (1, 2, 5)
_RISING, _ALTERNATING, _OUTSIDE = 6, 14, 8


def nelson_tests(
    values: ArrayLike,
    *,
    centre: ArrayLike = 0.0,
    sigma: ArrayLike = 1.0,
    tests: Iterable[int] = DEFAULT_TESTS,
) -> dict[int, Flags]:
    """Which points complete which of Nelson's tests [1].

    1: one point beyond 3 sigma. 2: nine in a row on one side. 3: six in a row, each above (or each
    below) the one before. 4: fourteen in a row alternating up and down. 5: two of three beyond
    2 sigma on one side. 6: four of five beyond 1 sigma on one side. 7: fifteen in a row within
    1 sigma. 8: eight in a row beyond 1 sigma, some on either side.

    `values`: shape (n,), in order of time. `centre`, `sigma` (> 0): of a point, one number or one
    per point; by default the values are taken as standardised. `tests`: numbers from 1 to 8.
    Answers per test with a row of n flags. ValueError for an unknown test or a sigma not above 0.

    >>> flags = nelson_tests([0.2, 2.1, -0.3, 2.4, 3.5], tests=(1, 5))
    >>> {test: np.flatnonzero(row).tolist() for test, row in flags.items()}
    {1: [4], 5: [3, 4]}
    """
    z = _standardised(values, centre, sigma)
    found = {}
    for test in tests:
        if test in NELSON_ZONES:
            found[test] = zone_flags(z, NELSON_ZONES[test])
        elif test == 3:
            found[test] = _steady_trend(z)
        elif test == 4:
            found[test] = _sawtooth(z)
        elif test == 8:
            found[test] = _outside_on_both_sides(z)
        else:
            raise ValueError(f"tests must be numbers from 1 to 8: got {test}")
    return found


def western_electric_rules(
    values: ArrayLike,
    *,
    centre: ArrayLike = 0.0,
    sigma: ArrayLike = 1.0,
    rules: Iterable[int] = (1, 2, 3, 4),
) -> dict[int, Flags]:
    """Which points complete which of the zone rules of Western Electric [2].

    1: one point beyond 3 sigma. 2: two of three beyond 2 sigma on one side. 3: four of five beyond
    1 sigma on one side. 4: eight in a row on one side. Arguments and answer as in `nelson_tests`,
    with rules from 1 to 4.
    """
    z = _standardised(values, centre, sigma)
    chosen = tuple(rules)
    for rule in chosen:
        if rule not in WESTERN_ELECTRIC_ZONES:
            raise ValueError(f"rules must be numbers from 1 to 4: got {rule}")
    return {rule: zone_flags(z, WESTERN_ELECTRIC_ZONES[rule]) for rule in chosen}


def zone_flags(z: ArrayLike, zone: Zone) -> Flags:
    """Which standardised points, shape (n,), complete this pattern on either side."""
    points = np.asarray(z, dtype=float)
    hit = points > zone.low
    if zone.high < np.inf:
        hit &= points < zone.high
    flags = _completed(hit, zone)
    if zone.low == -zone.high:
        return flags
    hit = points < -zone.low
    if zone.high < np.inf:
        hit &= points > -zone.high
    flags |= _completed(hit, zone)
    return flags


def _standardised(values: ArrayLike, centre: ArrayLike, sigma: ArrayLike) -> Floats:
    points = np.asarray(values, dtype=float)
    if points.ndim != 1:
        raise ValueError(f"values must be one row of points: got shape {points.shape}")
    middle, spread = np.asarray(centre, dtype=float), np.asarray(sigma, dtype=float)
    for name, given in (("centre", middle), ("sigma", spread)):
        if given.shape not in ((), points.shape):
            raise ValueError(
                f"{name} must be one number or one per point: got shape {given.shape} "
                f"for {points.size} points"
            )
    if not (spread > 0).all():
        raise ValueError(f"sigma must be above 0: got {spread.min()}")
    z: Floats = points - middle
    z /= spread
    return z


def _completed(hit: Flags, zone: Zone) -> Flags:
    if zone.hits == zone.of:
        return _all_of_last(hit, zone.of)
    count = hit.astype(np.uint8)
    for back in range(1, zone.of):
        count[back:] += hit[:-back]
    # a window that ends without a hit was complete before
    return hit & (count >= zone.hits)


def _all_of_last(hit: Flags, length: int) -> Flags:
    """Whether each point and the length - 1 before it are hits; doubling the span looked at."""
    together, span = hit.copy(), 1
    while span < length:
        step = min(span, length - span)
        together[step:] &= together[:-step].copy()
        span += step
    together[: length - 1] = False
    return together


def _steady_trend(z: Floats) -> Flags:
    flags = np.zeros(z.size, dtype=bool)
    for step in (z[1:] > z[:-1], z[1:] < z[:-1]):
        flags[1:] |= _all_of_last(step, _RISING - 1)
    return flags


def _sawtooth(z: Floats) -> Flags:
    flags = np.zeros(z.size, dtype=bool)
    up, down = z[1:] > z[:-1], z[1:] < z[:-1]
    turns = (up[1:] & down[:-1]) | (down[1:] & up[:-1])
    flags[2:] = _all_of_last(turns, _ALTERNATING - 2)
    return flags


def _outside_on_both_sides(z: Floats) -> Flags:
    above, below = z > 1, z < -1
    return (
        _all_of_last(above | below, _OUTSIDE)
        & ~_all_of_last(above, _OUTSIDE)
        & ~_all_of_last(below, _OUTSIDE)
    )
