"""What the screening leaves out could not have counted: every look in full finds the same first."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.statistics.drift.looks import level_of, look, sums_of
from qc.statistics.drift.partings import stream_of
from qc.statistics.drift.screening import first_counting, offsets_within, spans


def first_in_full(level, sums, first, last):
    """The first look that counts, each of them looked at by itself."""
    offsets = offsets_within(last)
    for n in range(first, last + 1):
        if (look(level, sums, np.array([n]), offsets).ratio <= 1).any():
            return n
    return None


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    count=st.integers(20, 500),
    shift=st.sampled_from([0.0, 1.5, 3.0, 6.0, 20.0]),
    uneven=st.booleans(),
    coarse=st.booleans(),
)
def test_the_screening_leaves_out_no_look_that_counts(seed, count, shift, uneven, coarse):
    rng = np.random.default_rng(seed)
    x = 412 + rng.standard_normal(count) + shift * (np.arange(count) >= rng.integers(count))
    x = np.round(x) if coarse else x
    ns = rng.integers(2, 41, count).astype(float) if uneven else np.full(count, 20.0)
    stream = stream_of(x, ns, np.full(count, 2.0))
    level = level_of(stream, np.arange(count), 8)
    for known, first, last in spans(7, count):
        sums = sums_of(level, known, last)
        assert first_counting(level, sums, first, last) == first_in_full(level, sums, first, last)


@pytest.mark.parametrize("at", [9, 40, 300])
def test_a_large_step_is_found_soon_after_it(at):
    x = 412 + np.random.default_rng(at).standard_normal(400) + 9.0 * (np.arange(400) >= at)
    level = level_of(stream_of(x, np.full(400, 20.0), np.full(400, 2.0)), np.arange(400), 8)
    found = [
        n
        for known, first, last in spans(7, 400)
        if (n := first_counting(level, sums_of(level, known, last), first, last))
    ]
    assert at < found[0] <= at + 4
