"""The lowest claim that the batches on record support.

An upper tolerance limit for single parts where the batch is the unit: parts of a batch go
together, so that two hundred parts from six batches are six observations of what a batch does.
Method: the generalised confidence limit for the one-way random model of Krishnamoorthy & Mathew
(2004), "One-sided tolerance limits in balanced and unbalanced one-way random models based on
generalized confidence limits", Technometrics 46:44-52. With k batches, M the mean of their means
and B the means' sum of squares about it, W the sum of squares within batches with f degrees of
freedom and h the harmonic mean size, the limit is the `confidence` quantile of

    M + Z √(B/(k U)) + z √(B/U + (1 - 1/h) W/V)

over Z normal, U ~ χ²(k - 1) and V ~ χ²(f), with the normal quantile z of `coverage`. It is found
by integration, not by drawing numbers, so that the same batches always support the same claim.
Batches with one part each make it the usual one-sided limit by the noncentral t. Simplifications:
batches and parts are normal, all batches share one spread within, and M and B take batch means of
unequal size alike.
"""

import math
from collections.abc import Sequence

LEAST_BATCHES = 6
_NODES = 60


def supported_claim_g(
    batch_ns: Sequence[int],
    batch_means: Sequence[float],
    batch_variances: Sequence[float | None],
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
    limit = upper_limit(batch_ns, batch_means, batch_variances, coverage, confidence)
    return limit - over_g


def upper_limit(
    ns: Sequence[int],
    means: Sequence[float],
    variances: Sequence[float | None],
    coverage: float,
    confidence: float,
) -> float:
    """The upper tolerance limit for single parts, in the unit of the means; see the module."""
    import numpy as np
    from scipy.optimize import brentq
    from scipy.special import chdtri, ndtr, ndtri, roots_legendre

    from qc.statistics.components.variance import between_within

    for name, share in (("coverage", coverage), ("confidence", confidence)):
        if not 0 < share < 1:
            raise ValueError(f"{name} must lie between 0 and 1: {share}")
    known = [math.nan if variance is None else variance for variance in variances]
    parts = between_within(ns, means, known)
    k, centre = len(ns), float(np.mean(means))
    between = float(np.var(means)) * k
    within = parts.ss_within * (1 - float(np.mean(1 / np.asarray(ns, dtype=float))))
    if between + within == 0:
        return centre
    # identical means: a trace of spread keeps the integrand smooth and moves nothing
    between = max(between, 1e-9 * within)
    nodes, weights = roots_legendre(_NODES)
    chance, weight = (nodes + 1) / 2, weights / 2
    of_batches = between / chdtri(k - 1, chance)[:, None]
    of_parts = within / chdtri(max(parts.dof_within, 1), chance)[None, :]
    quantile = float(ndtri(coverage)) * np.sqrt(of_batches + of_parts)
    doubt = np.sqrt(of_batches / k)

    def excess(limit: float) -> float:
        return float(weight @ ndtr((limit - quantile) / doubt) @ weight) - confidence

    lower, upper = float(quantile.min() - 9 * doubt.max()), float(quantile.max() + 9 * doubt.max())
    return centre + float(brentq(excess, lower, upper, xtol=1e-12 * (upper - lower)))
