"""Pooled standard deviations and the levels of a gauge study, with NIST's own data."""

import csv
import json
import math
from pathlib import Path

import pytest

from qc.statistics.gauges.levels import gauge_study_levels, pooled_sd, pooled_sd_of_groups

REFERENCE = Path(__file__).parents[2] / "reference"


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


@pytest.fixture
def probes():
    with (REFERENCE / "nist_gauge_study_probes.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def levels(data):
    return gauge_study_levels(
        [float(r["average"]) for r in data],
        [float(r["stddev"]) for r in data],
        repeats=6,
        runs=[r["run"] for r in data],
        items=[r["wafer"] for r in data],
    )


def test_five_wafers_pool_to_the_handbook_repeatability():
    # NIST/SEMATECH e-Handbook 2.4.4.4: sum of squares 3.17635, 300 degrees of freedom, 0.10290
    reference = case("nist_pooled_repeatability")
    data, printed = reference["data"], reference["published"]
    sds = [(ss / dof) ** 0.5 for ss, dof in zip(data["ss"], data["df"], strict=True)]
    pooled = pooled_sd(sds, data["df"])
    assert pooled.ss == pytest.approx(printed["ss_sum"], abs=5e-6)
    assert pooled.dof == printed["df"]
    assert pooled.sd == pytest.approx(printed["s"], abs=5e-6)


@pytest.mark.parametrize("probe", ["1", "281", "283", "2062", "2362"])
def test_each_probe_has_its_three_levels(probes, probe):
    # NIST/SEMATECH e-Handbook 2.6.1, data file MPC61.DAT; second computation, no printed answer
    want = case("nist_gauge_study_probes")["computed_here"][probe]
    found = levels([r for r in probes if r["probe"] == probe])
    assert found.level1.sd == pytest.approx(want["repeatability"], abs=1e-10)
    assert found.level2.sd == pytest.approx(want["day_to_day"], abs=1e-10)
    assert found.level3.sd == pytest.approx(want["run_to_run"], abs=1e-10)
    assert (found.level1.dof, found.level2.dof, found.level3.dof) == (300, 50, 5)
    assert found.days == 6


def test_the_spread_of_one_reading_adds_the_levels_up_as_in_the_handbook(probes):
    # NIST/SEMATECH e-Handbook 2.5.3.1, from memory: s² = s3² + (K-1)/K s2² + (J-1)/J s1²
    found = levels([r for r in probes if r["probe"] == "2362"])
    s1, s2, s3 = found.level1.sd, found.level2.sd, found.level3.sd
    assert found.day_variance > 0
    assert found.run_variance > 0
    want = s3**2 + 5 / 6 * s2**2 + 5 / 6 * s1**2
    assert found.reading_sd**2 == pytest.approx(want, rel=1e-12)


def test_a_study_of_one_run_says_nothing_of_runs(probes):
    found = levels([r for r in probes if r["probe"] == "2362" and r["run"] == "1"])
    assert found.level3.dof == 0
    assert math.isnan(found.level3.sd)
    assert math.isnan(found.level3.interval().lower)
    assert math.isnan(found.run_variance)
    assert found.reading_sd > found.level1.sd


def test_a_pooled_deviation_has_exact_limits():
    # χ² points of 10 degrees of freedom, 3.247 and 20.483 in every table
    lower, upper = pooled_sd([2.0, 2.0], [4, 6]).interval()
    assert lower == pytest.approx((40 / 20.483) ** 0.5, rel=1e-4)
    assert upper == pytest.approx((40 / 3.247) ** 0.5, rel=1e-4)


def test_groups_pool_about_their_own_means_and_a_single_value_adds_nothing():
    found = pooled_sd_of_groups([1, 3, 10, 14, 100], "AABBC")
    assert (found.ss, found.dof) == (2 + 8, 2)


def test_bad_pools_are_refused():
    with pytest.raises(ValueError, match="sds must be a finite number of at least 0: -1"):
        pooled_sd([-1.0], [3])
    with pytest.raises(ValueError, match=r"dofs must be whole numbers: got 2\.5"):
        pooled_sd([1.0], [2.5])
    with pytest.raises(ValueError, match="one entry each"):
        pooled_sd([1.0, 2.0], [3])
    with pytest.raises(ValueError, match="groups must have one label per value: 1, 2"):
        pooled_sd_of_groups([1, 2], "A")
    with pytest.raises(ValueError, match="repeats must be a whole number from 2: 1"):
        gauge_study_levels([1.0], [0.1], repeats=1, runs="A", items="X")
    with pytest.raises(ValueError, match="one label per average: 2 and 1 for 1"):
        gauge_study_levels([1.0], [0.1], repeats=2, runs="AB", items="X")
