"""Which claim a stream supports, and in words why or why not."""

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Claim
from qc.ledger.streams import judged
from qc.statistics.claims.level import SETTLED, current_level
from qc.statistics.claims.limits import LEAST_BATCHES, lower_limit, supported_claim_g
from qc.statistics.drift.level import BatchPoint
from qc.views.claim_facts import BatchMass, Stream


class Standing(NamedTuple):
    """The batches that stand for a stream's level: those since it last moved, once it settled.

    While it has not settled all batches stand for it, and `settled` says so.
    """

    codes: Sequence[str]
    ns: Sequence[int]
    means: Sequence[float]
    variances: Sequence[float | None]
    moved_at: str | None
    settled: bool
    since_move: int


def standing(catalog: Catalog, stream: Stream, batches: Sequence[BatchMass]) -> Standing:
    """Where a stream with at least one batch stands; a frozen baseline begins anew."""
    points = []
    for one in batches:
        entry, mean = catalog.batch(one.batch), one.sums.mean
        if entry is not None and mean is not None:
            sums = one.sums
            points.append(BatchPoint(one.batch, entry.made_on, sums.n, mean, sums.sd))
    of_today = judged(catalog, (*stream, "bare-mass", ""), points)[-1].drift
    level = current_level(of_today)
    used = level.batches if level.settled else points
    return Standing(
        [p.code for p in used],
        [p.n for p in used],
        [p.mean for p in used],
        [None if p.sd is None else p.sd**2 for p in used],
        level.moved_at,
        level.settled,
        len(level.batches),
    )


def supported(level: Standing | None, claim: Claim | None) -> dict[str, Any]:
    """The supported claim in g or None, the reason in words, and on which batches it rests.

    `supported_light_holds` says whether at that claim 95 % of parts to come also stay at or above
    the claim less `under_g`, with 95 % confidence.
    """
    row: dict[str, Any] = {
        "supported_claim_g": None,
        "supported_reason": _why_not(level, claim),
        "supported_light_holds": None,
        "supported_batches": len(level.codes) if level else 0,
        "supported_from": level.codes[0] if level else None,
        "moved_at": level.moved_at if level else None,
    }
    if row["supported_reason"] or level is None or claim is None:
        return row
    batches = level.ns, level.means, level.variances
    found = supported_claim_g(*batches, float(claim.over_g))
    assert found is not None
    # a claim is published in whole tenths, rounded to the safe side
    lowest = math.ceil(round(found * 10, 6)) / 10
    holds = lower_limit(*batches) >= lowest - float(claim.under_g)
    return row | {
        "supported_claim_g": lowest,
        "supported_reason": _why(level, claim, lowest, holds),
        "supported_light_holds": holds,
    }


def _why_not(level: Standing | None, claim: Claim | None) -> str:
    """Why no claim is supported; empty where one is."""
    if claim is None:
        return "None: the catalog has no claim here whose tolerance a mass could keep."
    if level is None:
        return "None yet: nothing has been weighed."
    if not level.settled:
        return (
            f"None yet: the level moved with batch {level.moved_at}. A new level needs "
            f"{SETTLED} batches, there {_are(level.since_move)} so far."
        )
    if len(level.codes) < LEAST_BATCHES:
        return (
            f"None yet: it takes {LEAST_BATCHES} batches, there {_are(len(level.codes))} so far, "
            "however many parts."
        )
    return ""


def _why(level: Standing, claim: Claim, lowest: float, light_holds: bool) -> str:
    k, since = len(level.codes), ""
    if level.moved_at:
        since = f" since the level moved with batch {level.moved_at}, earlier ones left out"
    said = (
        f"With 95 % confidence, 95 % of parts to come weigh at most {lowest:g} g + "
        f"{claim.over_g} g, as {k} batches show{since}."
    )
    if light_holds:
        return said
    return (
        f"{said} The light side is not shown: that as many weigh at least {lowest:g} g − "
        f"{claim.under_g} g takes less spread, more batches or a wider tolerance."
    )


def _are(count: int) -> str:
    return f"is {count}" if count == 1 else f"are {count}"
