"""What a front and a rear wheel will weigh together, from the batches of each."""

import math
from collections.abc import Mapping
from typing import Any

from qc.statistics.claims.pair import Wheels, predict_pair
from qc.statistics.claims.spread import batch_spread
from qc.views.claim_facts import Facts, Measuring, Stream
from qc.views.claim_support import Standing


def pair_predictions(
    model: str, facts: Facts, levels: Mapping[Stream, Standing]
) -> list[dict[str, Any]]:
    """Per rear wheel that this front wheel is paired with (else its own model's): the prediction.

    `lower_g` and `upper_g` hold one pair to come with 95 %. None below two batches of either
    wheel. `weighed_*` are the pairs built so far, where all are of one kind.
    """
    rears = facts.pairs.get(model) or [model]
    found = []
    for rear in rears:
        wheels = levels.get((model, "front-wheel")), levels.get((rear, "rear-wheel"))
        if not all(level and len(level.means) > 1 for level in wheels):
            continue
        front, back = (Wheels(w.ns, w.means, w.variances) for w in wheels if w)
        u_common = math.hypot(*both(model, rear, facts).common.values())
        mass = predict_pair(front, back, u_common)
        row = {
            "front": model,
            "rear": rear,
            "mean_g": mass.mean,
            "sd_g": mass.sd,
            "sd_one_batch_g": mass.sd_one_batch,
            "lower_g": mass.interval.lower,
            "upper_g": mass.interval.upper,
            "u_common_g": u_common,
            "moved_at": [w.moved_at for w in wheels if w and not w.settled],
        }
        weighed = levels.get((model, "pair"))
        if len(rears) == 1 and weighed:
            mean = sum(weighed.means) / len(weighed.means)
            row |= {"weighed_mean_g": mean, "weighed_batches": len(weighed.means)}
            if len(weighed.means) > 1:
                spread = batch_spread(weighed.ns, weighed.means, weighed.variances)
                row["weighed_sd_g"] = spread.total_sd
        found.append(row)
    return found


def both(front: str, rear: str, facts: Facts) -> Measuring:
    """What measuring adds to a pair: its wheels' own, and what they share source by source.

    Terms of one source add up with their signs (GUM 5.2.2, note 1): one scale errs alike on both.
    """
    wheels = (
        facts.measuring.get((front, "front-wheel"), Measuring()),
        facts.measuring.get((rear, "rear-wheel"), Measuring()),
    )
    common: dict[str, float] = {}
    for wheel in wheels:
        for source, term in wheel.common.items():
            common[source] = common.get(source, 0.0) + term
    return Measuring(sum(wheel.own_var for wheel in wheels), dict(sorted(common.items())))
