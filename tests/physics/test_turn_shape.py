"""What makes the most of a turn, against Fourier sums and against turns worked by hand."""

import numpy as np
import pytest
from scipy import stats

from qc.physics.turn_shape import HALF, least_share, shape

ANGLES = np.radians(10 * np.arange(36))


@pytest.mark.parametrize("n", [8, 24, 36, 72])
def test_shares_are_those_of_the_fourier_sum(n):
    """`numpy.fft.rfft`: a wave of k a turn has the mean square 2·|X_k/n|² (Parseval)."""
    readings = np.random.default_rng(n).normal(size=n)
    found = shape(readings)
    mean_squares = 2 * np.abs(np.fft.rfft(readings) / n) ** 2
    whole = readings.var()
    assert found.once_share == pytest.approx(mean_squares[1] / whole, abs=1e-12)
    assert found.twice_share == pytest.approx(mean_squares[2] / whole, abs=1e-12)
    highest = np.degrees(-np.angle(np.fft.rfft(readings)[1])) % 360
    assert found.trace.eccentricity_deg == pytest.approx(highest)


def test_two_waves_worked_by_hand():
    """Amplitudes 0.2 and 0.1 mm: mean squares 0.02 and 0.005, shares four and one in five."""
    found = shape(0.2 * np.cos(ANGLES - 1) + 0.1 * np.cos(2 * ANGLES))
    assert (found.once_share, found.twice_share) == pytest.approx((0.8, 0.2))
    assert (found.main, found.form) == ("once", "twice")


def test_one_reading_that_stands_out_is_a_bump_however_narrow():
    readings = np.zeros(36)
    readings[9] = 0.3
    assert shape(readings).main == "bump"
    assert shape(-readings).main == "bump"


def test_a_bump_on_an_eccentric_rim_is_what_is_left_without_the_set_up():
    readings = 0.4 * np.cos(ANGLES)
    readings[20] += 0.3
    found = shape(readings)
    assert (found.main, found.form) == ("once", "bump")
    assert found.trace.bump.angle_deg == pytest.approx(200, abs=3)


def test_two_waves_of_one_size_leave_no_single_cause():
    waves = sum(0.1 * np.cos(k * ANGLES) for k in (1, 2, 3))
    assert (shape(waves).main, shape(waves).form) == ("nothing", "nothing")


def test_a_turn_that_hardly_swings_names_nothing():
    assert shape(0.02 * np.cos(ANGLES)).main == "little"


@pytest.mark.parametrize("n", [8, 12, 17])
def test_few_readings_need_a_plainer_wave(n):
    """The share of one ordinate of scatter has the Beta distribution (1, (n - 3)/2) by Fisher
    (1929); SciPy's own Beta says that one turn in 200 reaches the share asked for."""
    assert stats.beta(1, (n - 3) / 2).sf(least_share(n)) == pytest.approx(1 / 200)
    assert least_share(n) > HALF


def test_with_many_readings_half_of_the_mean_square_is_enough():
    assert least_share(18) > HALF
    assert least_share(19) == least_share(36) == HALF


@pytest.mark.parametrize("n", [8, 24])
def test_scatter_alone_is_seldom_given_a_cause(n):
    """Two waves of one in 200 each, and bumps of five in a thousand (see `runout`)."""
    chance = np.random.default_rng(5)
    named = [shape(chance.normal(size=n)).main != "nothing" for _ in range(1000)]
    assert sum(named) <= 30
