"""The change point in the annual flow of the Nile, and what is known of its error."""

import csv
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.charts.change_point import Places, _Walk, mean_change

REFERENCE = Path(__file__).parents[2] / "reference"


def nile():
    with (REFERENCE / "nile_changepoint.csv").open(newline="") as file:
        return [(int(row["year"]), float(row["volume"])) for row in csv.DictReader(file)]


def test_the_nile_fell_after_1898():
    # Cobb (1978); the interval 1895 to 1902 is that of Bai (1997)
    case = json.loads((REFERENCE / "nile_changepoint.json").read_text())
    printed = case["published"]
    years, flow = zip(*nile(), strict=True)
    change = mean_change(flow)
    assert change.at == printed["last_of_first_segment"]
    assert years[change.at - 1] == printed["year"]
    assert change.rss_none == pytest.approx(printed["rss0"], abs=0.005)
    assert change.rss_one == pytest.approx(printed["rss1"], abs=0.0005)
    assert change.mean_before == pytest.approx(printed["mean1"], abs=0.005)
    assert change.mean_after == pytest.approx(printed["mean2"], abs=5e-7)
    assert change.sup_f == pytest.approx(printed["supF"], abs=1e-7)
    bounds = change.interval(0.95)
    assert [years[bounds.first - 1], years[bounds.last - 1]] == printed["ci_years"]
    assert change.p_value() < 1e-12
    assert change.permutation_p(draws=199) == 1 / 200
    assert change.at in change.likely_places()


def test_the_places_error_has_yaos_quantiles():
    # Yao (1987), in Bai (1997): 90 and 95 % of the highest points lie within 7.7 and 11.0
    walk = _Walk(step=1.0, sd_before=1.0, sd_after=1.0)
    assert walk.quantile_above(0.05) == pytest.approx(7.7, abs=0.05)
    assert walk.quantile_above(0.025) == pytest.approx(11.0, abs=0.05)
    # distances count in (sd/step)²
    doubled = _Walk(step=0.5, sd_before=1.0, sd_after=1.0)
    assert doubled.quantile_above(0.025) == pytest.approx(4 * walk.quantile_above(0.025))


def test_sides_of_unequal_spread_share_the_error_as_simulated_walks_do():
    # 4,000 seeded random walks of small steps, which stand for the path
    walk, steps = _Walk(step=0.4, sd_before=1.0, sd_after=2.0), 2000
    rng = np.random.default_rng(6)
    beyond = 0
    limit = walk.quantile_above(0.3)
    for _ in range(4000):
        after = np.cumsum(0.4 * 2.0 * rng.standard_normal(steps) - 0.08)
        before = np.cumsum(0.4 * 1.0 * rng.standard_normal(steps) - 0.08)
        best = int(np.argmax(after))
        beyond += after[best] > max(before.max(), 0.0) and best + 1 > limit
    # standard error 0.007; whole steps against a continuous path cost about 0.01
    assert beyond / 4000 == pytest.approx(0.3, abs=0.035)


def test_p_values_are_those_of_andrews_critical_values():
    # Andrews (1993), corrected 2003, one mean, 15 % trimmed, from memory: 7.12, 8.68, 12.16
    change = replace(mean_change(np.arange(10.0)), values=np.zeros(1000), first=150, last=850)
    for level, critical, within in ((0.1, 7.12, 0.004), (0.05, 8.68, 0.002), (0.01, 12.16, 0.001)):
        assert replace(change, sup_f=critical).p_value() == pytest.approx(level, abs=within)
    assert replace(change, sup_f=0.5).p_value() == 1


def test_quiet_series_are_seldom_called_changed():
    # 400 seeded series of 20 values at 5 %: standard error 1.1 %
    rng = np.random.default_rng(12)
    found = sum(
        mean_change(rng.standard_normal(20)).permutation_p(draws=99, seed=i) <= 0.05
        for i in range(400)
    )
    assert found / 400 == pytest.approx(0.05, abs=0.035)


def test_likely_places_hold_the_change_as_often_as_they_say():
    # 600 seeded series of 20 values, shift 1.5 sigma after the 12th: standard error 0.9 %
    rng = np.random.default_rng(13)
    held = 0
    for _ in range(600):
        values = rng.standard_normal(20)
        values[12:] += 1.5
        held += 12 in mean_change(values).likely_places(0.95)
    assert held / 600 >= 0.92


def test_a_plain_step_is_found_to_the_value():
    change = mean_change([410.0, 410.0, 410.0, 418.0, 418.0, 418.0])
    assert (change.at, change.shift, change.sup_f) == (3, 8.0, math.inf)
    assert change.interval() == Places(3, 3)
    assert change.likely_places() == (3,)


def test_equal_values_have_no_change_and_no_place():
    change = mean_change([412.0] * 6)
    assert (change.shift, change.sup_f, change.p_value()) == (0, 0, 1)
    assert change.permutation_p(draws=19) == 1
    assert change.interval() == Places(1, 5)


def test_the_ends_stay_clear_by_the_trim():
    values = [0.0, 9.0, *([1.0, 2.0] * 9)]
    assert mean_change(values, trim=0.25).at >= 5
    change = mean_change(values, trim=0.0)
    assert (change.first, change.last) == (1, 19)


def test_bad_series_are_refused():
    with pytest.raises(ValueError, match="values must be a row of at least 4"):
        mean_change([1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match=r"trim must lie from 0 to below 0.5: 0.5"):
        mean_change([1.0, 2.0, 3.0, 4.0], trim=0.5)
    with pytest.raises(ValueError, match="confidence must lie between 0 and 1: 95"):
        mean_change([1.0, 2.0, 3.0, 4.0]).interval(95)
