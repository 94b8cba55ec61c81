"""Run rules: sequences with known flags, a slow second reading of the definitions, run lengths."""

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.statistics.charts.run_rule_arl import DEFAULT_ZONES, arl_run_rules, signal_probability
from qc.statistics.charts.run_rules import (
    NELSON_ZONES,
    WESTERN_ELECTRIC_ZONES,
    Zone,
    nelson_tests,
    western_electric_rules,
)

REFERENCE = Path(__file__).parents[2] / "reference"
ALL_TESTS = range(1, 9)


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def positions(flags):
    """From 1, and only the rules that were tripped."""
    found = {str(rule): (np.flatnonzero(row) + 1).tolist() for rule, row in flags.items()}
    return {rule: points for rule, points in found.items() if points}


SEQUENCES = case("run_rules_set_a")["data"]["sequences"]


@pytest.mark.parametrize("sequence", SEQUENCES, ids=lambda sequence: sequence["name"])
def test_each_sequence_trips_its_rule_and_no_other(sequence):
    # definitions: Nelson (1984), Western Electric (1956); flags by a check of every window
    x = sequence["x"]
    assert positions(nelson_tests(x, tests=ALL_TESTS)) == sequence["nelson_flags"]
    assert positions(western_electric_rules(x)) == sequence["western_electric_flags"]


def completes(x, test):
    """Whether the last point of x completes a pattern, in the plainest words for each test."""

    def last(n, holds):
        return len(x) >= n and holds(x[-n:])

    def m_of(m, n, limit):
        return any(s * x[-1] > limit and sum(s * v > limit for v in x[-n:]) >= m for s in (1, -1))

    rises = [b > a for a, b in pairwise(x)]
    falls = [b < a for a, b in pairwise(x)]
    if test == 1:
        return abs(x[-1]) > 3
    if test == 2:
        return last(9, lambda w: all(v > 0 for v in w) or all(v < 0 for v in w))
    if test == 3:
        return len(x) >= 6 and (all(rises[-5:]) or all(falls[-5:]))
    if test == 4:
        steps = list(zip(rises, falls, strict=True))[-13:]
        turns = [
            (a == (True, False) and b == (False, True))
            or (a == (False, True) and b == (True, False))
            for a, b in pairwise(steps)
        ]
        return len(x) >= 14 and all(turns)
    if test == 5:
        return m_of(2, 3, 2)
    if test == 6:
        return m_of(4, 5, 1)
    if test == 7:
        return last(15, lambda w: all(abs(v) < 1 for v in w))
    both = last(8, lambda w: max(w) > 1 and min(w) < -1)
    return both and last(8, lambda w: all(abs(v) > 1 for v in w))


# coarse values, so that ties and points on a limit come up
ROUGH = st.lists(st.integers(-7, 7).map(lambda i: i / 2), min_size=1, max_size=60)


@settings(max_examples=150, deadline=None)
@given(ROUGH)
def test_every_point_is_flagged_as_a_plain_reading_of_the_tests_says(x):
    flags = nelson_tests(x, tests=ALL_TESTS)
    for test in ALL_TESTS:
        assert flags[test].tolist() == [completes(x[: i + 1], test) for i in range(len(x))]


