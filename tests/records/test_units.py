from decimal import Decimal

import pytest

from qc.records.units import convertible, in_unit


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        ("452.3", "g", "g", "452.3"),
        ("0.4523", "kg", "g", "452.3"),
        ("452300", "mg", "g", "452.3"),
        # NIST SP 811 (2008), appendix B: these factors are exact
        ("1", "lb", "g", "453.59237"),
        ("16", "oz", "lb", "1"),
        ("1", "in", "mm", "25.4"),
        ("1", "kgf", "N", "9.80665"),
        ("350", "um", "mm", "0.35"),
        ("-12", "µm", "mm", "-0.012"),
    ],
)
def test_a_value_is_said_in_another_unit_of_its_quantity(value, unit, to, expected):
    assert in_unit(Decimal(value), unit, to) == Decimal(expected)


def test_a_pound_force_is_the_weight_of_a_pound():
    # NIST SP 811 (2008), appendix B: 4.448 222 N to these digits
    assert round(in_unit(Decimal(1), "lbf", "N"), 6) == Decimal("4.448222")


def test_a_mass_is_no_length_and_an_unknown_unit_is_only_itself():
    assert not convertible("g", "mm")
    assert not convertible("bar", "g")
    assert convertible("bar", "bar")
    with pytest.raises(ValueError, match="'g' cannot be said in 'mm'"):
        in_unit(Decimal(1), "g", "mm")
