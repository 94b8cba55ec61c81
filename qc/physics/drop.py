"""Energy of a falling striker.

Free fall: friction in the guides and the air are left out, so the energy is an upper bound of
what reaches the wheel. Local gravity differs from the standard value by up to about 0.3 %.
"""

from decimal import Decimal
from math import sqrt

from qc.physics.exact import EXACT, QUOTIENT

# m/s², exact by definition (3rd General Conference on Weights and Measures, 1901)
STANDARD_GRAVITY = Decimal("9.80665")


def energy_j(striker_kg: Decimal, height_mm: Decimal) -> Decimal:
    """Energy of one drop in joules, m·g·h, exact."""
    weight_n = EXACT.multiply(striker_kg, STANDARD_GRAVITY)
    return EXACT.multiply(weight_n, EXACT.scaleb(height_mm, -3))


def speed_m_s(height_mm: Decimal) -> float:
    """Speed after falling `height_mm`, √(2·g·h); the same for every striker."""
    if not height_mm >= 0:
        raise ValueError(f"height_mm: must be 0 or more, got {height_mm}")
    return sqrt(2 * float(STANDARD_GRAVITY) * float(height_mm) / 1000)


def height_mm_for(energy_j: Decimal, striker_kg: Decimal) -> Decimal:
    """The height in millimetres from which the striker carries `energy_j`."""
    if not striker_kg > 0:
        raise ValueError(f"striker_kg: must be above 0, got {striker_kg}")
    return QUOTIENT.divide(EXACT.scaleb(energy_j, 3), EXACT.multiply(striker_kg, STANDARD_GRAVITY))


def load_multiple(energy_j: Decimal, standard_energy_j: Decimal) -> Decimal:
    """How many times the standard energy of its protocol a drop carried."""
    if not standard_energy_j > 0:
        raise ValueError(f"standard_energy_j: must be above 0, got {standard_energy_j}")
    return QUOTIENT.divide(energy_j, standard_energy_j)
