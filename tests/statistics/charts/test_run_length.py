"""Average run lengths and the designs made with them, against published tables."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from qc.statistics.charts.design import (
    cusum_limit,
    design_cusum,
    design_ewma,
    design_shewhart,
    ewma_width,
    shewhart_width,
)
from qc.statistics.charts.individuals import ewma, ewma_limits
from qc.statistics.charts.run_length import arl_cusum, arl_cusum_siegmund, arl_ewma, arl_shewhart

REFERENCE = Path(__file__).parents[2] / "reference"


def case(name):
    return json.loads((REFERENCE / f"{name}.json").read_text())


def test_the_shewhart_chart_has_its_closed_form_run_lengths():
    # Montgomery, CUSUM design section
    reference = case("arl_siegmund_and_shewhart")
    for shift, length in reference["computed_here"]["shewhart"].items():
        assert arl_shewhart(float(shift)) == pytest.approx(length, rel=1e-9)
    for shift, length in reference["published"]["shewhart"].items():
        assert arl_shewhart(float(shift)) == pytest.approx(
            length, abs=0.05 if shift == "0" else 0.005
        )


def test_siegmunds_approximation_gives_the_textbooks_numbers():
    reference = case("arl_siegmund_and_shewhart")["computed_here"]["siegmund"]
    one = arl_cusum_siegmund(0, k=0.5, h=5, sided="upper")
    assert one == pytest.approx(reference["one_sided_0"], rel=1e-9)
    assert arl_cusum_siegmund(0, k=0.5, h=5) == pytest.approx(reference["two_sided_0"], rel=1e-9)
    shifted = arl_cusum_siegmund(1, k=0.5, h=5, sided="upper")
    assert shifted == pytest.approx(reference["shift_1"], rel=1e-9)
    # where the drift is nought, b²
    assert arl_cusum_siegmund(0.5, k=0.5, h=5, sided="upper") == pytest.approx(6.166**2)
    assert arl_cusum_siegmund(0, k=5, h=200) == arl_cusum(0, k=5, h=200) == math.inf


@pytest.mark.parametrize(("start", "head_start"), [("zero_start", 0), ("headstart", 2)])
def test_the_cusum_has_the_run_lengths_of_lucas_and_crosier(start, head_start):
    # Lucas & Crosier (1982), table 1: k 0.5, h 4
    reference = case("arl_cusum_h4")
    shifts = reference["inputs"]["shift"]
    got = [arl_cusum(shift, k=0.5, h=4, head_start=head_start) for shift in shifts]
    np.testing.assert_allclose(got, reference["computed_here"][start], rtol=1e-9)
    prefix = "headstart " if head_start else ""
    for shift, length in zip(shifts, got, strict=True):
        check = next(c for c in reference["checks"] if c["name"] == f"{prefix}shift {shift}")
        assert length == pytest.approx(float(check["published"]), abs=check["tolerance"])


def test_the_usual_cusum_has_the_run_lengths_of_the_same_table():
    # the same paper, k 0.5, h 5, from memory
    shifts = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5)
    plain = (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01, 1.69)
    ahead = (430, 122, 28.7, 11.2, 6.35, 3.37, 2.36, 1.86, 1.54, 1.16, 1.02)
    for shift, usual, soon in zip(shifts, plain, ahead, strict=True):
        assert arl_cusum(shift, k=0.5, h=5) == pytest.approx(usual, rel=0.005)
        assert arl_cusum(shift, k=0.5, h=5, head_start=2.5) == pytest.approx(soon, rel=0.005)


def test_a_cusum_with_hardly_any_memory_is_a_shewhart_chart():
    # with h near 0 a sum is above it as soon as a point is beyond k
    assert arl_cusum(0.7, k=3, h=1e-9) == pytest.approx(arl_shewhart(0.7), rel=1e-7)


def test_one_sided_and_very_long_run_lengths_keep_their_digits():
    # two sums: 1/ARL = 1/ARL+ + 1/ARL-
    up, down = (arl_cusum(0.3, k=0.5, h=4, sided=sided) for sided in ("upper", "lower"))
    assert 1 / (1 / up + 1 / down) == pytest.approx(arl_cusum(0.3, k=0.5, h=4), rel=1e-12)
    assert down == arl_cusum(-0.3, k=0.5, h=4, sided="upper")
    # each step of h multiplies a long run length by about e^(2 k · step) (Siegmund 1985)
    ratio = arl_cusum(0, k=0.5, h=31) / arl_cusum(0, k=0.5, h=30)
    assert ratio == pytest.approx(math.e, rel=1e-6)
    assert arl_cusum(3, k=0.5, h=4, sided="lower") > 1e12


@pytest.mark.parametrize("scheme", case("arl_ewma")["published"])
def test_the_ewma_has_the_run_lengths_of_lucas_and_saccucci(scheme):
    # Lucas & Saccucci (1990); the printed digits are off by up to one unit in several entries
    reference = case("arl_ewma")
    weight, width = map(float, scheme.split(","))
    exact = reference["computed_here"][scheme]
    shifts = reference["inputs"]["shift" if len(exact) == 10 else "shift_for_last_two"]
    got = [arl_ewma(shift, weight=weight, width=width) for shift in shifts]
    np.testing.assert_allclose(got, exact, atol=5.1e-5)
    for shift, length in zip(shifts, got, strict=True):
        check = next(c for c in reference["checks"] if c["name"] == f"({scheme}) shift {shift}")
        assert length == pytest.approx(float(check["published"]), abs=check["tolerance"])


def test_an_ewma_without_memory_is_a_shewhart_chart():
    for exact in (False, True):
        length = arl_ewma(1.0, weight=1.0, width=3.0, exact=exact)
        assert length == pytest.approx(arl_shewhart(1.0), rel=1e-12)


def test_growing_limits_have_the_run_length_that_streams_show():
    # 20,000 seeded streams, a shift of 1 sigma from the start; standard error 0.03
    rng = np.random.default_rng(11)
    limits = ewma_limits(np.arange(1, 121), 1.0, 0.1, 2.814, 0.0)
    lengths = []
    for _ in range(20_000):
        smooth = ewma(1 + rng.standard_normal(120), 0.1, 0.0)
        lengths.append(int(np.argmax(smooth > limits.upper)) + 1)
    wanted = arl_ewma(1.0, weight=0.1, width=2.814, exact=True)
    assert np.mean(lengths) == pytest.approx(wanted, abs=4 * np.std(lengths) / 20_000**0.5)
    assert wanted < arl_ewma(1.0, weight=0.1, width=2.814)


def test_a_run_length_beyond_telling_is_infinite():
    assert arl_ewma(0.0, weight=0.2, width=12.0) == math.inf


def test_decision_limits_for_a_run_length_of_370_are_the_printed_ones():
    # Hawkins (1993), table of k and h for ARL 370, from memory
    for k, h in {0.25: 8.01, 0.5: 4.77, 0.75: 3.34, 1.0: 2.52, 1.25: 1.99}.items():
        assert cusum_limit(370, k=k) == pytest.approx(h, abs=5e-3)


@pytest.mark.parametrize("scheme", ["0.40,3.054", "0.10,2.814", "0.05,2.615"])
def test_widths_for_a_run_length_of_500_are_those_of_lucas_and_saccucci(scheme):
    weight, width = map(float, scheme.split(","))
    assert ewma_width(500, weight=weight) == pytest.approx(width, abs=1e-3)


def test_designs_meet_the_run_length_that_was_wanted():
    assert arl_shewhart(width=shewhart_width(200)) == pytest.approx(200)
    assert design_shewhart(370.4, 1.0)[1] == pytest.approx(43.9, abs=0.05)
    chart = design_cusum(200, 1.5, head_start_share=0.5)
    assert chart.k == 0.75
    got = arl_cusum(k=chart.k, h=chart.h, head_start=chart.head_start)
    assert got == pytest.approx(200, rel=1e-8)
    lower = design_cusum(200, 1.5, sided="lower")
    assert lower.arl1 == pytest.approx(design_cusum(200, 1.5, sided="upper").arl1)
    growing = design_ewma(200, 1.0, weight=0.2, exact=True)
    again = arl_ewma(weight=0.2, width=growing.width, exact=True)
    assert again == pytest.approx(200, rel=1e-8)


def test_the_designed_ewma_is_sooner_than_its_neighbours():
    best = design_ewma(370, 1.0)
    for weight in (0.7 * best.weight, 1.4 * best.weight):
        assert design_ewma(370, 1.0, weight=weight).arl1 > best.arl1
    # and as soon as the CUSUM of the same run length, within a few per cent
    assert best.arl1 == pytest.approx(design_cusum(370, 1.0).arl1, rel=0.05)
    # a large shift asks for hardly any memory
    assert design_ewma(370, 4.0).weight > 0.7


@pytest.mark.parametrize(
    ("work", "message"),
    [
        (lambda: arl_cusum(k=0.5, h=4, head_start=3), "head_start must lie from 0 to 2.5 here: 3"),
        (lambda: arl_cusum(k=0.5, h=-4), "h must be a finite number above 0: -4"),
        (lambda: arl_ewma(weight=0, width=3), "weight must be above 0 and at most 1: 0"),
        (lambda: arl_shewhart(math.inf), "shift must be a finite number: inf"),
        (lambda: cusum_limit(1.2, k=0.5), "arl0 must be above 1.621 for a CUSUM with k = 0.5: 1.2"),
        (lambda: shewhart_width(1), "arl0 must lie above 1 and up to 1,000,000 points: 1"),
        (lambda: design_ewma(370, 0), "shift must be a finite number above 0: 0"),
        (
            lambda: cusum_limit(370, k=0.5, head_start_share=0.6),
            "head_start_share must lie from 0 to 0.5: 0.6",
        ),
    ],
)
def test_impossible_charts_are_refused(work, message):
    with pytest.raises(ValueError, match=message):
        work()
