"""Run-out traces against analytic signals, and against turns with known bumps."""

import csv
import json
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.runout import Bump, analyse, form_mm, harmonics, tir_mm

REFERENCE = Path(__file__).parents[1] / "reference"
CASES = [
    "runout_pure_eccentric",
    "runout_mixed",
    "runout_missing_positions",
    "runout_second_harmonic_only",
]
DIAL = Decimal("0.01")

dial_readings = st.lists(st.decimals(min_value=-3, max_value=3, places=2), min_size=8, max_size=72)


def case(name):
    """The published part of a reference case, its angles and its readings."""
    known = json.loads((REFERENCE / f"{name}.json").read_text(encoding="utf-8"))
    rows = list(csv.DictReader((REFERENCE / f"{name}.csv").read_text().splitlines()))
    angles = [float(row["angle_deg"]) for row in rows]
    return known, angles, [float(row["reading"]) for row in rows]


def turn(n, *waves, bump=None, scatter_mm=0.0, seed=1):
    """Readings of a turn made of waves (k, amplitude, phase) and a raised-cosine bump."""
    angles = np.arange(n) * 360.0 / n
    readings = np.random.default_rng(seed).normal(size=n) * scatter_mm
    for k, amplitude_mm, phase_deg in waves:
        readings += amplitude_mm * np.cos(np.radians(k * (angles - phase_deg)))
    if bump:
        away = np.abs((angles - bump.angle_deg + 180) % 360 - 180) / bump.width_deg
        readings += bump.height_mm * np.where(away < 1, 0.5 + 0.5 * np.cos(np.pi * away), 0)
    return readings


# --- analytic signals: exact by construction, readings printed to 1e-10 mm


@pytest.mark.parametrize("name", CASES)
def test_waves_of_the_analytic_signals(name):
    known, angles, readings = case(name)
    true = {wave["k"]: wave for wave in known["inputs"]["harmonics"]}
    for k, amplitude, phase in harmonics(readings, angles, order=5):
        wave = true.get(k, {"amplitude": 0.0})
        assert amplitude == pytest.approx(wave["amplitude"], abs=1e-9)
        if "phase_deg" in wave:
            turns = (phase - wave["phase_deg"]) * k / 360
            assert turns == pytest.approx(round(turns), abs=1e-7)


@pytest.mark.parametrize("name", CASES)
def test_traces_of_the_analytic_signals(name):
    known, angles, readings = case(name)
    trace = analyse(readings, angles)
    computed = known["computed_here"]
    amplitudes = {wave["k"]: wave["amplitude"] for wave in computed["harmonics"]}
    assert trace.n == len(readings)
    assert trace.mean_mm == pytest.approx(computed["mean"], abs=1e-9)
    assert trace.tir_mm == pytest.approx(computed["tir_sampled"], abs=2e-9)
    form = computed["out_of_round_after_removing_first_harmonic"]
    assert trace.form_mm == pytest.approx(form, abs=2e-9)
    assert trace.eccentricity_mm == pytest.approx(amplitudes[1], abs=1e-9)
    assert trace.twice_mm == pytest.approx(amplitudes[2], abs=1e-9)
    assert trace.bump is None


def test_directions_of_the_mixed_signal():
    trace = analyse(case("runout_mixed")[2])
    assert trace.eccentricity_deg == pytest.approx(75, abs=1e-6)
    assert trace.twice_deg == pytest.approx(20, abs=1e-6)


@pytest.mark.parametrize("name", [name for name in CASES if "missing" not in name])
def test_form_of_the_equally_spaced_signals(name):
    known, _, readings = case(name)
    form = known["computed_here"]["out_of_round_after_removing_first_harmonic"]
    assert form_mm(readings) == pytest.approx(form, abs=2e-9)


def test_a_true_circle_off_centre_runs_out_by_twice_its_eccentricity():
    # geometry, exact: distance from the axis of a circle of 311 mm, 0.5 mm off; the limaçon's
    # false second wave is e²/4R
    known = json.loads((REFERENCE / "lsc_eccentric_circle.json").read_text(encoding="utf-8"))
    rows = csv.DictReader((REFERENCE / "lsc_eccentric_circle.csv").read_text().splitlines())
    trace = analyse([float(row["radius"]) for row in rows])
    computed = known["computed_here"]
    assert trace.tir_mm == pytest.approx(1.0, abs=1e-9)
    assert trace.eccentricity_mm == pytest.approx(computed["first_harmonic_amplitude"], abs=1e-6)
    assert trace.eccentricity_deg == pytest.approx(30, abs=1e-6)
    assert trace.twice_mm == pytest.approx(computed["second_harmonic_amplitude"], abs=1e-9)


