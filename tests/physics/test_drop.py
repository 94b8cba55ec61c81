"""Drop energy, against a table of heights and a published rig."""

import csv
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.drop import STANDARD_GRAVITY, energy_j, height_mm_for, load_multiple, speed_m_s

REFERENCE = Path(__file__).parents[1] / "reference"
HEIGHTS = list(
    csv.DictReader(
        (REFERENCE / "ts-drop-height-table.csv").read_text(encoding="utf-8").splitlines()
    )
)

strikers = st.decimals(min_value="0.1", max_value=50, places=3)
heights = st.decimals(min_value=0, max_value=5000, places=2)


@pytest.mark.parametrize("row", HEIGHTS, ids=lambda row: f"{row['mass_kg']} kg {row['energy_J']} J")
def test_heights_and_speeds_of_the_table(row):
    # computed with g = 9.80665 m/s²; height printed to 0.01 mm, speed to 0.1 mm/s
    height = height_mm_for(Decimal(row["energy_J"]), Decimal(row["mass_kg"]))
    assert float(height) == pytest.approx(float(row["height_mm"]), abs=0.005001)
    assert speed_m_s(height) == pytest.approx(float(row["impact_speed_m_per_s"]), abs=0.00005001)


def test_a_striker_of_10_4_kg_from_392_mm_brings_40_joules():
    # mass and height from a secondary source: 39.98 J at 2.773 m/s
    energy = energy_j(Decimal("10.4"), Decimal(392))
    assert energy == Decimal("39.97975072")
    assert round(energy, 2) == Decimal("39.98")
    assert round(speed_m_s(Decimal(392)), 3) == 2.773


def test_one_millimetre_of_height_is_a_tenth_of_a_joule_at_10_kg():
    # ts-worked-examples.csv: 0.0981 J
    assert round(energy_j(Decimal(10), Decimal(1)), 4) == Decimal("0.0981")


def test_load_is_told_in_multiples_of_the_standard_energy():
    assert load_multiple(Decimal(60), Decimal(40)) == Decimal("1.5")


def test_energy_keeps_every_digit_of_mass_and_height():
    mass, height = (
        Decimal("10.40000000000000000000000001"),
        Decimal("392.0000000000000000000000001"),
    )
    exact = Fraction(mass) * Fraction(STANDARD_GRAVITY) * Fraction(height) / 1000
    assert Fraction(energy_j(mass, height)) == exact


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: speed_m_s(Decimal(-1)), "height_mm: must be 0 or more, got -1"),
        (lambda: height_mm_for(Decimal(40), Decimal(0)), "striker_kg: must be above 0, got 0"),
        (lambda: load_multiple(Decimal(40), Decimal(0)), "standard_energy_j: must be above 0"),
    ],
)
def test_impossible_drops_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


@given(strikers, heights)
def test_a_height_gives_back_the_energy_it_was_found_for(striker, height):
    energy = energy_j(striker, height)
    assert height_mm_for(energy, striker) == height
    # all of the energy is motion at the strike
    assert float(striker) * speed_m_s(height) ** 2 / 2 == pytest.approx(float(energy))
