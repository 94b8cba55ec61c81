"""Claimed against measured mass, per model and stage."""

import math
from typing import Any

from sqlalchemy import Connection, case, func, select

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Batch, Model
from qc.ledger.tables import Quantity, Summary
from qc.statistics.claims import supported_claim_g
from qc.statistics.summary import Summary as Sums
from qc.views.plain import moment, number


def claims(connection: Connection, catalog: Catalog) -> list[dict[str, Any]]:
    """One row per model and stage that has a claim or a measured part; no suspect reading counts.

    `over_share` is the share of parts above the claim and its tolerance, `outside_share` that of
    parts above or below it, each judged by the claim in force when it was weighed.
    """
    sums = _sums(connection)
    counts = _counts(connection)
    streams = set(counts)
    for model in catalog.codes(Model):
        for stage in ("rim", "front-wheel", "rear-wheel", "pair"):
            if catalog.claim(model, stage):
                streams.add((model, stage))
    return [_row(model, stage, catalog, sums, counts) for model, stage in sorted(streams)]


def _sums(connection: Connection) -> dict[tuple[str, str], list[tuple[str, Sums]]]:
    query = (
        select(Summary.model, Summary.stage, Summary.batch, Summary.n, Summary.total,
               Summary.squares)
        .where(Summary.characteristic == "bare-mass")
        .order_by(Summary.batch)
    )  # fmt: skip
    found: dict[tuple[str, str], list[tuple[str, Sums]]] = {}
    for model, stage, batch, n, total, squares in connection.execute(query):
        found.setdefault((model, stage), []).append((batch, Sums(n, int(total), int(squares))))
    return found


def _counts(connection: Connection) -> dict[tuple[str, str], tuple[Any, ...]]:
    over = func.sum(case((Quantity.beyond == "over", 1), else_=0))
    outside = func.sum(case((Quantity.beyond != "", 1), else_=0))
    query = (
        select(Quantity.model, Quantity.stage, func.min(Quantity.value), func.max(Quantity.value),
               over, outside, func.count(func.distinct(Quantity.batch)))
        .where(Quantity.characteristic == "bare-mass", Quantity.suspect.is_(False))
        .group_by(Quantity.model, Quantity.stage)
    )  # fmt: skip
    return {(row[0], row[1]): tuple(row[2:]) for row in connection.execute(query)}


def _row(model: str, stage: str, catalog: Catalog, sums: Any, counts: Any) -> dict[str, Any]:
    claim = catalog.claim(model, stage)
    batches: list[tuple[str, Sums]] = sums.get((model, stage), [])
    whole = Sums(
        sum(s.n for _, s in batches),
        sum(s.total for _, s in batches),
        sum(s.squares for _, s in batches),
    )
    least, most, over, outside, n_batches = counts.get((model, stage), (None, None, 0, 0, 0))
    n = whole.n
    return {
        "model": model,
        "stage": stage,
        "claimed_g": number(claim.claimed_g) if claim else None,
        "over_g": number(claim.over_g) if claim else None,
        "under_g": number(claim.under_g) if claim else None,
        "n": n,
        "batches": n_batches,
        "mean_g": whole.mean,
        "sd_g": whole.sd,
        "least_g": number(least),
        "most_g": number(most),
        "over_share": int(over) / n if n else None,
        "outside_share": int(outside) / n if n else None,
        "supported_claim_g": _supported(batches, claim),
    }


def _supported(batches: list[tuple[str, Sums]], claim: Any) -> float | None:
    if claim is None or not batches:
        return None
    found = supported_claim_g(
        [s.n for _, s in batches],
        [s.mean or 0.0 for _, s in batches],
        [None if s.sd is None else s.sd**2 for _, s in batches],
        float(claim.over_g),
    )
    # a claim is published in whole tenths, rounded to the safe side
    return None if found is None else math.ceil(round(found * 10, 6)) / 10


def masses(
    connection: Connection, catalog: Catalog, model: str, stage: str
) -> list[dict[str, Any]]:
    """Every part's bare mass, batch by batch in order of making, with the claim of its day."""
    query = (
        select(Quantity.serial, Quantity.batch, Quantity.value, Quantity.u, Quantity.at,
               Quantity.verdict, Quantity.beyond, Quantity.suspect)
        .where(
            Quantity.characteristic == "bare-mass",
            Quantity.model == model,
            Quantity.stage == stage,
        )
    )  # fmt: skip
    rows = []
    for serial, batch, value, u, at, verdict, beyond, suspect in connection.execute(query):
        entry: Batch | None = catalog.batch(batch)
        claim = catalog.claim(model, stage, catalog.local_day(at))
        rows.append(
            {
                "serial": serial,
                "batch": batch,
                "made_on": entry.made_on.isoformat() if entry else None,
                "bare_g": value,
                "u_g": u,
                "taken_at": moment(at),
                "verdict": verdict,
                "beyond": beyond,
                "suspect": suspect,
                "claimed_g": number(claim.claimed_g) if claim else None,
                "over_g": number(claim.over_g) if claim else None,
                "under_g": number(claim.under_g) if claim else None,
            }
        )
    return sorted(rows, key=lambda row: (row["made_on"] or "", row["batch"], row["serial"]))
