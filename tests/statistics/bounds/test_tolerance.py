"""Exact normal tolerance factors against the printed tables of Odeh & Owen (1980)."""

import json
from pathlib import Path

import pytest
from scipy import integrate, optimize, stats

from qc.statistics.bounds.tolerance import tolerance_factor_one_sided, tolerance_factor_two_sided

REFERENCE = Path(__file__).parents[2] / "reference"


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def test_one_sided_factors_are_those_of_the_printed_tables():
    # Odeh & Owen (1980); also the A and B factors of MIL-HDBK-17; digits from memory, reproduced
    reference = case("tolerance_k_one_sided_95")
    for coverage, row in reference["computed_here"].items():
        for n, k in row.items():
            got = tolerance_factor_one_sided(int(n), float(coverage), 0.95)
            assert got == pytest.approx(k, abs=2e-9)
            assert got == pytest.approx(float(reference["published"][coverage][n]), abs=5.5e-4)


def test_two_sided_factors_are_those_of_the_printed_tables():
    # Odeh & Owen (1980), table 3.4.1
    reference = case("tolerance_k_two_sided_95_95")
    for n, row in reference["computed_here"].items():
        got = tolerance_factor_two_sided(int(n), 0.95, 0.95)
        assert got == pytest.approx(row["exact"], abs=5e-9)
    for n, k in reference["published"].items():
        assert tolerance_factor_two_sided(int(n), 0.95, 0.95) == pytest.approx(float(k), abs=5e-4)


def test_the_handbook_example_is_met_as_closely_as_its_approximations_are():
    # NIST/SEMATECH e-Handbook 7.2.6.3 prints Howe's and Natrella's approximations, good to 0.01
    reference = case("nist_tolerance_factors")
    inputs, exact = reference["inputs"], reference["computed_here"]
    how = inputs["n"], inputs["coverage"], inputs["confidence"]
    assert tolerance_factor_one_sided(*how) == pytest.approx(
        exact["k1_exact_noncentral_t"], abs=2e-9
    )
    assert tolerance_factor_two_sided(*how) == pytest.approx(exact["k2_exact"], abs=2e-9)
    assert tolerance_factor_one_sided(*how) == pytest.approx(reference["published"]["k1"], abs=0.01)
    assert tolerance_factor_two_sided(*how) == pytest.approx(reference["published"]["k2"], abs=0.01)


def test_a_pooled_spread_with_its_own_degrees_of_freedom_is_taken_into_account():
    # second road: integrate over the spread instead of the noncentral t distribution
    n, dof, coverage, confidence = 8, 40, 0.9, 0.95
    z = stats.norm.ppf(coverage)

    def short_of(k):
        def given_spread(q):
            ratio = (stats.chi2.ppf(q, dof) / dof) ** 0.5
            return stats.norm.cdf((k * ratio - z) * n**0.5)

        return integrate.quad(given_spread, 0, 1, epsabs=1e-10)[0] - confidence

    wanted = optimize.brentq(short_of, 1, 4, xtol=1e-10)
    got = tolerance_factor_one_sided(n, coverage, confidence, dof)
    assert got == pytest.approx(wanted, abs=1e-7)


def test_a_well_known_spread_needs_a_smaller_two_sided_factor():
    own = tolerance_factor_two_sided(8, 0.9, 0.95)
    pooled = tolerance_factor_two_sided(8, 0.9, 0.95, dof=40)
    # nothing can be below the factor of a known mean and spread, z(0.95) = 1.6449
    assert 1.6449 < pooled < own


@pytest.mark.parametrize("factor", [tolerance_factor_one_sided, tolerance_factor_two_sided])
def test_impossible_factors_are_refused(factor):
    with pytest.raises(ValueError, match="needs n and degrees of freedom: n 1, dof 0"):
        factor(1, 0.95, 0.95)
    with pytest.raises(ValueError, match=r"coverage must lie between 0 and 1: 1\.0"):
        factor(10, 1.0, 0.95)
    with pytest.raises(ValueError, match="confidence must lie between 0 and 1: 0"):
        factor(10, 0.95, 0)
