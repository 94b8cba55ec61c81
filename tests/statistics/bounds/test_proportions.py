"""Intervals for a share against a handbook example, printed tables and full enumeration."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from qc.statistics.bounds.proportions import clopper_pearson_interval, wilson_interval

REFERENCE = Path(__file__).parents[2] / "reference"


def test_four_defectives_in_twenty_have_the_handbooks_limits():
    # NIST/SEMATECH e-Handbook 7.2.4.2
    reference = json.loads((REFERENCE / "nist_exact_binomial.json").read_text())
    given, exact = reference["inputs"], reference["computed_here"]
    low, high = clopper_pearson_interval(
        events=given["k"], trials=given["n"], confidence=given["confidence"]
    )
    assert low == pytest.approx(exact["lower"], abs=1e-11)
    assert high == pytest.approx(exact["upper"], abs=1e-10)
    assert low == pytest.approx(reference["published"]["lower"], abs=5e-7)
    # the handbook found it by goal seek, one unit off
    assert high == pytest.approx(reference["published"]["upper"], abs=1.1e-6)


@pytest.mark.parametrize(
    ("events", "trials", "exact", "score"),
    [
        (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
        (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
        (0, 20, (0.0, 0.1684), (0.0, 0.1611)),
        (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
    ],
)
def test_both_intervals_are_those_of_a_printed_comparison(events, trials, exact, score):
    # Newcombe (1998), Statistics in Medicine 17:857-872, table I, from memory
    got = clopper_pearson_interval(events=events, trials=trials)
    assert got == pytest.approx(exact, abs=5.1e-5)
    assert wilson_interval(events=events, trials=trials) == pytest.approx(score, abs=5.1e-5)


def test_wilson_limits_are_where_the_score_test_just_rejects():
    low, high = wilson_interval(events=7, trials=30, confidence=0.9)
    for limit in (low, high):
        z = (7 / 30 - limit) / (limit * (1 - limit) / 30) ** 0.5
        assert abs(z) == pytest.approx(stats.norm.ppf(0.95), rel=1e-12)


def test_a_one_sided_limit_spends_all_doubt_on_its_side():
    for interval in (clopper_pearson_interval, wilson_interval):
        both = interval(events=3, trials=12, confidence=0.90)
        assert interval(events=3, trials=12, side="lower") == pytest.approx((both.lower, 1.0))
        assert interval(events=3, trials=12, side="upper") == pytest.approx((0.0, both.upper))


def test_no_part_tested_says_nothing_and_extremes_are_certain_on_one_side_only():
    for interval in (clopper_pearson_interval, wilson_interval):
        assert interval(events=0, trials=0) == (0.0, 1.0)
        assert interval(events=0, trials=9).lower == 0.0
        assert interval(events=9, trials=9).upper == 1.0
        assert 0.5 < interval(events=9, trials=9).lower < 1


def coverage(interval, n, share, **how):
    events = np.arange(n + 1)
    limits = [interval(events=int(x), trials=n, **how) for x in events]
    holds = [low <= share <= high for low, high in limits]
    return float(stats.binom.pmf(events, n, share) @ holds)


def test_exact_limits_never_hold_less_than_they_promise():
    for n in (1, 3, 8, 15):
        for share in np.linspace(0.005, 0.995, 67):
            for side in ("two-sided", "lower", "upper"):
                held = coverage(clopper_pearson_interval, n, share, confidence=0.9, side=side)
                assert held >= 0.9 - 1e-12


def test_counts_that_cannot_be_are_refused():
    with pytest.raises(ValueError, match="events must be a whole number from 0 to trials: events"):
        clopper_pearson_interval(events=5, trials=4)
    with pytest.raises(ValueError, match=r"events 1\.5, trials 4"):
        wilson_interval(events=1.5, trials=4)
    with pytest.raises(ValueError, match=r"confidence must lie between 0 and 1: 95"):
        wilson_interval(events=1, trials=4, confidence=95)
    with pytest.raises(ValueError, match="side must be 'two-sided', 'lower' or 'upper': 'left'"):
        clopper_pearson_interval(events=1, trials=4, side="left")