@pytest.mark.parametrize("step", [1, -1])
def test_long_patterns_are_flagged_at_every_point_that_completes_one(step):
    saw = [step * (-1) ** i for i in range(16)]
    assert positions(nelson_tests(saw, tests=[4])) == {"4": [14, 15, 16]}
    outside = [1.5 * step * (-1) ** (i // 3) for i in range(10)]
    assert positions(nelson_tests(outside, tests=[8])) == {"8": [8, 9, 10]}
    assert positions(nelson_tests([1.5 * step] * 8, tests=[8])) == {}
    quiet = [0.5 * step * (-1) ** (i // 2) for i in range(16)]
    assert positions(nelson_tests(quiet, tests=[7])) == {"7": [15, 16]}


def test_values_are_standardised_by_centre_and_sigma():
    flags = nelson_tests([412, 425, 411], centre=412, sigma=4, tests=[1])
    assert positions(flags) == {"1": [2]}
    # a sigma for each point, as batches of unequal size have
    flags = nelson_tests([412, 425, 425], centre=412, sigma=[4, 4, 5], tests=[1])
    assert positions(flags) == {"1": [2]}


def test_a_missing_point_breaks_a_run():
    x = np.ones(12) / 2
    assert positions(nelson_tests(x, tests=[2])) == {"2": [9, 10, 11, 12]}
    x[5] = np.nan
    assert positions(nelson_tests(x, tests=[2])) == {}


def test_no_points_trip_nothing():
    assert positions(nelson_tests([], tests=ALL_TESTS)) == {}
    assert positions(nelson_tests([4.0], tests=ALL_TESTS)) == {"1": [1]}


@pytest.mark.parametrize("rules", ["C1", "C12", "C13", "C14"])
def test_run_lengths_with_one_extra_rule_are_those_of_champ_and_woodall(rules):
    # Champ & Woodall (1987), table 1
    reference = case("arl_shewhart_runs_rules")
    zones = [WESTERN_ELECTRIC_ZONES[int(digit)] for digit in rules[1:]]
    got = [arl_run_rules(shift, zones) for shift in reference["inputs"]["shift"]]
    np.testing.assert_allclose(got, reference["computed_here"][rules], rtol=1e-9)
    np.testing.assert_allclose(got, np.array(reference["published"][rules], float), atol=0.00525)


def test_run_lengths_with_several_rules_are_those_of_champ_and_woodall():
    # the same table in control, from memory
    for rules, length in {"123": 132.89, "124": 122.05, "134": 105.78, "1234": 91.75}.items():
        zones = [WESTERN_ELECTRIC_ZONES[int(digit)] for digit in rules]
        assert arl_run_rules(0.0, zones) == pytest.approx(length, abs=0.005)


def test_the_default_tests_have_the_run_length_that_is_stated():
    assert arl_run_rules() == pytest.approx(158.7, abs=0.05)
    # and in simulated streams: 158.7 ± 2.5 at this number of them
    rng = np.random.default_rng(3)
    lengths = []
    for _ in range(40):
        x = rng.standard_normal(20_000)
        flagged = np.logical_or.reduce(list(nelson_tests(x).values()))
        # a chart starts afresh after each signal
        start = 0
        while (hits := np.flatnonzero(flagged[start:])).size:
            end = start + int(hits[0])
            again = np.logical_or.reduce(list(nelson_tests(x[start : end + 2000]).values()))
            if not again.any():
                break
            length = int(np.argmax(again)) + 1
            lengths.append(length)
            start += length
    assert np.mean(lengths) == pytest.approx(158.7, abs=4 * 158.7 / len(lengths) ** 0.5)


def test_unbroken_runs_have_the_closed_form_run_length():
    # mean wait for n successes in a row: (1 - p^n)/(p^n (1 - p))
    p = 0.6826894921370859
    assert arl_run_rules(0.0, [NELSON_ZONES[7]]) == pytest.approx(
        (1 - p**15) / (p**15 * (1 - p)), rel=1e-10
    )


def test_the_chance_of_a_signal_grows_as_a_geometric_law_for_one_limit():
    one = 1 / arl_run_rules(0.0, [NELSON_ZONES[1]])
    assert signal_probability(26, 0.0, [NELSON_ZONES[1]]) == pytest.approx(1 - (1 - one) ** 26)
    assert signal_probability(0) == 0
    assert signal_probability(8, 3.0) > 0.99
    # the mean is the sum of the chances of having been quiet
    quiet = sum(1 - signal_probability(n, 2.0) for n in range(120))
    assert quiet == pytest.approx(arl_run_rules(2.0), rel=1e-6)


def test_bad_rules_are_refused():
    with pytest.raises(ValueError, match="tests must be numbers from 1 to 8: got 9"):
        nelson_tests([0.0], tests=[9])
    with pytest.raises(ValueError, match="rules must be numbers from 1 to 4: got 5"):
        western_electric_rules([0.0], rules=[5])
    with pytest.raises(ValueError, match="sigma must be above 0: got 0"):
        nelson_tests([0.0], sigma=0)
    with pytest.raises(ValueError, match=r"one row of points: got shape \(1, 1\)"):
        nelson_tests([[0.0]])
    with pytest.raises(
        ValueError, match=r"centre must be one number .* got shape \(3,\) for 2 points"
    ):
        nelson_tests([0.0, 1.0], centre=[0.0, 0.0, 0.0])
    with pytest.raises(ValueError, match="zones must name at least one pattern"):
        arl_run_rules(0.0, [])
    with pytest.raises(ValueError, match="1 <= hits <= of"):
        arl_run_rules(0.0, [Zone(3, 2, 1)])
    with pytest.raises(ValueError, match="points must not be negative: -1"):
        signal_probability(-1, 0.0, DEFAULT_ZONES)
