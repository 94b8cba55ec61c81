"""Bare mass: what the scale showed less what was fitted, and how sure that is.

Uncertainties are standard uncertainties combined as in JCGM 100:2008 (GUM), 5.1 for what is
independent and 5.2 for what several masses share. Masses are as weighed in air.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import sqrt
from typing import NamedTuple

from qc.physics.exact import EXACT, QUOTIENT


class FittedPiece(NamedTuple):
    """`count` pieces of a part that was on the scale beyond the bare part.

    `u_g` is the uncertainty of the mass in the catalog, the same for every piece; `sd_g` how the
    pieces scatter about it.
    """

    code: str
    count: int  # type: ignore[assignment]  # a field, in place of the tuple's method
    mass_g: Decimal
    u_g: float
    sd_g: float


@dataclass(frozen=True, slots=True)
class Mass:
    """A mass with its uncertainty, split by what repeating it can and cannot reduce.

    `independent_g2` is the variance that shrinks with repeats: readout and piece-to-piece scatter.
    `common_g` holds, per source (`gauge:CODE`, `fitted:CODE`), the signed contribution of that
    source's standard uncertainty. Two masses that name the same source share its error.
    """

    bare_g: Decimal
    independent_g2: float
    common_g: Mapping[str, float]

    @property
    def u_g(self) -> float:
        """Combined standard uncertainty in grams."""
        return sqrt(self.independent_g2 + sum(term * term for term in self.common_g.values()))


def bare_mass(
    gross_g: Decimal,
    *,
    gauge: str,
    gauge_u_g: float,
    resolution_g: float,
    fitted: Sequence[FittedPiece] = (),
) -> Mass:
    """One weighing: the gross mass less that of every fitted piece.

    u² = gauge u² + resolution²/12 + Σ[(count·u_g)² + count·sd_g²]. A readout step is a rectangular
    distribution (GUM F.2.2.1); pieces of one part share the error of its catalog mass, hence
    count·u_g, and scatter on their own, hence count·sd_g² (GUM 5.2.2 and 5.1.2).
    """
    independent = resolution_g * resolution_g / 12
    common = {f"gauge:{gauge}": gauge_u_g}
    if not fitted:  # nearly every weighing
        return Mass(gross_g, independent, common)
    bare = gross_g
    for code, count, mass_g, u_g, sd_g in fitted:
        bare = EXACT.subtract(bare, EXACT.multiply(mass_g, count))
        independent += count * sd_g * sd_g
        source = f"fitted:{code}"
        # taken off the reading: a catalog mass too high makes the bare mass too low
        common[source] = common.get(source, 0.0) - count * u_g
    return Mass(bare, independent, common)


def mean_mass(masses: Sequence[Mass]) -> Mass:
    """The mean of repeated weighings of one part.

    Independent variance falls as 1/n; a common term does not fall where every repeat has it, and
    is averaged source by source where different gauges took part. ValueError without masses.
    """
    if not masses:
        raise ValueError("masses: a mean needs at least one mass, got none")
    n = len(masses)
    total = _sum(masses)
    return Mass(
        QUOTIENT.divide(total.bare_g, Decimal(n)),
        total.independent_g2 / (n * n),
        {source: term / n for source, term in total.common_g.items()},
    )


def pair_mass(front: Mass, rear: Mass) -> Mass:
    """The mass of a pair of wheels; what the two share adds up linearly (GUM 5.2.2, note 1)."""
    return _sum((front, rear))


def _sum(masses: Sequence[Mass]) -> Mass:
    bare, independent, common = Decimal(0), 0.0, dict[str, float]()
    for mass in masses:
        bare = EXACT.add(bare, mass.bare_g)
        independent += mass.independent_g2
        for source, term in mass.common_g.items():
            common[source] = common.get(source, 0.0) + term
    return Mass(bare, independent, common)
