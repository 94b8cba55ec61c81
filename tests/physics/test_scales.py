"""Permissible errors of scales against the table of OIML R 76-1."""

import csv
from decimal import Decimal
from pathlib import Path

import pytest

from qc.physics.scales import permissible_error_g

REFERENCE = Path(__file__).parents[1] / "reference"
TABLE_6 = list(
    csv.DictReader((REFERENCE / "ts-oiml-r76-mpe.csv").read_text(encoding="utf-8").splitlines())
)
E = Decimal("0.1")


def load(row: dict[str, str]) -> Decimal:
    """The last load of a row, in grams; far up where the row has no end."""
    return Decimal(row["load_to_e_inclusive"] or 10**6) * E


@pytest.mark.parametrize(
    "row", TABLE_6, ids=lambda row: f"{row['class']} from {row['load_from_e']}"
)
def test_every_row_of_table_6_holds_at_both_its_ends(row):
    just_in = Decimal(row["load_from_e"]) * E + Decimal("0.001")
    for grams in (just_in, load(row)):
        for in_service, column in ((False, "mpe_initial_in_e"), (True, "mpe_in_service_in_e")):
            allowed = permissible_error_g(grams, E, row["class"], in_service)
            assert allowed == Decimal(row[column]) * E


def test_an_empty_scale_may_be_off_by_half_an_interval():
    assert permissible_error_g(Decimal(0), Decimal(1), "III") == Decimal("0.5")


@pytest.mark.parametrize(
    ("load_g", "interval_g", "accuracy_class", "in_service", "allowed_g"),
    [  # ts-worked-examples.csv: table seen in a source, in-service factor from memory
        ("412", "1", "III", False, "0.5"),
        ("412", "1", "III", True, "1.0"),
        ("412", "0.1", "II", False, "0.05"),
        ("1200", "0.1", "II", False, "0.1"),
        ("2500", "0.1", "II", False, "0.15"),
    ],
)
def test_scales_as_used_for_rims(load_g, interval_g, accuracy_class, in_service, allowed_g):
    allowed = permissible_error_g(Decimal(load_g), Decimal(interval_g), accuracy_class, in_service)
    assert allowed == Decimal(allowed_g)


@pytest.mark.parametrize(
    ("load_g", "interval_g", "accuracy_class", "message"),
    [
        ("10001", "1", "III", "load_g: class III ends at 10000 intervals of 1 g, got 10001"),
        ("-1", "1", "III", "load_g: must be 0 or more, got -1"),
        ("1", "0", "III", "interval_g: must be above 0, got 0"),
        ("1", "1", "V", "accuracy_class: must be I, II, III or IIII, got 'V'"),
    ],
)
def test_what_the_table_does_not_cover_is_refused(load_g, interval_g, accuracy_class, message):
    with pytest.raises(ValueError, match=message):
        permissible_error_g(Decimal(load_g), Decimal(interval_g), accuracy_class)
