"""Many turns at once: packed and read back, taken apart, and what they share told from chance."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics.runout import harmonics, tir_mm
from qc.physics.turns import pack, shared, tir_of, unpack, waves_of

READINGS = st.lists(
    st.decimals(-5, 5, allow_nan=False, allow_infinity=False, places=3), min_size=8, max_size=72
)


@given(READINGS)
def test_a_packed_turn_reads_back_to_far_below_the_step_of_an_indicator(readings):
    (turn,) = unpack([pack(readings)])
    assert turn == pytest.approx([float(reading) for reading in readings], abs=1e-6)


@settings(deadline=None)  # a library is loaded at the first
@given(READINGS)
def test_tir_and_waves_of_many_turns_are_those_of_each(readings):
    turns = unpack([pack(readings)] * 3)
    assert tir_of(turns)[1] == pytest.approx(float(tir_mm(readings)), abs=1e-5)
    waves = waves_of(turns)[1]
    for wave in harmonics(readings, order=2):
        assert abs(waves[wave.k]) == pytest.approx(wave.amplitude_mm, abs=1e-5)


def test_turns_of_different_lengths_are_no_table():
    with pytest.raises(ValueError, match="different numbers of readings"):
        unpack([pack([Decimal(1)] * 8), pack([Decimal(1)] * 9)])


def spun(parts: int, print_mm: float, seed: int = 1, readings: int = 36) -> np.ndarray:
    """Rims that sit off centre as they happen to, with a bump of the mould at 180°."""
    random = np.random.default_rng(seed)
    angles = 2 * np.pi * np.arange(readings) / readings
    off = 0.2 * np.cos(angles - random.uniform(0, 2 * np.pi, (parts, 1)))
    bump = print_mm * np.exp(-(((np.degrees(angles) - 180) / 15) ** 2))
    return (off + bump + random.normal(0, 0.02, (parts, readings))).astype("f4")


def test_the_print_of_a_mould_is_found_though_each_rim_sits_off_centre_another_way():
    found = shared(spun(20, 0.08), without_once=True)
    assert found.p <= 0.001
    assert found.highest_deg == pytest.approx(180, abs=10)
    # a bump of 15° e-folding without its mean and once-per-turn part
    assert found.swing_mm == pytest.approx(0.08, abs=0.02)


def test_rims_that_share_nothing_seldom_seem_to():
    """At 5 % a randomisation test errs in 5 % (Edgington & Onghena 2007): 99.9 % of binomial
    samples of 200 have at most 21."""
    seem = sum(shared(spun(8, 0, seed), without_once=True).p <= 0.05 for seed in range(200))
    assert seem <= 21


def test_turns_that_are_all_the_same_are_shared_whole():
    turns = np.repeat(spun(1, 0.1), 6, axis=0)
    assert shared(turns, without_once=False).share == pytest.approx(1)


def test_four_turns_are_too_few_to_say():
    with pytest.raises(ValueError, match="at least 5 turns"):
        shared(spun(4, 0.1), without_once=True)
