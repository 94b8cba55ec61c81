"""Sizes of success runs, and what a test with few failures shows."""

import csv
from pathlib import Path

import pytest
from scipy import stats

from qc.statistics.bounds.demonstration import (
    demonstration_words,
    reliability_lower_bound,
    success_run_confidence,
    success_run_tests,
)
from qc.statistics.bounds.distribution_free import distribution_free_rank

REFERENCE = Path(__file__).parents[2] / "reference"


def table(name):
    with (REFERENCE / f"{name}.csv").open() as file:
        return list(csv.DictReader(file))


def test_success_runs_have_the_sizes_of_the_table_in_both_forms():
    # n = ln(1-C)/ln R, rounded up (22 for 90/90: qualitydigest.com/print/27832), and one fewer
    for row in table("ts-success-run"):
        how = {
            "reliability": float(row["reliability_R"]),
            "confidence": float(row["confidence_C"]),
        }
        n = success_run_tests(**how)
        assert n == int(row["n_zero_failures_binomial"])
        assert success_run_tests(**how, form="uniform-prior") == int(row["n_bayes_uniform_prior"])
        shown = reliability_lower_bound(tests=n, confidence=how["confidence"])
        assert shown == pytest.approx(float(row["R_lower_bound_achieved_with_n"]), abs=5.1e-6)


def test_lower_bounds_after_failures_are_those_of_the_table():
    # exact binomial, computed with an independent program
    for row in table("ts-reliability-lower-bound"):
        got = reliability_lower_bound(
            tests=int(row["n"]),
            failures=int(row["failures"]),
            confidence=float(row["confidence_C"]),
        )
        wanted = float(row["reliability_lower_bound_clopper_pearson"])
        assert got == pytest.approx(wanted, abs=5.1e-6)


def test_ten_passes_show_more_to_those_who_start_from_a_uniform_prior():
    # 79.43 % plain, 81.11 % with the prior, at 90 % confidence
    plain = reliability_lower_bound(tests=10, confidence=0.9)
    prior = reliability_lower_bound(tests=10, confidence=0.9, form="uniform-prior")
    assert (round(100 * plain, 2), round(100 * prior, 2)) == (79.43, 81.11)


def test_allowed_failures_ask_for_more_parts():
    # 90/90 with 0, 1, 2 failures: 22, 38, 52; 95/95: 59, 93, 124 (common tables, from memory)
    for share, wanted in ((0.9, [22, 38, 52]), (0.95, [59, 93, 124])):
        got = [success_run_tests(reliability=share, confidence=share, failures=k) for k in range(3)]
        assert got == wanted


def test_the_size_is_the_smallest_that_shows_the_reliability():
    for failures in (0, 1, 4):
        n = success_run_tests(reliability=0.87, confidence=0.93, failures=failures)
        enough = stats.binom.cdf(failures, n, 0.13)
        short = stats.binom.cdf(failures, n - 1, 0.13)
        assert enough <= 0.07 < short
        shown = success_run_confidence(tests=n, reliability=0.87, failures=failures)
        assert shown == pytest.approx(1 - enough, abs=1e-12)


def test_a_confidence_met_exactly_needs_no_part_more():
    assert success_run_tests(reliability=0.8, confidence=0.36) == 2
    assert success_run_tests(reliability=0.5, confidence=0.875) == 3


def test_ranks_of_the_b_basis_step_up_where_the_handbook_says():
    # MIL-HDBK-17-1F, table of nonparametric B-basis ranks (29, 46, 61, 76, 89), from memory
    for rank, n in enumerate((29, 46, 61, 76, 89), start=1):
        assert distribution_free_rank(n=n, coverage=0.9, confidence=0.95) == rank
        assert distribution_free_rank(n=n - 1, coverage=0.9, confidence=0.95) == (rank - 1 or None)


def test_one_three_and_five_rims_without_failure_are_put_into_words():
    for tests, share in ((1, 5), (3, 37), (5, 55)):
        sentence = demonstration_words(tests=tests)
        assert f"none failed: with 95 % confidence at least {share} % of their batch" in sentence
    assert demonstration_words(tests=1).startswith("1 part tested")
    assert "8 parts tested, 2 failed" in demonstration_words(tests=8, failures=2)
    assert "with 90 % confidence" in demonstration_words(tests=3, confidence=0.9)


def test_words_never_claim_every_part_nor_anything_from_nothing():
    assert "at least 99.9 %" in demonstration_words(tests=5000)
    assert demonstration_words(tests=0) == "No part tested: nothing is shown."
    assert "no share that survives" in demonstration_words(tests=3, failures=3)


def test_impossible_demonstrations_are_refused():
    with pytest.raises(ValueError, match=r"reliability must lie between 0 and 1: 1\.0"):
        success_run_tests(reliability=1.0, confidence=0.9)
    with pytest.raises(ValueError, match="failures must be a whole number from 0: -1"):
        success_run_tests(reliability=0.9, confidence=0.9, failures=-1)
    with pytest.raises(ValueError, match="failures must be a whole number from 0 to tests"):
        reliability_lower_bound(tests=3, failures=4)
    with pytest.raises(ValueError, match="form must be 'binomial' or 'uniform-prior': 'bayes'"):
        success_run_tests(reliability=0.9, confidence=0.9, form="bayes")
    with pytest.raises(ValueError, match="n must be a whole number from 1: 0"):
        distribution_free_rank(n=0, coverage=0.9, confidence=0.95)
