"""Streams of a shop watched together: how plain each event is, and how many false ones come up."""

import datetime as dt

import numpy as np
import pytest

from qc.statistics.drift.family import expected_false, family, first_event_p
from qc.statistics.drift.level import BatchPoint, drift


def judged(means):
    day = dt.date(2026, 1, 5)
    return drift(
        [
            BatchPoint(f"B{i:03d}", day + dt.timedelta(days=i), 1, float(mean))
            for i, mean in enumerate(means)
        ]
    )


def shifted(seed, shift, count=34):
    return judged(
        np.random.default_rng(seed).standard_normal(count) + shift * (np.arange(count) > 19)
    )


def test_a_quiet_stream_has_no_p_below_one():
    assert first_event_p(shifted(2, 0.0)) == 1.0


def test_the_plainer_a_move_the_smaller_its_p():
    p = [first_event_p(shifted(2, shift)) for shift in (2.5, 4.0, 8.0)]
    assert p == sorted(p, reverse=True)
    assert p[0] < 0.05
    assert p[-1] < 1e-6


def test_streams_are_adjusted_by_benjamini_hochberg_and_by_holm():
    streams = [shifted(seed, 0.0) for seed in (2, 3, 4)] + [shifted(2, 8.0)]
    told = family(streams)
    assert (told.streams, told.batches) == (4, 4 * 26)
    assert told.p[:3] == told.fdr[:3] == told.any[:3] == (1.0, 1.0, 1.0)
    # the smallest of four: both adjust it by four
    assert told.fdr[3] == told.any[3] == pytest.approx(4 * told.p[3])
    assert told.expected_false == pytest.approx(4 * expected_false(26))


def test_about_five_in_a_hundred_quiet_streams_are_expected_to_signal_in_26_batches():
    assert expected_false(26) == pytest.approx(0.05, abs=0.01)
    assert expected_false(0) == 0


def test_few_quiet_streams_have_a_small_p():
    # under 2.5 % have one of 0.03 by tests/bench/drift_family.py; 22 of 300 once in 10 000 runs
    found = [judged(row) for row in np.random.default_rng(5).standard_normal((300, 34))]
    assert sum(first_event_p(one) <= 0.03 for one in found) < 22


def test_no_streams_are_an_empty_family():
    assert family([]) == (0, 0, 0.0, (), (), ())
