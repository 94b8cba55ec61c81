"""The draw: repeatable, fair, and the same whoever lists the parts."""

import hashlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.statistics.sampling.drawing import draw, new_seed

LOT = [f"D50-{n:03}" for n in range(20)]


@given(st.permutations(LOT), st.integers(0, 20), st.text(max_size=10))
def test_the_same_seed_draws_the_same_rims_in_whatever_order_they_are_listed(lot, n, seed):
    drawn = draw(lot, n, seed)
    assert drawn == draw(LOT, n, seed)
    assert len(set(drawn)) == n
    # a larger sample begins with the smaller one
    assert draw(LOT, 20, seed)[:n] == drawn


def test_the_draw_can_be_worked_out_by_hand():
    digests = {hashlib.sha256(f"7:{serial}".encode()).hexdigest(): serial for serial in LOT}
    assert draw(LOT, 3, "7") == [digests[digest] for digest in sorted(digests)[:3]]


def test_every_rim_is_drawn_equally_often():
    counts = np.zeros(20)
    for seed in range(4000):
        for serial in draw(LOT, 5, str(seed)):
            counts[int(serial[-3:])] += 1
    # 1000 draws each; a standard deviation of √(4000 · 0.25 · 0.75) = 27
    assert np.abs(counts - 1000).max() < 4.5 * 27


def test_new_seeds_differ():
    assert len({new_seed() for _ in range(50)}) == 50


def test_a_lot_that_cannot_be_drawn_from_is_refused():
    with pytest.raises(ValueError, match="serials must be different: 'R1' is listed twice"):
        draw(["R1", "R2", "R1"], 1, "7")
    with pytest.raises(ValueError, match="n must be a whole number from 0 to the 2 serials: 3"):
        draw(["R1", "R2"], 3, "7")
