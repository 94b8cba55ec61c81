"""Control-chart constants against the printed tables."""

import csv
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.charts.constants import c4, chart_constants

REFERENCE = Path(__file__).parents[2] / "reference"
NAMES = ("A2", "A3", "c4", "B3", "B4", "d2", "d3", "D3", "D4")


def table():
    with (REFERENCE / "control_chart_constants.csv").open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("name", NAMES)
def test_the_constants_are_those_of_the_printed_table(name):
    # Montgomery, Appendix VI; ASTM MNL 7. Eight printed digits come from rounded intermediates
    # and are one unit off, so the integrated column decides
    for row in table():
        got = getattr(chart_constants(int(row["n"])), name)
        assert got == pytest.approx(float(row[name]), abs=5.1e-9)
        unit = 10.0 ** -len(row[f"printed_{name}"].partition(".")[2])
        if row[f"printed_{name}"] != "0":
            assert got == pytest.approx(float(row[f"printed_{name}"]), abs=1.001 * unit)


def test_factors_for_a_known_sigma_are_the_printed_ones():
    # Montgomery, Appendix VI, n = 5, from memory
    five = chart_constants(5)
    got = [five.A, five.B5, five.B6, five.D1, five.D2]
    np.testing.assert_allclose(got, [1.342, 0, 1.964, 0, 4.918], atol=5e-4)


def test_ranges_of_large_samples_have_tippetts_means():
    # Tippett 1925, from memory: 4.498 for 50, 5.015 for 100, 6.483 for 1000
    got = [chart_constants(n).d2 for n in (50, 100, 1000)]
    np.testing.assert_allclose(got, [4.498, 5.015, 6.483], atol=5e-4)


def test_c4_serves_degrees_of_freedom_that_are_not_whole():
    # closed form at n = 2: √(2/π); between its neighbours in between
    assert c4(2) == pytest.approx((2 / np.pi) ** 0.5, rel=1e-14)
    assert c4(2) < c4(2.5) < c4(3)
    assert c4(1e6) == pytest.approx(1 - 1 / 4e6, abs=1e-12)


@pytest.mark.parametrize("n", [1, 0, 2.5, 10_001])
def test_other_sizes_have_no_constants(n):
    with pytest.raises(ValueError, match=r"n must be a whole number of readings from 2 to 10000"):
        chart_constants(n)
    with pytest.raises(ValueError, match="n must be above 1 for a standard deviation: 1"):
        c4(1)
