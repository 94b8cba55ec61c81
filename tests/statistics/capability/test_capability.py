"""Capability indices against the NIST/SEMATECH e-Handbook and Montgomery."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from qc.statistics.capability.capability import capability_indices, fallout_ppm
from qc.statistics.capability.process import process_capability

REFERENCE = Path(__file__).parents[2] / "reference"


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def piston_rings():
    with (REFERENCE / "montgomery_piston_rings.csv").open(newline="") as file:
        return np.array([[float(x) for x in row[1:]] for row in list(csv.reader(file))[1:26]])


def test_the_handbooks_indices_follow_from_mean_and_deviation():
    # NIST/SEMATECH e-Handbook 6.1.6
    reference = case("nist_capability")
    given, printed = reference["inputs"], reference["published"]
    found = capability_indices(given["mean"], given["s"], lower=given["lsl"], upper=given["usl"])
    assert found.cp == printed["Cp"]
    assert found.cpu == pytest.approx(printed["Cpu"], abs=5e-5)
    assert found.cpl == pytest.approx(printed["Cpl"], abs=5e-5)
    assert found.cpk == pytest.approx(reference["computed_here"]["Cpk"], abs=1e-10)
    assert found.cpm(14) == pytest.approx(reference["computed_here"]["Cpm_target_14"], abs=1e-10)


def test_the_expected_fallout_is_the_printed_one():
    # NIST/SEMATECH e-Handbook 6.1.6; Montgomery's table
    reference = case("cp_to_ppm")
    for sides, name in ((2, "two_sided"), (1, "one_sided")):
        for index, ppm in reference["computed_here"][name].items():
            assert fallout_ppm(float(index), sides=sides) == pytest.approx(ppm, rel=1e-9)
    for index, ppm in {0.5: 133614, 1.0: 2700, 1.33: 66}.items():
        assert fallout_ppm(index) == pytest.approx(ppm, abs=0.55)
    assert fallout_ppm(1.5, sides=1) == pytest.approx(3.4, abs=0.05)


def test_the_fallout_of_an_off_centre_process_is_shared_out():
    found = capability_indices(16, 2, lower=8, upper=20).fallout()
    assert found.above_ppm == pytest.approx(1e6 * stats.norm.sf(2), rel=1e-10)
    assert found.below_ppm == pytest.approx(1e6 * stats.norm.cdf(-4), rel=1e-10)
    assert found.total_ppm == found.below_ppm + found.above_ppm
    assert capability_indices(16, 2, upper=20).fallout().below_ppm == 0


def test_cp_has_the_textbooks_exact_interval():
    # Montgomery, example 8.4, from memory: limits 38 and 62, n 20, s 1.75: 1.57 to 3.01
    found = capability_indices(50, 1.75, lower=38, upper=62, n=20)
    assert found.cp == pytest.approx(2.29, abs=0.005)
    bounds = found.cp_interval(0.95)
    np.testing.assert_allclose([bounds.lower, bounds.upper], [1.57, 3.01], atol=0.006)


def test_cpk_has_bissells_interval():
    # Bissell (1990), as in Montgomery: cpk (1 ± z √(1/(9 n cpk²) + 1/(2 (n - 1))))
    found = capability_indices(16, 2, lower=8, upper=20, n=20)
    part = 1.959963985 * math.sqrt(1 / (9 * 20 * found.cpk**2) + 1 / 38)
    bounds = found.cpk_interval(0.95)
    wanted = [found.cpk * (1 - part), found.cpk * (1 + part)]
    np.testing.assert_allclose([bounds.lower, bounds.upper], wanted, rtol=1e-9)


@pytest.mark.parametrize("dof", [None, 75.6])
def test_one_sided_limits_solve_the_noncentral_t_equation(dof):
    # a second road: the chance of so large an index, by integrating over the deviation
    found = capability_indices(16, 2, lower=8, upper=20, n=12, dof=dof)
    bounds, root, f = found.cpu_interval(0.9), 3 * math.sqrt(12), dof or 11
    s = np.linspace(1e-9, 4, 40_001)
    weight = stats.chi.pdf(s * math.sqrt(f), f) * math.sqrt(f) * (s[1] - s[0])
    for true, chance in ((bounds.lower, 0.05), (bounds.upper, 0.95)):
        above = float(weight @ stats.norm.cdf(root * (true - found.cpu * s)))
        assert above == pytest.approx(chance, abs=1e-8)
    assert found.cpk_lower_bound(0.95) == pytest.approx(bounds.lower, rel=1e-9)


def test_a_lower_bound_is_a_one_sided_tolerance_factor_in_other_words():
    # an index of k/3 is just proved at z/3 where k is the tolerance factor of that share:
    # n 10, 95 %/95 %: k 2.911 (Odeh & Owen 1980), z 1.6449
    found = capability_indices(0, 1, upper=2.911, n=10)
    assert found.cpk_lower_bound(0.95) == pytest.approx(1.6449 / 3, abs=2e-4)


def test_exact_limits_hold_the_true_index_as_often_as_they_say():
    # 1,000 seeded samples of 8: standard error 0.7 %
    rng = np.random.default_rng(21)
    held = np.zeros(3)
    for _ in range(1000):
        x = rng.standard_normal(8)
        found = capability_indices(x.mean(), x.std(ddof=1), lower=-4, upper=3.5, n=8)
        cp, cpu = found.cp_interval(), found.cpu_interval()
        held += (
            cp.lower <= 1.25 <= cp.upper,
            cpu.lower <= 3.5 / 3 <= cpu.upper,
            found.cpk_lower_bound() <= 3.5 / 3,
        )
    cp_share, cpu_share, bound_share = held / 1000
    assert cp_share == pytest.approx(0.95, abs=0.025)
    assert cpu_share == pytest.approx(0.95, abs=0.025)
    assert bound_share >= 0.925


def test_the_piston_rings_have_the_textbooks_indices():
    # Montgomery, piston rings with limits 74 ± 0.05; from unrounded R̄ and from all readings
    exact = case("montgomery_piston_rings")["computed_here"]
    found = process_capability(piston_rings(), lower=73.95, upper=74.05, within="range")
    assert found.cp == pytest.approx(exact["Cp_from_Rbar"], abs=1e-8)
    assert found.cpk == pytest.approx(exact["Cpk_from_Rbar"], abs=1e-8)
    assert found.pp == pytest.approx(exact["Pp"], abs=1e-8)
    assert found.ppk == pytest.approx(exact["Ppk"], abs=1e-8)
    # the textbook's 1.68 rests on a sigma rounded to 0.0099
    rounded = capability_indices(74.001, 0.0099, lower=73.95, upper=74.05)
    assert rounded.cp == pytest.approx(1.68, abs=0.005)


def test_degrees_of_freedom_follow_from_how_the_spread_was_estimated():
    # 25 subgroups of 5: 100 pooled; ranges are worth about 0.9 of that (Patnaik 1950)
    by = {
        how: process_capability(piston_rings(), upper=74.05, within=how).within.dof
        for how in ("pooled", "range", "sd")
    }
    assert by["pooled"] == 100
    assert by["range"] == pytest.approx(91, abs=0.5)
    assert by["range"] < by["sd"] < by["pooled"]
    # one subgroup of two: range and deviation are the same thing
    one = process_capability([[1.0, 2.0]], upper=4, within="range").within
    assert (one.dof, one.sd) == (pytest.approx(1), pytest.approx(1 / 1.128, abs=5e-4))


def test_single_readings_take_their_spread_from_the_moving_range():
    flow = case("nist_individuals_flowrate")["data"]["flowrate"]
    found = process_capability(flow, lower=45, upper=57)
    assert found.within.sd == pytest.approx(1.8778 / 1.1284, abs=1e-4)
    assert found.overall.sd == pytest.approx(np.std(flow, ddof=1))
    # a moving range is worth 0.605 of its differences (Cryer & Ryan 1990)
    assert found.within.dof == pytest.approx(0.605 * 9)


def test_a_moving_range_scatters_as_its_degrees_of_freedom_say():
    # 4,000 seeded rows of 60: relative variance 1/(2 · 0.605 · 59), its standard error 2.2 %
    rows = np.random.default_rng(22).standard_normal((4000, 60))
    sigma = np.abs(np.diff(rows, axis=1)).mean(axis=1)
    scatter = sigma.var() / sigma.mean() ** 2
    assert scatter == pytest.approx(1 / (2 * 0.605 * 59), rel=0.1)


def test_one_limit_leaves_the_other_sides_index_unknown():
    found = capability_indices(0.2, 0.05, upper=0.5, n=30)
    assert found.cpk == found.cpu == pytest.approx(2)
    assert math.isnan(found.cp)
    assert math.isnan(found.cpl)
    assert math.isnan(found.cpl_interval().lower)


def test_readings_without_spread_have_a_decided_index():
    assert capability_indices(5, 0, lower=5, upper=6).cpk == 0
    assert capability_indices(5.5, 0, lower=5, upper=6).cpk == math.inf
    assert capability_indices(7, 0, upper=6, n=3).cpk_lower_bound() == -math.inf


def test_an_enormous_index_still_has_limits():
    # coarse readings can leave hardly any spread; the ratio of the limits is that of √χ²
    bounds = capability_indices(0, 1, lower=-1e6, n=30).cpl_interval()
    chi = np.sqrt(stats.chi2.ppf([0.025, 0.975], 29) / 29) * 1e6 / 3
    np.testing.assert_allclose([bounds.lower, bounds.upper], chi, rtol=1e-6)
    turned = capability_indices(0, 1, upper=-1e6, n=30).cpu_interval()
    assert turned.lower == pytest.approx(-bounds.upper, rel=1e-9)


@pytest.mark.parametrize(
    ("work", "message"),
    [
        (lambda: capability_indices(1, 1), "lower or upper must be given: got neither"),
        (lambda: capability_indices(1, -1, upper=2), "sd must be .* at least 0: -1"),
        (lambda: capability_indices(1, 1, lower=3, upper=2), "lower must be below upper: 3 and 2"),
        (lambda: capability_indices(1, 1, upper=2, n=1), "n must be at least 2 readings: 1"),
        (lambda: capability_indices(1, 1, upper=2, n=5, dof=0), "dof must be above 0: 0"),
        (lambda: capability_indices(1, 1, upper=2).cpk_interval(), "n must be given"),
        (lambda: fallout_ppm(1.0, sides=3), "sides must be 1 or 2: 3"),
        (lambda: process_capability([1.0], upper=2), "readings must be a row of at least 2"),
        (
            lambda: process_capability([[1, 2]], upper=2, within="mad"),
            "within must be pooled, range or sd: mad",
        ),
    ],
)
def test_bad_capability_is_refused(work, message):
    with pytest.raises(ValueError, match=message):
        work()
