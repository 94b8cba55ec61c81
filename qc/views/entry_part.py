"""The judged state of one part, as an entry screen shows it after each record: few rows, by key."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Claim
from qc.catalog.units import unit
from qc.judgement.standing import reasons_against, status
from qc.ledger.projections import standing_from
from qc.ledger.tables import FlagRow, Part, Quantity
from qc.statistics.conformity import probability_above, probability_below, verdict
from qc.views import batch_standing
from qc.views.entry import batch_mass
from qc.views.plain import number
from qc.views.trace import nearest_serials

Row = dict[str, Any]


def part(connection: Connection, catalog: Catalog, serial: str, stage: str) -> Row:
    """What is known of a serial: model and batch, readings with their limits, flags, what lacks.

    An unknown serial gives `known: False` and the `near` ones. Masses in g, run-out in mm.
    """
    query = select(Part.model, Part.batch, Part.standing).where(Part.serial == serial)
    row = connection.execute(query).one_or_none()
    if row is None:
        return {"serial": serial, "known": False, "near": nearest_serials(connection, serial)}
    model, batch, text = row
    standing, of_batch = standing_from(text), batch_standing.standing(connection, batch)
    flags = _open_flags(connection, serial)
    return {
        "serial": serial,
        "known": True,
        "model": model,
        "batch": batch,
        "stage": stage,
        "status": status(standing, of_batch, model is not None),
        "reasons": reasons_against(standing, of_batch, model is not None),
        "missing": list(standing.missing),
        "struck": standing.struck,
        "readings": _readings(connection, catalog, serial, flags),
        "flags": [
            {name: flag[name] for name in ("flag", "severity", "stage", "message")}
            for flag in flags
        ],
        "batch_mass": batch_mass(connection, batch, stage),
    }


def _open_flags(connection: Connection, serial: str) -> list[Row]:
    query = (
        select(FlagRow.flag, FlagRow.severity, FlagRow.stage, FlagRow.message,
               FlagRow.characteristic, FlagRow.value, FlagRow.limit)
        .where(FlagRow.owner == f"serial:{serial}", FlagRow.closed_at.is_(None))
        .order_by(FlagRow.raised_at, FlagRow.flag)
    )  # fmt: skip
    return [dict(row) for row in connection.execute(query).mappings()]


def _readings(
    connection: Connection, catalog: Catalog, serial: str, flags: Sequence[Row]
) -> list[Row]:
    query = (
        select(Quantity.stage, Quantity.characteristic, Quantity.model, Quantity.value,
               Quantity.u, Quantity.suspect, Quantity.at, Quantity.verdict, Quantity.beyond)
        .where(Quantity.serial == serial, Quantity.characteristic != "survived-multiple")
        .order_by(Quantity.at)
    )  # fmt: skip
    found = [dict(row) for row in connection.execute(query).mappings()]
    has_form = {(row["stage"], row["characteristic"]) for row in found}
    rows = []
    for row in found:
        typed = (row["stage"], row["characteristic"].replace("tir-", "form-")) not in has_form
        limits = limits_of(catalog, row, typed)
        shown = {
            "what": row["characteristic"],
            "stage": row["stage"],
            "value": number(row["value"]),
            "u": row["u"],
            "unit": unit(catalog, row["characteristic"]),
            "in_doubt": row["suspect"],
            "verdict": verdict_of(row, limits, flags),
        }
        rows.append(shown | limits)
    return rows


def limits_of(catalog: Catalog, row: Row, typed: bool) -> Row:
    """What the value is compared with: a claim and its band, or limits; empty where nothing is.

    A `typed` TIR has no form beside it, so a limit on form judges it as given.
    """
    day = catalog.local_day(row["at"])
    what, stage, model = row["characteristic"], row["stage"], row["model"]
    if what == "bare-mass":
        claim = catalog.claim(model, stage, day)
        return _band(claim, row) if claim else {}
    of, _, direction = what.partition("-")
    if of in ("tir", "form") and direction in ("lateral", "radial"):
        for limit in catalog.runout_limits(direction, stage, model, day):
            if typed or (limit.of or ("form" if stage == "rim" else "tir")) == of:
                return {"upper": float(limit.limit_mm)}
        return {}
    if what == "unbalance":
        balance = catalog.balance_limit(stage, model, day)
        return {"upper": float(balance.limit_gmm)} if balance else {}
    found = catalog.limit(what, model, stage, day)
    return {"lower": number(found.lower), "upper": number(found.upper)} if found else {}


def _band(claim: Claim, row: Row) -> Row:
    """The band round the claim, and the probability that the true mass lies beyond its near end."""
    lower, upper = claim.claimed_g - claim.under_g, claim.claimed_g + claim.over_g
    value, u = row["value"], row["u"] or 0.0
    above = probability_above(value, u, float(upper))
    below = probability_below(value, u, float(lower))
    return {
        "claimed": number(claim.claimed_g),
        "lower": number(lower),
        "upper": number(upper),
        "side": "over" if above >= below else "under",
        "chance_beyond": max(above, below),
    }


def verdict_of(row: Row, limits: Row, flags: Sequence[Row]) -> str:
    """`conforms`, `undecided`, `does-not-conform`, or empty where nothing judges the value."""
    if row["verdict"]:
        return str(row["verdict"])
    what, stage = row["characteristic"], row["stage"]
    flagged = any(_is_about(flag, what, stage) for flag in flags)
    if flagged and (limits or what == "findings-per-part"):
        return "does-not-conform"
    if not limits:
        return ""
    lower, upper = (_decimal(limits.get(end)) for end in ("lower", "upper"))
    return verdict(_decimal(row["value"]) or Decimal(0), 0.0, lower, upper)


def _is_about(flag: Row, what: str, stage: str) -> bool:
    of, _, direction = what.partition("-")
    names = {
        "unbalance": "unbalance",
        "findings-per-part": "finding",
        **({what: f"runout-{direction}"} if of in ("tir", "form") else {}),
    }
    if flag["flag"] == "measurement-out":
        return bool(flag["characteristic"] == what)
    return flag["flag"] == names.get(what) and flag["stage"] in (None, stage)


def _decimal(value: float | None) -> Decimal | None:
    return None if value is None else Decimal(repr(value))
