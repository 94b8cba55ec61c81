"""X-bar charts, charts of single values and the three-way chart against published examples."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.charts.subgroups import (
    individuals_chart,
    xbar_r_chart,
    xbar_r_chart_from,
    xbar_s_chart,
    xbar_s_chart_from,
)
from qc.statistics.charts.three_way import three_way_chart, three_way_chart_from

REFERENCE = Path(__file__).parents[2] / "reference"


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def piston_rings():
    # Montgomery, piston-ring tables
    with (REFERENCE / "montgomery_piston_rings.csv").open(newline="") as file:
        return np.array([[float(x) for x in row[1:]] for row in list(csv.reader(file))[1:]])


def test_the_xbar_and_r_chart_of_the_piston_rings_is_the_textbooks():
    reference = case("montgomery_piston_rings")
    exact, printed = reference["computed_here"], reference["published"]
    chart = xbar_r_chart(piston_rings()[:25])
    assert chart.centre == pytest.approx(exact["grand_mean"], abs=1e-9)
    assert chart.spread_bar == pytest.approx(exact["Rbar"], abs=1e-9)
    assert chart.sigma == pytest.approx(exact["sigma_R"], abs=1e-11)
    limits = [chart.means.lower[0], chart.means.upper[0]]
    np.testing.assert_allclose(limits, exact["xbar_lim_R_exact"], atol=1e-8)
    assert chart.spread.upper[0] == pytest.approx(exact["R_ucl_exact"], abs=1e-10)
    # printed upper limit 74.014 from a mean range rounded to 0.023
    np.testing.assert_allclose(limits, [printed["xbar_lcl"], printed["xbar_ucl"]], atol=6e-4)
    assert chart.spread.upper[0] == pytest.approx(printed["R_ucl"], abs=5e-4)
    assert chart.spread.points.sum() == pytest.approx(printed["sum_R"], abs=5e-4)
    assert chart.spread.lower[0] == 0
    assert chart.means.beyond().size == chart.spread.beyond().size == 0


def test_the_xbar_and_s_chart_of_the_piston_rings_is_the_textbooks():
    reference = case("montgomery_piston_rings")
    exact, printed = reference["computed_here"], reference["published"]
    chart = xbar_s_chart(piston_rings()[:25])
    assert chart.spread_bar == pytest.approx(exact["Sbar"], abs=1e-12)
    assert chart.spread_bar == pytest.approx(printed["Sbar"], abs=5e-5)
    assert chart.sigma == pytest.approx(exact["sigma_S"], abs=1e-11)
    limits = [chart.means.lower[0], chart.means.upper[0]]
    np.testing.assert_allclose(limits, exact["xbar_lim_S_exact"], atol=1e-8)
    assert chart.spread.upper[0] == pytest.approx(exact["S_ucl_exact"], abs=1e-10)
    assert chart.spread.upper[0] == pytest.approx(printed["S_ucl"], abs=5e-5)


def test_limits_learned_from_25_subgroups_find_the_later_shift():
    reference = case("montgomery_piston_rings")
    rings = piston_rings()
    learned = xbar_r_chart(rings[:25])
    later = xbar_r_chart(rings[25:], centre=learned.centre, sigma=learned.sigma)
    np.testing.assert_allclose(
        later.means.points, reference["computed_here"]["phase2_means"], atol=1e-9
    )
    assert (later.means.beyond() + 26).tolist() == reference["published"]["phase2_beyond"]
    assert np.isnan(later.spread_bar)


def test_subgroups_of_unequal_size_are_pooled_as_in_the_textbook():
    # Montgomery, X-bar and s chart with variable sample size, from memory: the same rings with
    # readings left out; 113 of them, mean 74.001, s̄ 0.0103 with 88 degrees of freedom, for n = 5
    # limits 73.986 and (from the rounded s̄) 74.016, s up to 0.022
    sizes = [5, 3, 5, 5, 5, 4, 4, 5, 4, 5, 5, 5, 3, 5, 3, 5, 4, 5, 5, 3, 5, 5, 5, 5, 5]
    parts = [ring[:n] for ring, n in zip(piston_rings(), sizes, strict=False)]
    chart = xbar_s_chart(parts)
    assert chart.sizes.sum() == 113
    assert chart.centre == pytest.approx(74.001, abs=5e-4)
    assert chart.spread_bar == pytest.approx(0.0103, abs=5e-5)
    assert chart.means.lower[0] == pytest.approx(73.986, abs=5e-4)
    assert chart.means.upper[0] == pytest.approx(74.016, abs=6e-4)
    assert chart.spread.upper[0] == pytest.approx(0.022, abs=6e-4)
    # a smaller subgroup has wider limits
    assert chart.means.upper[1] > chart.means.upper[0]
    # the pooled estimate is divided by c4 of its 88 degrees of freedom, hardly different from 1
    assert chart.sigma == pytest.approx(chart.spread_bar, rel=3e-3)


def test_ranges_of_unequal_subgroups_estimate_sigma_each_by_its_own_d2():
    # ASTM MNL 7: sigma is the mean of R/d2; printed d2 of 2 and 4: 1.128, 2.059
    chart = xbar_r_chart([[1.0, 3.0], [2.0, 5.0, 4.0, 3.0]])
    assert chart.sigma == pytest.approx((2 / 1.128 + 3 / 2.059) / 2, rel=5e-4)
    assert chart.centre == pytest.approx(18 / 6)


def test_summaries_give_the_same_charts_as_the_readings():
    rings = piston_rings()[:25]
    sizes, means = [5] * 25, rings.mean(axis=1)
    by_range = xbar_r_chart_from(sizes, means, np.ptp(rings, axis=1))
    by_sd = xbar_s_chart_from(sizes, means, rings.std(axis=1, ddof=1))
    np.testing.assert_array_equal(by_range.means.upper, xbar_r_chart(rings).means.upper)
    np.testing.assert_array_equal(by_sd.spread.upper, xbar_s_chart(rings).spread.upper)


def test_the_flow_rates_have_the_handbooks_individuals_chart():
    # NIST/SEMATECH e-Handbook 6.3.2.2, whose d2 is rounded to 1.128
    reference = case("nist_individuals_flowrate")
    exact = reference["computed_here"]
    chart = individuals_chart(reference["data"]["flowrate"])
    assert chart.mr_bar == pytest.approx(exact["mrbar"], abs=1e-9)
    assert chart.values.upper[0] == pytest.approx(exact["ucl_with_exact_d2"], abs=1e-8)
    assert chart.values.upper[0] == pytest.approx(reference["published"]["ucl"], abs=0.002)
    assert chart.values.lower[0] == pytest.approx(reference["published"]["lcl"], abs=0.002)
    np.testing.assert_allclose(chart.moving_ranges.points[1:], exact["mr"], atol=1e-12)
    assert np.isnan(chart.moving_ranges.points[0])
    assert chart.moving_ranges.upper[0] == pytest.approx(exact["mr_ucl"], abs=0.001)
    assert chart.values.beyond().size == chart.moving_ranges.beyond().size == 0


def test_standardised_points_are_in_standard_errors_and_ready_for_run_rules():
    chart = individuals_chart([410.0, 412.0, 411.0, 430.0], centre=411.0, sigma=2.0)
    np.testing.assert_allclose(chart.values.standardised(), [-0.5, 0.5, 0.0, 9.5])
    assert chart.values.beyond().tolist() == [3]


def test_batches_that_differ_by_nature_stay_inside_a_three_way_chart():
    # means vary by 5 g where parts vary by 1 g: an X-bar chart signals all the time
    rng = np.random.default_rng(4)
    batches = 412 + 5 * rng.standard_normal((200, 1)) + rng.standard_normal((200, 30))
    usual, three = xbar_s_chart(batches), three_way_chart(batches)
    assert usual.means.beyond().size >= 150
    # one in 370 by chance
    assert three.means.beyond().size <= 3
    # standard errors of about 7 and 1 %
    assert three.sigma_between == pytest.approx(5, rel=0.2)
    assert three.sigma_within == pytest.approx(1, rel=0.03)
    np.testing.assert_array_equal(three.within.points, usual.spread.points)
    assert three.sigma_means == individuals_chart(batches.mean(axis=1)).sigma


def test_a_batch_of_one_part_has_a_mean_and_no_spread():
    chart = three_way_chart([[410.0, 412.0], [411.0], [409.0, 412.0, 411.0]])
    assert np.isnan(chart.within.points[1])
    assert np.isfinite(chart.within.upper[[0, 2]]).all()
    assert chart.within.beyond().size == 0
    alone = three_way_chart([[410.0], [411.0], [413.0]])
    assert np.isnan(alone.sigma_within)
    assert np.isnan(alone.within.points).all()


def test_equal_readings_give_charts_of_no_width():
    chart = xbar_s_chart([[412.0, 412.0], [412.0, 412.0]])
    assert chart.sigma == 0
    assert chart.means.beyond().size == 0
    np.testing.assert_array_equal(chart.means.standardised(), [0, 0])


@pytest.mark.parametrize(
    ("work", "message"),
    [
        (lambda: xbar_r_chart([[1.0, 2.0], [3.0]]), "subgroup 1 must be a row of at least 2"),
        (lambda: xbar_s_chart([[1.0, np.nan]]), "subgroup 0 must be finite numbers: got nan"),
        (lambda: xbar_r_chart_from([5, 1], [1, 2], [1, 1]), "sizes must be at least 2 .*: got 1"),
        (lambda: xbar_r_chart_from([5], [1, 2], [1, 1]), "sizes 1, means 2, ranges 2"),
        (lambda: xbar_s_chart_from([5, 5], [1, 2], [1, -1]), "sds must not be negative: got -1"),
        (lambda: xbar_r_chart([[1.0, 2.0]], sigma=-1), "sigma must be .* at least 0: -1"),
        (lambda: individuals_chart([412.0]), r"values must be a row of at least 2"),
        (lambda: three_way_chart_from([5], [1], [1]), "sizes must be a row of at least 2"),
    ],
)
def test_bad_subgroups_are_refused(work, message):
    with pytest.raises(ValueError, match=message):
        work()