def test_the_sampled_example_of_360_readings():
    # ts-worked-examples.csv: 0.3·cos θ + 0.1·cos 2θ; FIR 0.6125, eccentricity 0.3, rest 0.2000
    readings = turn(360, (1, 0.3, 0), (2, 0.1, 0))
    trace = analyse(readings)
    assert round(trace.tir_mm, 4) == 0.6125
    assert trace.eccentricity_mm == pytest.approx(0.3)
    assert round(trace.form_mm, 4) == 0.2
    assert trace.rest_mm == 0
    assert form_mm(readings) == trace.form_mm


# --- verdicts


def test_tir_is_the_largest_less_the_smallest_reading_exactly():
    assert tir_mm([Decimal("0.3"), Decimal("-0.1"), Decimal("0.2")]) == Decimal("0.4")
    tiny = Decimal("1e-27")
    assert tir_mm([Decimal(100) + 0 * tiny, tiny]) == Decimal("99.999999999999999999999999999")


def test_a_form_exactly_at_its_limit_is_not_above_it():
    # four zero-mean readings of ±0.25 that no once-per-turn wave can make: form 0.5 by
    # construction, in whatever noise the sines of n readings bring
    for n in range(8, 100, 4):
        readings = [Decimal("0.25") * (1 if 4 * i // n % 2 else -1) for i in range(n)]
        assert form_mm(readings) == 0.5


def test_form_of_a_trace_and_form_of_a_turn_are_one():
    readings = turn(36, (1, 0.4, 10), (2, 0.1, 30), (5, 0.03, 7), scatter_mm=0.02)
    assert analyse(readings).form_mm == form_mm(readings)


@given(dial_readings, st.floats(0, 2), st.floats(0, 360), st.floats(-5, 5))
def test_how_the_rim_sits_on_the_stand_does_not_change_its_form(dial, off_mm, off_deg, zero_mm):
    readings = np.array([float(reading) for reading in dial])
    moved = readings + zero_mm + turn(len(dial), (1, off_mm, off_deg))
    assert form_mm(moved) == pytest.approx(form_mm(readings), abs=2e-9)
    assert analyse(moved).form_mm == pytest.approx(form_mm(readings), abs=2e-9)


@given(dial_readings)
def test_form_agrees_with_a_plain_least_squares_solution(dial):
    readings = np.array([float(reading) for reading in dial])
    turns = 2 * np.pi * np.arange(len(dial)) / len(dial)
    design = np.column_stack([np.ones(len(dial)), np.cos(turns), np.sin(turns)])
    left = readings - design @ np.linalg.solve(design.T @ design, design.T @ readings)
    assert form_mm(dial) == pytest.approx(np.ptp(left), abs=2e-9)


@given(dial_readings, st.integers(0, 71))
def test_starting_the_turn_elsewhere_turns_the_directions_only(dial, shift):
    shift %= len(dial)
    start = analyse([float(reading) for reading in dial])
    later = analyse([float(reading) for reading in dial[shift:] + dial[:shift]])
    assert later.tir_mm == start.tir_mm == float(tir_mm(dial))
    assert later.form_mm == pytest.approx(start.form_mm, abs=2e-9)
    assert later.twice_mm == pytest.approx(start.twice_mm, abs=1e-9)
    if start.eccentricity_mm > 1e-6:
        turned = (start.eccentricity_deg - later.eccentricity_deg) / 360 - shift / len(dial)
        assert turned == pytest.approx(round(turned), abs=1e-6)


@given(st.permutations(range(24)))
def test_the_order_of_named_positions_does_not_matter(order):
    readings = turn(24, (1, 0.2, 50), (2, 0.1, 30), scatter_mm=0.01)
    mixed = analyse(readings[order], [15.0 * i - 720 for i in order])
    assert mixed.eccentricity_deg == pytest.approx(analyse(readings).eccentricity_deg)
    assert mixed.form_mm == pytest.approx(form_mm(readings), abs=2e-9)


@pytest.mark.parametrize("n", range(8, 40))
def test_directions_stay_below_a_full_turn_of_their_wave(n):
    order = (n - 1) // 2
    for k in range(1, order + 1):
        for wave in harmonics(turn(n, (k, 0.2, 0)), order=order):
            assert 0 <= wave.phase_deg < 360 / wave.k


def test_under_24_readings_are_sparse():
    assert analyse(turn(23, (1, 0.2, 0))).sparse
    assert not analyse(turn(24, (1, 0.2, 0))).sparse


# --- bumps: no published set; made turns whose answer is known


@pytest.mark.parametrize("n", [24, 36, 72])
@pytest.mark.parametrize(
    "bump",
    [Bump(144.0, 0.5, 20.0), Bump(359.0, -0.5, 25.0), Bump(33.3, 0.5, 30.0)],
    ids=["a bump", "a flat spot across the valve hole", "a wide bump"],
)
def test_a_bump_is_found_where_it_is_in_a_wheel_off_centre_and_oval(n, bump):
    waves = (1, 0.4, 100), (2, 0.2, 30), (3, 0.1, 70)
    found = analyse(turn(n, *waves, bump=bump, scatter_mm=0.01)).bump
    assert found is not None
    away = (found.angle_deg - bump.angle_deg + 180) % 360 - 180
    assert abs(away) < 3
    # the waves would swallow up to a third of a wide bump if they were fitted first
    assert found.height_mm == pytest.approx(bump.height_mm, rel=0.15)
    assert found.width_deg == pytest.approx(bump.width_deg, abs=5)


def test_one_reading_that_stands_out_is_a_bump():
    readings = turn(36, (1, 0.3, 10), scatter_mm=0.01)
    readings[12] += 0.3
    found = analyse(readings).bump
    assert found is not None
    assert found.angle_deg == pytest.approx(120, abs=4)
    assert found.height_mm == pytest.approx(0.3, abs=0.06)
    assert found.width_deg < 15


def test_a_second_bump_does_not_hide_the_first():
    readings = turn(36, (1, 0.3, 10), bump=Bump(60.0, 0.5, 15.0), scatter_mm=0.01)
    found = analyse(readings + turn(36, bump=Bump(200.0, 0.45, 20.0))).bump
    assert found is not None
    assert found.angle_deg == pytest.approx(60, abs=3)


def test_a_bump_is_found_with_positions_missing():
    readings = turn(36, (1, 0.3, 10), (2, 0.1, 80), bump=Bump(200.0, 0.45, 25.0), scatter_mm=0.01)
    kept = [i for i in range(36) if i not in (3, 4, 30)]
    found = analyse(readings[kept], [10.0 * i for i in kept]).bump
    assert found is not None
    assert found.angle_deg == pytest.approx(200, abs=3)


@pytest.mark.parametrize("n", [8, 12, 24, 36, 72])
@pytest.mark.parametrize("k", range(1, 9))
def test_smooth_waves_are_no_bump(n, k):
    for phase_deg in np.linspace(0, 360 / k, 7):
        assert analyse(turn(n, (k, 0.5, phase_deg))).bump is None
        assert analyse(turn(n, (1, 0.3, 5), (k, 0.5, phase_deg), scatter_mm=0.01)).bump is None


@pytest.mark.parametrize("n", [12, 24, 36, 72])
def test_scatter_alone_is_hardly_ever_a_bump(n):
    false = sum(
        analyse(turn(n, scatter_mm=0.05, seed=seed)).bump is not None for seed in range(200)
    )
    assert false <= 2  # one is expected at the stated rate


def test_the_print_of_a_weave_is_hardly_ever_a_bump():
    random = np.random.default_rng(5)
    false = 0
    for seed in range(40):
        weave = [(k, random.normal() * 0.05, random.uniform(0, 360)) for k in range(7, 21)]
        false += analyse(turn(180, *weave, scatter_mm=0.005, seed=seed)).bump is not None
    assert false <= 1


def test_one_count_of_the_dial_is_no_bump():
    readings = np.zeros(36)
    readings[12] = 0.01
    assert analyse(readings).bump is None


# --- refusals


def test_seven_readings_are_no_turn():
    for call in (form_mm, analyse, harmonics):
        with pytest.raises(
            ValueError, match="readings_mm: a turn needs at least 8 readings, got 7"
        ):
            call([0.1] * 7)


def test_a_reading_that_is_no_number_is_refused():
    with pytest.raises(ValueError, match="readings_mm: must be finite numbers, got"):
        form_mm([float("nan")] * 8)


def test_positions_and_readings_must_match():
    with pytest.raises(ValueError, match="angles_deg: must be one for each of 8 readings, got 7"):
        analyse([0.1] * 8, [0.0] * 7)


def test_a_turn_with_more_than_a_quarter_missing_is_refused():
    with pytest.raises(ValueError, match="no more than a quarter turn untouched, got a gap of 105"):
        analyse([0.1] * 18, [15.0 * i for i in range(18)])


def test_eight_readings_cannot_carry_four_waves():
    with pytest.raises(ValueError, match="order: 4 waves a turn need more than 8 readings at"):
        harmonics(turn(8, (1, 0.3, 0)))


def test_a_bump_is_found_among_thousands_of_readings_without_a_search_of_each_place():
    bump = Bump(100.0, 0.3, 12.0)
    found = analyse(turn(7200, (1, 0.2, 30), bump=bump, scatter_mm=0.003)).bump
    assert found.angle_deg == pytest.approx(100, abs=0.5)
    assert found.height_mm == pytest.approx(0.3, abs=0.01)
