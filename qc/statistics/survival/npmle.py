"""Turnbull's innermost intervals, and the masses on them that are most likely.

Split from `turnbull` so that limits and the two-batch test can use the same solver. References
there; [3] is the constrained Newton method solved here.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.statistics.survival.censoring import Censored, Floats

Mask = NDArray[np.bool_]

# of log-likelihood per part that may be missing of the maximum, wished for and accepted
_WISHED, _ACCEPTED = 1e-13, 1e-8
_MOST_STEPS = 200


class Support(NamedTuple):
    """Innermost intervals (left, right], shape (m,), and which parts' intervals hold them.

    `holds` has shape (k, m): distinct rows of the data, `counts` parts each, shape (k,).
    """

    left: Floats
    right: Floats
    holds: Floats
    counts: Floats


class Masses(NamedTuple):
    """Most likely masses; `gap` is an upper bound of the log-likelihood that is missing."""

    masses: Floats
    log_likelihood: float
    gap: float


def support(data: Censored) -> Support:
    """The intervals that can carry mass: from a lower end to the next end, that being an upper."""
    left, right = _innermost(data)
    rows, where = np.unique(held(data, left, right), axis=0, return_inverse=True)
    counts = np.bincount(where.ravel(), data.counts).astype(float)
    return Support(left, right, rows.astype(float), counts)


def held(data: Censored, left: Floats, right: Floats) -> Mask:
    """Which intervals lie in each row's own, shape (rows, intervals)."""
    point = np.equal(left, right)
    low, high, exact = data.lower[:, None], data.upper[:, None], data.exact[:, None]
    # (lower, upper] leaves a point at its lower end out, and a known value holds that point only
    inside = (right <= high) & np.where(point, left > low, left >= low)
    return np.where(exact, point & (left == low), inside)


def _innermost(data: Censored) -> tuple[Floats, Floats]:
    # at one value: a known value begins, then intervals end, then open ones begin
    begins = np.where(data.exact, 0, 2)
    values = np.concatenate([data.lower, data.upper])
    kinds = np.concatenate([begins, np.ones_like(begins)])
    order = np.lexsort((kinds, values))
    values, kinds = values[order], kinds[order]
    found = np.flatnonzero((kinds[:-1] != 1) & (kinds[1:] == 1))
    return values[found], values[found + 1]


def most_likely(
    intervals: Support,
    *,
    later: Mask | None = None,
    share: float = 1.0,
    near: Floats | None = None,
) -> Masses:
    """Masses that maximise Σ counts · log(holds @ masses), the masses adding up to 1.

    With `later`, shape (m,), those it marks add up to `share` and the others to 1 - share. `near`:
    masses to begin with, where some are known that cannot be far off.
    RuntimeError where the maximum is not reached to 1e-8 of log-likelihood a part.
    """
    holds, counts = intervals.holds, intervals.counts
    groups = [np.ones(holds.shape[1], dtype=bool)] if later is None else [later, ~later]
    totals = np.array([1.0] if later is None else [share, 1 - share])
    parts = float(counts.sum())
    masses = np.zeros(holds.shape[1])
    for group, total in zip(groups, totals, strict=True):
        masses[group] = total / group.sum()
    if near is not None:
        # a little of all, since a mass of nought may have to grow
        masses = _scaled(near + 1e-6 * masses, masses, groups, totals)
    found = Masses(masses, -np.inf, np.inf)
    for _ in range(_MOST_STEPS):
        slope = holds.T @ (counts / (holds @ masses))
        # by concavity no masses gain more than the steepest mass of each group would
        gap = sum(t * slope[g].max() for g, t in zip(groups, totals, strict=True)) - slope @ masses
        height = _log_likelihood(holds, counts, masses)
        if gap >= found.gap and found.gap <= _ACCEPTED * parts:
            break  # as far as rounding allows
        if gap < found.gap:
            found = Masses(masses, height, float(max(gap, 0.0)))
        if gap <= _WISHED * parts:
            break
        wanted = _newton(holds, counts, masses, groups, totals)
        masses = next(
            (
                to
                for to in (masses + step * (wanted - masses) for step in 0.5 ** np.arange(10))
                if _log_likelihood(holds, counts, to) >= height - 1e-14 * abs(height)
            ),
            # where the quadratic is no guide, one step of self-consistency
            _scaled(masses * slope, masses, groups, totals),
        )
    if found.gap > _ACCEPTED * parts:
        raise RuntimeError(f"the masses did not reach their maximum: gap {found.gap:.3g}")
    return found


def _log_likelihood(holds: Floats, counts: Floats, masses: Floats) -> float:
    chance = holds @ masses
    return float(counts @ np.log(chance)) if (chance > 0).all() else -np.inf


def _newton(
    holds: Floats, counts: Floats, masses: Floats, groups: list[Mask], totals: Floats
) -> Floats:
    """The masses at which the quadratic approximation is highest: least squares to 2."""
    from scipy.optimize import nnls

    each = np.array(groups, dtype=float)
    root, of_column, chance = np.sqrt(counts), totals @ each, holds @ masses
    # each group's masses as shares of their total, which a heavy row holds to add up to 1; its
    # target is less by the group's multiplier, so that the weight leaves no trace
    rows = root[:, None] * holds * of_column / chance[:, None]
    weight = 1e3 * root.max()
    held = 1 - each @ (masses * (holds.T @ (counts / chance))) / weight**2
    try:
        found, _ = nnls(np.vstack([rows, weight * each]), np.append(2 * root, weight * held))
    except RuntimeError:
        return masses
    return _scaled(found * of_column, masses, groups, totals)


def _scaled(found: Floats, masses: Floats, groups: list[Mask], totals: Floats) -> Floats:
    """With the totals that the groups must have; a group that vanished stays as it was."""
    scaled = masses.copy()
    for group, total in zip(groups, totals, strict=True):
        if (some := found[group].sum()) > 0:
            scaled[group] = found[group] * (total / some)
    return scaled
