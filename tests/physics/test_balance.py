"""Static balance, against ISO 21940-11 examples and vectors that must cancel."""

import csv
from decimal import Decimal
from math import isclose, pi
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.balance import (
    combine,
    counterweight_g,
    permissible_unbalance_gmm,
    split_weights,
    turning_rad_s,
    unbalance_force_n,
    unbalance_gmm,
    valve_counterweight,
)

REFERENCE = Path(__file__).parents[1] / "reference"
EXAMPLES = list(
    csv.DictReader((REFERENCE / "ts-balance-examples.csv").read_text(encoding="utf-8").splitlines())
)

angles = st.floats(min_value=0, max_value=360, exclude_max=True)
unbalances = st.floats(min_value=1, max_value=1e5)


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: f"{row['case']} G {row['grade_mm_s']}")
def test_permissible_unbalance_of_the_examples(row):
    # ISO 21940-11, formula from a secondary source, numbers computed; omega printed to 0.001
    allowed = permissible_unbalance_gmm(
        float(row["grade_mm_s"]), float(row["mass_kg"]), float(row["omega_rad_s"])
    )
    assert allowed == pytest.approx(float(row["U_per_g_mm"]), rel=2e-5, abs=0.05)
    if row["equiv_mass_g_at_radius_311_mm"]:
        grams = counterweight_g(Decimal(str(allowed)), Decimal(311))
        assert float(grams) == pytest.approx(
            float(row["equiv_mass_g_at_radius_311_mm"]), abs=0.00051
        )


@pytest.mark.parametrize(("speed_km_h", "omega"), [(60, 49.164), (90, 73.746)])
def test_a_wheel_of_678_mm_turns_as_in_the_examples(speed_km_h, omega):
    assert turning_rad_s(speed_km_h, 678) == pytest.approx(omega, abs=0.0005)


def test_residual_and_counterweight_undo_each_other():
    assert unbalance_gmm(Decimal("3.2"), Decimal(300)) == 960
    assert counterweight_g(Decimal(960), Decimal(300)) == Decimal("3.2")


def test_a_gram_a_metre_out_turning_once_a_second_pulls_with_4_pi_squared_millinewtons():
    # m·r·ω² with ω = 2π, from elementary mechanics: 39.5 mN; a 2 m wheel at 2π m/s
    assert unbalance_force_n(1e3, 3.6 * 2 * pi, 2000) == pytest.approx(4 * pi**2 / 1e3)


def test_twice_the_speed_is_four_times_the_force():
    assert unbalance_force_n(500, 80, 678) == pytest.approx(4 * unbalance_force_n(500, 40, 678))


def test_the_weight_opposite_a_valve_has_its_moment():
    weight = valve_counterweight(6.0, 300.0, 310.0)
    assert weight.mass_g * 310 == pytest.approx(1800)
    assert weight.left_gmm == pytest.approx(0, abs=1e-9)


def test_a_weight_a_spoke_off_leaves_the_cross_part():
    weight = valve_counterweight(6.0, 300.0, 310.0, counterweight_deg=195.0)
    left, _ = combine([(1800.0, 0.0), (weight.mass_g * 310, 195.0)])
    assert weight.left_gmm == pytest.approx(left)
    for other in (weight.mass_g * 0.98, weight.mass_g * 1.02):
        assert combine([(1800.0, 0.0), (other * 310, 195.0)])[0] > left


@pytest.mark.parametrize("beside_deg", [0.0, 45.0, 90.0, 270.0, 359.0])
def test_no_weight_on_the_valves_own_half_helps(beside_deg):
    with pytest.raises(ValueError, match=r"between 90 and 270, got"):
        valve_counterweight(6.0, 300.0, 310.0, counterweight_deg=beside_deg)


def test_a_light_spot_midway_takes_two_equal_weights():
    first, second = split_weights(1000.0, 90.0, 250.0, at_deg=(240.0, 300.0))
    # 4 g at the radius; each takes half of it over the cosine of 30 degrees
    assert first == pytest.approx(4 / 3**0.5)
    assert second == pytest.approx(first)


def test_a_place_on_the_light_spot_takes_it_all():
    assert split_weights(1000.0, 0.0, 250.0, at_deg=(180.0, 240.0)) == pytest.approx((4.0, 0.0))


def test_places_that_cannot_cancel_are_refused():
    with pytest.raises(ValueError, match="the light spot at 180 degrees must lie between"):
        split_weights(1000.0, 0.0, 250.0, at_deg=(190.0, 250.0))
    with pytest.raises(ValueError, match=r"one line through the axle, got \(10.0, 190.0\)"):
        split_weights(1000.0, 0.0, 250.0, at_deg=(10.0, 190.0))


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: counterweight_g(Decimal(1), Decimal(0)), "radius_mm"),
        (lambda: valve_counterweight(6.0, 300.0, 0.0), "counterweight_radius_mm"),
        (lambda: split_weights(1.0, 0.0, -1.0, at_deg=(170.0, 190.0)), "radius_mm"),
        (lambda: turning_rad_s(30.0, 0.0), "rolling_diameter_mm"),
        (lambda: permissible_unbalance_gmm(40.0, 1.0, 0.0), "omega_rad_s"),
    ],
    ids=["a weight", "a valve", "two weights", "a rolling wheel", "a rotor"],
)
def test_a_radius_or_speed_of_nothing_is_refused(call, name):
    with pytest.raises(ValueError, match=f"{name}: must be above 0, got "):
        call()


def test_nothing_combines_to_nothing():
    assert combine([]) == (0.0, 0.0)


def test_a_heavy_spot_a_hair_before_the_valve_hole_is_at_0_not_at_360():
    assert combine([(5.0, -1e-15)]) == (5.0, 0.0)


@given(
    unbalances, angles, st.floats(min_value=-85, max_value=0), st.floats(min_value=5, max_value=85)
)
def test_two_weights_round_the_light_spot_cancel_the_heavy_one(gmm, heavy, before, after):
    places = heavy + 180 + before, heavy + 180 + after
    grams = split_weights(gmm, heavy, 311.0, at_deg=places)
    assert min(grams) >= 0
    weights = [(g * 311.0, deg) for g, deg in zip(grams, places, strict=True)]
    assert combine([(gmm, heavy), *weights])[0] == pytest.approx(0, abs=gmm * 1e-8)


@given(st.lists(st.tuples(unbalances, angles), min_size=1), angles)
def test_turning_every_unbalance_turns_their_sum(parts, turn):
    gmm, deg = combine(parts)
    turned_gmm, turned_deg = combine([(size, at + turn) for size, at in parts])
    total = sum(size for size, _ in parts)
    assert 0 <= deg < 360
    assert isclose(gmm, turned_gmm, rel_tol=1e-9, abs_tol=1e-9 * total)
    left = combine([(turned_gmm, turned_deg), (-gmm, deg + turn)])[0]
    assert left == pytest.approx(0, abs=1e-8 * total)
