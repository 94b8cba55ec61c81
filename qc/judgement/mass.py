"""Bare mass of a part against its claim."""

from collections.abc import Sequence
from decimal import Decimal

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Claim
from qc.judgement.flags import MAJOR, Verdict
from qc.judgement.readings import Around, Outcome, Quantity, Reading, taken_with, valid
from qc.physics.mass import FittedPiece, Mass, bare_mass, mean_mass
from qc.records.kinds import Weighing
from qc.statistics.conformity import GUARD, probability_above, probability_below, verdict

_GUARD = Decimal(str(GUARD))


def weighed_mass(weighing: Weighing, catalog: Catalog) -> Mass:
    """The bare mass that one weighing gives, with the catalog in force on its day."""
    day = catalog.local_day(weighing.taken_at)
    # what the catalog lists only from a later day was as heavy before, and as sure
    gauge = catalog.gauge(weighing.gauge, day) or catalog.gauge(weighing.gauge)
    pieces = []
    for code, count in weighing.fitted.items():
        part = catalog.fitted_part(code, day) or catalog.fitted_part(code)
        if part:
            pieces.append(FittedPiece(code, count, part.mass_g, float(part.u_g), float(part.sd_g)))
    return bare_mass(
        weighing.gross_g,
        gauge=weighing.gauge,
        gauge_u_g=float(gauge.u) if gauge else 0.0,
        resolution_g=float(gauge.resolution) if gauge else 0.0,
        fitted=pieces,
    )


def part_mass(readings: Sequence[Reading], catalog: Catalog) -> tuple[Mass, float]:
    """The mean of weighings and its standard uncertainty; what they share does not shrink."""
    masses = [weighed_mass(reading.record, catalog) for reading in readings]  # type: ignore[arg-type]
    mass = masses[0] if len(masses) == 1 else mean_mass(masses)
    return mass, mass.u_g


def judge_mass(stage: str, readings: Sequence[Reading], model: str, around: Around) -> Outcome:
    """The mass of a part at a stage: its quantity, and flags when it lies off the claim."""
    used, suspect = valid(readings)
    if not used:
        return Outcome()
    catalog = around.catalog
    at = used[-1].record.taken_at
    mass, u = part_mass(used, catalog)
    claim = catalog.claim(model, stage, catalog.local_day(at))
    basis = tuple([reading.record.record_id for reading in used])
    with_what = taken_with([reading.record for reading in used])
    of = (*with_what, len(readings))
    if claim is None:
        bare = Quantity(stage, "bare-mass", mass.bare_g, at, u, suspect, "", "", "", *of)
        what = f"{stage} weight: no claim for model {model}"
        return Outcome(quantities=[bare], uncovered=what, basis=basis)
    flags, beyond, conformity = against_claim(mass, u, claim, stage, basis)
    bare = Quantity(stage, "bare-mass", mass.bare_g, at, u, suspect, "", conformity, beyond, *of)
    return Outcome(flags, [bare])


def plainly_inside(weighing: Weighing, model: str, catalog: Catalog) -> float | None:
    """The standard uncertainty in g of a bare weighing that lies so far inside its band that no
    digit of it matters, as most do; None where it must be looked at.
    """
    if weighing.fitted:
        return None
    day = catalog.local_day(weighing.taken_at)
    key = ("plainly inside", weighing.stage, model, weighing.gauge, day)
    known = catalog.memory.get(key)
    if known is None:
        claim = catalog.claim(model, weighing.stage, day)
        u = weighed_mass(weighing, catalog).u_g
        room = Decimal(repr(2 * u))
        lower = upper = weighing.gross_g  # without a claim nothing is inside
        if claim is not None:
            lower = claim.claimed_g - claim.under_g + room
            upper = claim.claimed_g + claim.over_g - room
        known = catalog.memory[key] = (lower, upper, u)
    found: float = known[2]
    return found if known[0] < weighing.gross_g < known[1] else None


def against_claim(
    mass: Mass, u: float, claim: Claim, stage: str, basis: tuple[str, ...]
) -> tuple[Sequence[Verdict], str, str]:
    """Flags, `over` or `under` (or nothing), and the verdict in words.

    `guarded` claims want the mass inside by 1.645 standard uncertainties (JCGM 106:2012).
    """
    bare = mass.bare_g
    upper, lower = claim.claimed_g + claim.over_g, claim.claimed_g - claim.under_g
    guard = _GUARD * Decimal(repr(u)) if claim.rule == "guarded" else Decimal(0)
    over, under = bare > upper - guard, bare < lower + guard
    conformity = verdict(bare, u, lower, upper)
    if not over and not under:
        return (), "", conformity
    flags = []
    if over:
        chance = probability_above(float(bare), u, float(upper))
        flags.append(_off_claim("over", mass, claim, upper, chance, stage, basis))
    if under:
        chance = probability_below(float(bare), u, float(lower))
        flags.append(_off_claim("under", mass, claim, lower, chance, stage, basis))
    return flags, "over" if over else "under", conformity


def _off_claim(
    side: str,
    mass: Mass,
    claim: Claim,
    limit: Decimal,
    chance: float,
    stage: str,
    basis: tuple[str, ...],
) -> Verdict:
    beyond = abs(mass.bare_g - limit)
    where = "beyond" if (mass.bare_g > limit) == (side == "over") and beyond else "not clear of"
    hint = " A light part may lack material." if side == "under" else ""
    message = (
        f"Bare {stage} mass {mass.bare_g:.1f} g is {where} the {limit} g that the claim of "
        f"{claim.claimed_g} g allows ({beyond:.1f} g, standard uncertainty {mass.u_g:.2f} g).{hint}"
    )
    return Verdict(
        f"weight-{side}-claim",
        MAJOR,
        message,
        value=mass.bare_g,
        limit=limit,
        unit="g",
        stage=stage,
        probability=chance,
        basis=basis,
    )
