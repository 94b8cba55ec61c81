"""A part on the scale: what it showed, what is taken off, and what was claimed."""

from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.judgement.mass import against_claim, weighed_mass
from qc.ledger.corrections import histories
from qc.ledger.tables import Journal, Part
from qc.records.kinds import Weighing
from qc.views.plain import moment, number


def newest(connection: Connection) -> str | None:
    """The serial that was weighed last, by arrival; None where nothing was."""
    query = select(Journal.serial).where(Journal.kind == "weighing", Journal.serial.is_not(None))
    return connection.execute(query.order_by(Journal.position.desc()).limit(1)).scalar()


def weighed(connection: Connection, catalog: Catalog, serial: str) -> dict[str, Any] | None:
    """The newest weighing of a part that still stands; None where there is none.

    `taken_off` has a row for each kind of part fitted beyond the bare one: how many, their mass
    each and together. `claimed_g`, `difference_g`, `over_g`, `under_g`, `beyond` and `verdict` are
    there where a claim covers it. Masses in grams, as weighed in air.
    """
    held = histories(connection, "serial", [serial])[serial]
    finals = (item.final() for item in held)
    weighings = [r for r in finals if isinstance(r, Weighing) and r.serial == serial]
    if not weighings:
        return None
    last = max(weighings, key=lambda r: (r.taken_at, r.record_id))
    mass = weighed_mass(last, catalog)
    shown = {
        "serial": serial,
        "stage": last.stage,
        "at": moment(last.taken_at),
        "gauge": last.gauge,
        "gross_g": number(last.gross_g),
        "taken_off": _taken_off(last, catalog),
        "bare_g": number(mass.bare_g),
        "u_g": mass.u_g,
    }
    model = connection.execute(select(Part.model).where(Part.serial == serial)).scalar()
    day = catalog.local_day(last.taken_at)
    claim = catalog.claim(model, last.stage, day) if model else None
    if claim is None:
        return shown | {"model": model}
    _, beyond, verdict = against_claim(mass, mass.u_g, claim, last.stage, ())
    return shown | {
        "model": model,
        "claimed_g": number(claim.claimed_g),
        "over_g": number(claim.over_g),
        "under_g": number(claim.under_g),
        "difference_g": number(mass.bare_g - claim.claimed_g),
        "beyond": beyond,
        "verdict": verdict,
    }


def _taken_off(weighing: Weighing, catalog: Catalog) -> list[dict[str, Any]]:
    day = catalog.local_day(weighing.taken_at)
    rows = []
    for code, count in weighing.fitted.items():
        part = catalog.fitted_part(code, day) or catalog.fitted_part(code)
        if part:
            rows.append({
                "code": code, "count": count, "each_g": number(part.mass_g),
                "together_g": number(part.mass_g * count),
            })  # fmt: skip
    return rows
