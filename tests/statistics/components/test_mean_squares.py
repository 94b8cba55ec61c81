"""Limits for combinations of mean squares: exact where theory is, and counted by simulation."""

import math

import numpy as np
import pytest
from scipy import stats

from qc.statistics.components.mean_squares import MeanSquares


def test_a_single_mean_square_has_the_exact_limits():
    squares = MeanSquares(ms=(62.39, 0.99), dof=(19, 60))
    lower, upper = squares.interval((0, 2), confidence=0.90)
    assert lower == pytest.approx(2 * 60 * 0.99 / stats.chi2.ppf(0.95, 60), rel=1e-12)
    assert upper == pytest.approx(2 * 60 * 0.99 / stats.chi2.ppf(0.05, 60), rel=1e-12)


def test_the_ratio_of_two_components_has_the_exact_f_limits():
    # Searle, Casella & McCulloch 1992, section 3.6: (F/F_table - 1)/n
    squares = MeanSquares(ms=(62.39, 0.99), dof=(19, 60))
    limits = squares.ratio_interval((1 / 6, -1 / 6), (0, 1))
    f = 62.39 / 0.99
    want = [(f / stats.f.ppf(p, 19, 60) - 1) / 6 for p in (0.975, 0.025)]
    assert list(limits) == pytest.approx(want, rel=1e-9)


def test_a_difference_is_exact_when_its_true_value_is_nought():
    # the lower limit passes nought exactly where the F test does (Ting et al. 1990)
    f = float(stats.f.ppf(0.975, 9, 18))
    assert MeanSquares((f, 1.0), (9, 18)).interval((1, -1)).lower == pytest.approx(0, abs=1e-12)


def test_a_sum_of_mean_squares_follows_graybill_and_wang():
    # Graybill & Wang 1980, written out: middle less √Σ(G·term)², plus √Σ(H·term)²
    terms, dof = np.array([2.0, 5.0, 0.5]), np.array([3, 12, 40])
    g = 1 - dof / stats.chi2.ppf(0.975, dof)
    h = dof / stats.chi2.ppf(0.025, dof) - 1
    limits = MeanSquares(tuple(terms), tuple(dof.tolist())).interval((1, 1, 1))
    assert limits.lower == pytest.approx(7.5 - np.sqrt(np.sum((g * terms) ** 2)), rel=1e-12)
    assert limits.upper == pytest.approx(7.5 + np.sqrt(np.sum((h * terms) ** 2)), rel=1e-12)


def test_the_limits_hold_a_gauge_ratio_about_as_often_as_they_say():
    # 10 parts, 3 inspectors, 2 repeats; 2000 studies: a standard error of 0.5 %
    rng = np.random.default_rng(7)
    p, o, r = 10, 3, 2
    part, gauge = np.array((1 / (o * r), 0, -1 / (o * r), 0)), np.array((0, 1, p - 1, p * (r - 1)))
    gauge = gauge / (p * r)
    dof = (9, 2, 18, 30)
    # variances 10, 0.5, 0.5, 1 of parts, inspectors, interaction, repeats
    expected = np.array((62.0, 12.0, 2.0, 1.0))
    true_ratio = 10 / 2
    missed = 0
    for chance in rng.chisquare(dof, (2000, 4)) / dof:
        squares = MeanSquares(tuple(expected * chance), dof)
        # the ratio's limits hold the ratio where those of the difference hold nought
        lower, upper = squares.interval(part - true_ratio * gauge)
        missed += lower > 0 or upper < 0
    assert missed / 2000 == pytest.approx(0.04, abs=0.017)


def test_a_denominator_of_nought_gives_an_infinite_ratio():
    squares = MeanSquares((4.0, 0.0), (3, 8))
    assert squares.ratio_interval((1, -1), (0, 1)) == (math.inf, math.inf)


def test_a_ratio_below_nought_is_cut():
    assert MeanSquares((1.0, 100.0), (3, 8)).ratio_interval((1, -1), (0, 1)).upper == 0


def test_bad_combinations_are_refused():
    squares = MeanSquares((4.0, 1.0), (3, 8))
    with pytest.raises(ValueError, match="confidence must lie between 0 and 1: 1"):
        squares.interval((1, 0), 1)
    with pytest.raises(ValueError, match="denominator must not be negative"):
        squares.ratio_interval((1, 0), (0, -1))
