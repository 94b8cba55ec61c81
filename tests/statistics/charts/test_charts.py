"""Individuals and EWMA charts against the worked examples of the NIST/SEMATECH e-Handbook."""

import json
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.charts.individuals import (
    D2_OF_TWO,
    D4_OF_TWO,
    ewma,
    ewma_limits,
    individuals_limits,
)

REFERENCE = Path(__file__).parents[2] / "reference"


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def test_individuals_limits_are_those_of_the_flow_rate_example():
    # e-Handbook 6.3.2.2, which rounds d2 to 1.128: its limits agree to 0.002
    reference = case("nist_individuals_flowrate")
    limits = individuals_limits(reference["data"]["flowrate"])
    printed, exact = reference["published"], reference["computed_here"]
    assert limits.centre == pytest.approx(exact["mean"], rel=1e-12)
    assert limits.mr_bar == pytest.approx(exact["mrbar"], abs=1e-9)
    assert limits.upper == pytest.approx(exact["ucl_with_exact_d2"], abs=1e-8)
    assert limits.upper == pytest.approx(printed["ucl"], abs=0.002)
    assert limits.lower == pytest.approx(printed["lcl"], abs=0.002)
    # printed with the usual D4 of 3.267
    assert limits.mr_upper == pytest.approx(exact["mr_ucl"], abs=0.001)


def test_the_constants_of_two_in_a_row_are_the_printed_ones():
    # ASTM MNL 7 and every textbook table: d2 = 1.128, D4 = 3.267
    assert pytest.approx(1.128, abs=5e-4) == D2_OF_TWO
    assert pytest.approx(3.267, abs=5e-4) == D4_OF_TWO


def test_the_ewma_and_its_limits_are_those_of_the_handbook_example():
    # e-Handbook 6.3.2.4
    reference = case("nist_ewma")
    given, exact = reference["inputs"], reference["computed_here"]
    smooth = ewma(reference["data"]["x"], given["lam"], given["target"])
    np.testing.assert_allclose(smooth, exact["ewma"], atol=1e-8)
    np.testing.assert_allclose(smooth, reference["published"]["ewma"], atol=0.00501)
    chart = given["s"], given["lam"], given["L"], given["target"]
    steady = ewma_limits(1, *chart, exact=False)
    assert float(steady.upper) == pytest.approx(exact["ucl_exact"], abs=1e-8)
    assert float(steady.lower) == pytest.approx(exact["lcl_exact"], abs=1e-8)
    growing = ewma_limits(np.arange(1, 21), *chart)
    np.testing.assert_allclose(growing.upper, exact["time_varying_ucl"], atol=1e-8)
    assert not ((smooth > growing.upper) | (smooth < growing.lower)).any()


def test_a_quiet_row_far_from_nought_stays_where_it_is():
    assert (ewma([412.3] * 1000, 0.2, 412.3) == 412.3).all()


def test_bad_charts_are_refused():
    with pytest.raises(ValueError, match=r"at least 2 values: got shape \(1,\)"):
        individuals_limits([412.0])
    with pytest.raises(ValueError, match=r"above 0 and at most 1: 1\.2"):
        ewma([1.0], 1.2, 0.0)
    with pytest.raises(ValueError, match="above 0 and at most 1: 0"):
        ewma_limits(1, 1.0, 0, 3.0, 0.0)
