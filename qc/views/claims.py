"""Claimed against measured mass, per model and stage: what holds, and what may be published."""

import datetime as dt
import math
from typing import Any

from sqlalchemy import Connection

from qc.catalog.catalog import Catalog
from qc.catalog.entries import Claim, Model
from qc.ledger.follow import load_known
from qc.statistics.bounds.proportions import clopper_pearson_interval
from qc.statistics.claims.limits import chance_above, chance_below
from qc.statistics.claims.spread import batch_level, batch_spread, real_sd
from qc.statistics.limits import Interval
from qc.statistics.summary import Summary as Sums
from qc.views.claim_facts import BatchMass, Facts, Measuring, Stream, facts_now
from qc.views.claim_pair import both, pair_predictions
from qc.views.claim_past import facts_at
from qc.views.claim_support import Standing, standing, supported
from qc.views.plain import number

STAGES = ("rim", "front-wheel", "rear-wheel", "pair")
# wheels on the market weigh 50 to 150 g over their claims: common practice, no source
FAR_OVER_G = 50


def claims(
    connection: Connection, catalog: Catalog, day: dt.date | None = None
) -> list[dict[str, Any]]:
    """One row per model and stage that has a claim or a measured part; no suspect reading counts.

    `day` asks for the answer as it was known at the end of that local day, with the claims in
    force on it; that costs a replay of every part. `over_share` is the share of parts above the
    claim and its tolerance, `outside_share` that of parts above or below it, each judged by the
    claim in force when it was weighed. What batches say of parts to come (bias, spread, predicted
    shares, chances, the supported claim) rests on the batches since the level last moved.
    """
    if day is None:
        facts = facts_now(connection, catalog, load_known(connection, catalog).around)
    else:
        facts = facts_at(connection, catalog, day)
    return claims_from(facts, catalog, day)


def claims_from(facts: Facts, catalog: Catalog, day: dt.date | None) -> list[dict[str, Any]]:
    """The same from facts at hand, with the claims in force on a day."""
    streams = set(facts.batches)
    for model in catalog.codes(Model):
        streams |= {(model, stage) for stage in STAGES if catalog.claim(model, stage, day)}
    levels = {stream: standing(catalog, stream, found) for stream, found in facts.batches.items()}
    return [_row(stream, catalog.claim(*stream, day), facts, levels) for stream in sorted(streams)]


def _row(
    stream: Stream, claim: Claim | None, facts: Facts, levels: dict[Stream, Standing]
) -> dict[str, Any]:
    batches, level = facts.batches.get(stream, []), levels.get(stream)
    measuring = _measuring(stream, facts)
    row = (
        {
            "model": stream[0],
            "stage": stream[1],
            "claimed_g": number(claim.claimed_g) if claim else None,
            "over_g": number(claim.over_g) if claim else None,
            "under_g": number(claim.under_g) if claim else None,
        }
        | _observed(batches)
        | supported(level, claim)
        | _bias(level, claim, measuring)
        | _spread(level, measuring)
        | _to_come(level, claim)
    )
    if stream[1] == "pair":
        row["pairs"] = pair_predictions(stream[0], facts, levels)
    return row


def _measuring(stream: Stream, facts: Facts) -> Measuring:
    model, stage = stream
    if stage != "pair":
        return facts.measuring.get(stream, Measuring())
    return both(model, (facts.pairs.get(model) or [model])[0], facts)


def _observed(batches: list[BatchMass]) -> dict[str, Any]:
    """What was weighed: all parts that count, with exact limits for their shares."""
    whole = Sums.together(b.sums for b in batches)
    n, over = whole.n, sum(b.over for b in batches)
    outside = over + sum(b.under for b in batches)
    row = {
        "n": n,
        "batches": len(batches),
        "mean_g": whole.mean,
        "sd_g": whole.sd,
        "least_g": number(min((b.least for b in batches), default=None)),
        "most_g": number(max((b.most for b in batches), default=None)),
    }
    for name, events in (("over", over), ("outside", outside)):
        limits = clopper_pearson_interval(events=events, trials=n) if n else Interval(0, 0)
        row |= {
            f"{name}_share": events / n if n else None,
            f"{name}_share_lower": limits.lower if n else None,
            f"{name}_share_upper": limits.upper if n else None,
        }
    return row


def _bias(level: Standing | None, claim: Claim | None, measuring: Measuring) -> dict[str, Any]:
    """The level against the claim; what all readings have in common in lines of its own."""
    common = [{"source": name, "u_g": abs(term)} for name, term in measuring.common.items()]
    u_common = math.hypot(*measuring.common.values())
    row: dict[str, Any] = dict.fromkeys(("bias_g", "bias_lower_g", "bias_upper_g", "u_batches_g"))
    if level and claim and len(level.means) > 1:
        found = batch_level(level.means, u_common)
        claimed = float(claim.claimed_g)
        row = {
            "bias_g": found.mean - claimed,
            "bias_lower_g": found.interval.lower - claimed,
            "bias_upper_g": found.interval.upper - claimed,
            "u_batches_g": found.u_batches,
        }
    known = bool(measuring.common)
    return row | {"u_common_g": u_common if known else None, "common": common}


def _spread(level: Standing | None, measuring: Measuring) -> dict[str, Any]:
    """Between and within batches, and of the latter what is the parts' own."""
    names = ("between_sd_g", "between_var_g2", "between_lower_g", "between_upper_g",
             "within_sd_g", "within_lower_g", "within_upper_g", "part_sd_g")  # fmt: skip
    row: dict[str, Any] = dict.fromkeys(names)
    if level and len(level.means) > 1:
        found = batch_spread(level.ns, level.means, level.variances)
        if not math.isnan(found.within_var):
            between, within = found.between_limits, found.within_limits
            values = (found.between_sd, found.between_var, *map(math.sqrt, between),
                      found.within_sd, *map(math.sqrt, within),
                      real_sd(found.within_var, measuring.own_var))  # fmt: skip
            row = dict(zip(names, values, strict=True))
    return row | {"measuring_sd_g": math.sqrt(measuring.own_var) if measuring.common else None}


def _to_come(level: Standing | None, claim: Claim | None) -> dict[str, Any]:
    """Chances of one part of a batch to come, with upper bounds at 95 % confidence."""
    names = ("over_predicted", "over_predicted_upper", "under_predicted", "under_predicted_upper",
             "outside_predicted", "far_over_g", "far_over_chance", "far_over_upper")  # fmt: skip
    if not level or not claim or len(level.means) < 2:
        return dict.fromkeys(names)
    batches = level.ns, level.means, level.variances
    claimed = float(claim.claimed_g)
    over = chance_above(*batches, claimed + float(claim.over_g))
    under = chance_below(*batches, claimed - float(claim.under_g))
    far = chance_above(*batches, claimed + FAR_OVER_G)
    values = (*over, *under, over.chance + under.chance, FAR_OVER_G, *far)
    return dict(zip(names, values, strict=True))
