"""What a front and a rear wheel will weigh together."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from qc.statistics.arguments import not_negative, share
from qc.statistics.claims.pivots import Variances
from qc.statistics.claims.spread import batch_level, batch_spread
from qc.statistics.limits import Interval


class Wheels(NamedTuple):
    """The batches of one wheel: parts, means in g, and variances (n - 1) in g² or None."""

    ns: Sequence[int]
    means: Sequence[float]
    variances: Variances


class PairMass(NamedTuple):
    """The predicted mass of a pair to come, in g.

    `sd` is the spread of pairs whose wheels come of different batches, `sd_one_batch` of pairs
    whose wheels come of one; `interval` holds one pair to come and goes with the larger.
    """

    mean: float
    sd: float
    sd_one_batch: float
    u_common: float
    interval: Interval


def predict_pair(
    front: Wheels, rear: Wheels, u_common: float = 0.0, confidence: float = 0.95
) -> PairMass:
    """The mass of a pair to come from the batches of its wheels, at least two of each.

    `u_common` is the pair's: what both wheels share (a scale) adds up linearly before it comes
    here. Means add up; variances add up where wheels come of different batches; within one batch
    its effect on both wheels is taken as shared, so that the standard deviations between batches
    add up instead. The interval is mean ± t √(sd² + u² of the two levels + u_common²) with
    effective degrees of freedom by Welch-Satterthwaite (JCGM 100:2008, G.4).
    """
    from scipy.special import stdtrit

    not_negative("u_common", u_common)
    tail = (1 - share("confidence", confidence)) / 2
    levels = [batch_level(wheel.means) for wheel in (front, rear)]
    spreads = [batch_spread(*wheel) for wheel in (front, rear)]
    between = [0.0 if math.isnan(s.between_var) else s.between_sd for s in spreads]
    sd = math.hypot(*(s.total_sd for s in spreads))
    shared = math.sqrt(sd**2 + 2 * between[0] * between[1])
    level_var = sum(level.u_batches**2 for level in levels)
    variance = shared**2 + level_var + u_common**2
    # each wheel's share of the variance is known as well as its batches allow
    own = [s.total_sd**2 + level.u_batches**2 for s, level in zip(spreads, levels, strict=True)]
    known = sum(
        part**2 / (len(wheel.ns) - 1) for part, wheel in zip(own, (front, rear), strict=True)
    )
    dof = variance**2 / known if known else math.inf
    half = float(stdtrit(min(dof, 1e10), 1 - tail)) * math.sqrt(variance)
    mean = float(np.sum([level.mean for level in levels]))
    return PairMass(mean, sd, shared, u_common, Interval(mean - half, mean + half))
