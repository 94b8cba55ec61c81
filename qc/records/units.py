"""Units in which scales and indicators speak, and the exact way from one to another.

Inch, pound, ounce and their forces are whole multiples by definition (international yard and
pound of 1959; standard gravity 9.80665 m/s², 3rd CGPM).
"""

from decimal import Context, Decimal

from qc.records.rules import MAX_DIGITS

_GRAVITY = Decimal("9.80665")
_POUND_G = Decimal("453.59237")
# each unit with its quantity, and how many of that quantity's first unit it is
_UNITS: dict[str, tuple[str, Decimal]] = {
    "g": ("mass", Decimal(1)),
    "mg": ("mass", Decimal("0.001")),
    "kg": ("mass", Decimal(1000)),
    "oz": ("mass", _POUND_G / 16),
    "lb": ("mass", _POUND_G),
    "mm": ("length", Decimal(1)),
    "um": ("length", Decimal("0.001")),
    "µm": ("length", Decimal("0.001")),
    "cm": ("length", Decimal(10)),
    "m": ("length", Decimal(1000)),
    "in": ("length", Decimal("25.4")),
    "N": ("force", Decimal(1)),
    "kN": ("force", Decimal(1000)),
    "kgf": ("force", _GRAVITY),
    "lbf": ("force", _GRAVITY * _POUND_G / 1000),
}
_EXACT = Context(prec=MAX_DIGITS)


def convertible(unit: str, to: str) -> bool:
    """Whether a value in `unit` can be said in `to`; a unit unknown here only in itself."""
    return unit == to or (unit in _UNITS and to in _UNITS and _UNITS[unit][0] == _UNITS[to][0])


def in_unit(value: Decimal, unit: str, to: str) -> Decimal:
    """The value in another unit of its quantity, exact as far as 28 digits go.

    ValueError where the units are not of one quantity.
    """
    if not convertible(unit, to):
        raise ValueError(f"{unit!r} cannot be said in {to!r}")
    if unit == to:
        return value
    factor = _UNITS[unit][1], _UNITS[to][1]
    return _EXACT.divide(_EXACT.multiply(value, factor[0]), factor[1])
