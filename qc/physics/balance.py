"""Static balance of a rim or wheel in one plane.

Angles are degrees from the valve hole. A single plane reads mass times radius only; it cannot see
a couple between the two sides.
"""

from collections.abc import Iterable
from decimal import Decimal
from math import atan2, cos, degrees, hypot, radians, sin
from typing import NamedTuple

from qc.physics.exact import EXACT, QUOTIENT

_ROUNDING = 1e-9  # relative; what is smaller than this part of the unbalance is none


def unbalance_gmm(residual_g: Decimal, radius_mm: Decimal) -> Decimal:
    """Unbalance in g·mm of a residual mass at a radius, exact."""
    return EXACT.multiply(residual_g, radius_mm)


def counterweight_g(unbalance_gmm: Decimal, radius_mm: Decimal) -> Decimal:
    """The mass that takes out the unbalance when put at `radius_mm` opposite the heavy spot."""
    if not radius_mm > 0:
        raise ValueError(f"radius_mm: must be above 0, got {radius_mm}")
    return QUOTIENT.divide(unbalance_gmm, radius_mm)


class Counterweight(NamedTuple):
    """A weight against the valve, and the unbalance that stays with it on."""

    mass_g: float
    left_gmm: float


def valve_counterweight(
    valve_g: float,
    valve_radius_mm: float,
    counterweight_radius_mm: float,
    counterweight_deg: float = 180.0,
) -> Counterweight:
    """The weight at `counterweight_deg` that leaves the least unbalance of a valve at 0 degrees.

    Opposite the valve nothing is left; off to one side by φ the best weight takes out the part
    cos φ and sin φ stays. ValueError for a place on the valve's own half, where any weight adds.
    """
    _above_zero("counterweight_radius_mm", counterweight_radius_mm)
    valve_gmm = valve_g * valve_radius_mm
    off = radians(counterweight_deg - 180.0)
    if cos(off) < _ROUNDING:
        raise ValueError(
            "counterweight_deg: must lie in the half turn away from the valve, between 90 and 270, "
            f"got {counterweight_deg}"
        )
    return Counterweight(valve_gmm * cos(off) / counterweight_radius_mm, valve_gmm * abs(sin(off)))


def split_weights(
    unbalance_gmm: float, heavy_deg: float, radius_mm: float, at_deg: tuple[float, float]
) -> tuple[float, float]:
    """Masses in grams for the two places `at_deg` that together take out the unbalance.

    Resolves the vector that opposes the heavy spot along the two directions. ValueError where the
    places lie on one line through the axle, or where the light spot does not lie between them
    (one of the masses would have to be negative).
    """
    _above_zero("radius_mm", radius_mm)
    first, second = (radians(angle) for angle in at_deg)
    heavy = radians(heavy_deg)
    between = sin(second - first)
    if abs(between) < _ROUNDING:
        raise ValueError(f"at_deg: must not lie on one line through the axle, got {at_deg}")
    shares = sin(heavy - second) / between, sin(first - heavy) / between
    if min(shares) < -_ROUNDING:
        raise ValueError(
            f"at_deg: the light spot at {(heavy_deg + 180.0) % 360.0:g} degrees must lie between "
            f"the two places, got {at_deg}"
        )
    at_first, at_second = (max(0.0, share) * unbalance_gmm / radius_mm for share in shares)
    return at_first, at_second


def combine(unbalances: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """The vector sum of unbalances given as (g·mm, degrees), in the same form; angle 0 to 360."""
    x = y = 0.0
    for gmm, deg in unbalances:
        x += gmm * cos(radians(deg))
        y += gmm * sin(radians(deg))
    # twice: a remainder of -1e-17 rounds to 360.0 itself
    return hypot(x, y), degrees(atan2(y, x)) % 360.0 % 360.0


def turning_rad_s(speed_km_h: float, rolling_diameter_mm: float) -> float:
    """Angular speed ω = v / (D/2) of a wheel that rolls."""
    _above_zero("rolling_diameter_mm", rolling_diameter_mm)
    return (speed_km_h / 3.6) / (rolling_diameter_mm / 2000)


def unbalance_force_n(unbalance_gmm: float, speed_km_h: float, rolling_diameter_mm: float) -> float:
    """The force in newtons that turns with the wheel, m·r·ω²."""
    return unbalance_gmm * 1e-6 * turning_rad_s(speed_km_h, rolling_diameter_mm) ** 2


def permissible_unbalance_gmm(grade_mm_s: float, mass_kg: float, omega_rad_s: float) -> float:
    """Permissible residual unbalance U = 1000·G·m/Ω of a rigid rotor (ISO 21940-11:2016).

    `grade_mm_s` is the balance quality grade G. The standard names no grade for bicycle wheels:
    the shop chooses.
    """
    _above_zero("omega_rad_s", omega_rad_s)
    return 1000 * grade_mm_s * mass_kg / omega_rad_s


def _above_zero(name: str, value: float) -> None:
    if not value > 0:
        raise ValueError(f"{name}: must be above 0, got {value}")
