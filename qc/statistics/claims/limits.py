"""The lowest claim that the batches on record support, and the chances of parts to come.

All from the pivots of the one-way random model (`pivots`), so that the answers agree with each
other: a tolerance limit with the batch as the unit, its inverse (a bound on the share beyond a
limit), and the plain chance of one part to come. With one part a batch they are the usual
one-sided limit by the noncentral t and the t prediction.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from qc.statistics.arguments import share
from qc.statistics.claims.pivots import Pivots, Variances, pivots

LEAST_BATCHES = 6


class Chance(NamedTuple):
    """The chance that one part of a batch to come lies beyond a limit, and its upper bound.

    `chance` weighs all that the batches leave open; the bound, one on the share of parts, is never
    stated lower than it.
    """

    chance: float
    upper: float


def supported_claim_g(
    batch_ns: Sequence[int],
    batch_means: Sequence[float],
    batch_variances: Variances,
    over_g: float,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    least_batches: int = LEAST_BATCHES,
) -> float | None:
    """The lowest claim, in g, for which parts to come stay at or below claim + `over_g`.

    That is, `coverage` of them do, with `confidence`. One entry per batch: parts, mean in g and
    variance (n - 1) in g², which may be None for a single part. None below `least_batches`.
    """
    if len(batch_ns) < max(least_batches, 2):
        return None
    return upper_limit(batch_ns, batch_means, batch_variances, coverage, confidence) - over_g


def upper_limit(
    ns: Sequence[int],
    means: Sequence[float],
    variances: Variances,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> float:
    """The limit below which `coverage` of single parts to come lie, with `confidence`.

    In the unit of the means: the `confidence` quantile of level + z·sd over the pivots, with the
    normal quantile z of `coverage`.
    """
    from scipy.special import ndtri

    share("coverage", coverage)
    share("confidence", confidence)
    found = pivots(ns, means, variances)
    return found.centre + _quantile(found, float(ndtri(coverage)), confidence)


def lower_limit(
    ns: Sequence[int],
    means: Sequence[float],
    variances: Variances,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> float:
    """The limit above which `coverage` of single parts to come lie, with `confidence`."""
    return -upper_limit(ns, [-mean for mean in means], variances, coverage, confidence)


def chance_above(
    ns: Sequence[int],
    means: Sequence[float],
    variances: Variances,
    limit: float,
    confidence: float = 0.95,
) -> Chance:
    """The chance that a part to come lies above `limit`, and its upper `confidence` bound.

    The bound is the share whose tolerance limit (`upper_limit`) is just `limit`.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr

    share("confidence", confidence)
    found = pivots(ns, means, variances)
    room = limit - found.centre
    if not found.spread.any():
        sure = float(room < 0)
        return Chance(sure, sure)
    chance = float(np.sum(found.weight * ndtr(-room / np.hypot(found.spread, found.doubt))))

    def excess(z: float) -> float:
        return _below(found, z, room) - confidence

    edge = 40.0  # a share beyond 40 sd is nothing
    if excess(edge) > 0:
        return Chance(chance, chance)
    z = float(brentq(excess, -edge, edge, xtol=1e-10)) if excess(-edge) > 0 else -edge
    return Chance(chance, max(chance, float(ndtr(-z))))


def chance_below(
    ns: Sequence[int],
    means: Sequence[float],
    variances: Variances,
    limit: float,
    confidence: float = 0.95,
) -> Chance:
    """The chance that a part to come lies below `limit`, and its upper `confidence` bound."""
    return chance_above(ns, [-mean for mean in means], variances, -limit, confidence)


def _quantile(found: Pivots, z: float, confidence: float) -> float:
    from scipy.optimize import brentq

    if not found.spread.any():
        return 0.0

    def excess(limit: float) -> float:
        return _below(found, z, limit) - confidence

    reach = float(np.sum(found.weight * found.spread))
    while excess(-reach) > 0 or excess(reach) < 0:
        reach *= 2
    return float(brentq(excess, -reach, reach, xtol=1e-12 * reach))


def _below(found: Pivots, z: float, limit: float) -> float:
    """How probable it is that level + z·sd lies at or below centre + `limit`."""
    from scipy.special import ndtr

    return float(np.sum(found.weight * ndtr((limit - z * found.spread) / found.doubt)))
