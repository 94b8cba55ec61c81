"""Charts of counts against the NIST/SEMATECH e-Handbook, 6.3.3.1 and 6.3.3.2."""

import json
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.charts.attributes import c_chart, np_chart, p_chart, u_chart

REFERENCE = Path(__file__).parents[2] / "reference"
CASE = json.loads((REFERENCE / "nist_attribute_charts.json").read_text())
EXACT = CASE["computed_here"]


def rejects():
    return np.round(np.array(CASE["data"]["fraction_defective"]) * CASE["data"]["n_per_wafer"])


def test_defects_per_wafer_have_the_handbooks_c_chart():
    chart = c_chart(CASE["data"]["defects"])
    printed = CASE["published"]["c"]
    assert chart.centre[0] == printed["cl"]
    assert chart.upper[0] == pytest.approx(printed["ucl"], abs=1e-12)
    assert chart.lower[0] == pytest.approx(printed["lcl"], abs=1e-12)
    assert (chart.beyond() + 1).tolist() == EXACT["c_beyond"]


def test_shares_of_defective_chips_have_the_handbooks_p_chart():
    chart = p_chart(rejects(), CASE["data"]["n_per_wafer"])
    got = chart.centre[0], chart.upper[0], chart.lower[0]
    np.testing.assert_allclose(got, (EXACT["pbar"], EXACT["p_ucl"], EXACT["p_lcl"]), atol=1e-9)
    printed = CASE["published"]["p"]
    np.testing.assert_allclose(got, (printed["cl"], printed["ucl"], printed["lcl"]), atol=5.1e-5)
    assert (chart.beyond() + 1).tolist() == EXACT["p_beyond"]


def test_numbers_and_shares_make_the_same_chart():
    share, number = p_chart(rejects(), 50), np_chart(rejects(), 50)
    np.testing.assert_allclose(number.upper, 50 * share.upper, rtol=1e-14)
    np.testing.assert_array_equal(number.beyond(), share.beyond())


def test_findings_per_unit_follow_from_findings():
    # one unit a sample: the u chart is the c chart
    counts = CASE["data"]["defects"]
    np.testing.assert_array_equal(u_chart(counts, 1).upper, c_chart(counts).upper)
    chart = u_chart([4, 9], [2, 3])
    assert chart.centre[0] == pytest.approx(13 / 5)
    np.testing.assert_allclose(chart.upper, 2.6 + 3 * np.sqrt(2.6 / np.array([2, 3])))


def test_lots_of_unequal_size_have_limits_of_their_own():
    chart = p_chart([2, 3], [10, 90])
    assert chart.centre[0] == pytest.approx(0.05)
    assert chart.upper[0] > chart.upper[1]
    assert chart.lower[0] == 0


def test_a_centre_learned_earlier_is_carried_over():
    chart = c_chart([3, 40], centre=16.0)
    assert chart.beyond().tolist() == [0, 1]


def test_no_findings_at_all_are_a_quiet_chart():
    chart = c_chart([0, 0, 0])
    assert chart.upper[0] == 0
    assert chart.beyond().size == 0
    assert p_chart([50, 50], 50).upper[0] == 1


@pytest.mark.parametrize(
    ("work", "message"),
    [
        (lambda: c_chart([1, -1]), "counts must not be negative: got -1"),
        (lambda: p_chart([3, 11], 10), "rejects must not exceed the parts inspected: 11 of 10"),
        (lambda: u_chart([1, 2], [1, 0]), "sizes must be above 0: got 0"),
        (lambda: u_chart([1, 2], [1, 1, 1]), "counts 2, sizes 3"),
        (lambda: np_chart([1], 5, centre=1.5), "centre must be a share from 0 to 1: 1.5"),
        (lambda: c_chart([]), "counts must be a row of at least 1"),
    ],
)
def test_bad_counts_are_refused(work, message):
    with pytest.raises(ValueError, match=message):
        work()
