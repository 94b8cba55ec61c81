"""Each batch against all the others: does it survive alike?

Every part gets the generalised Wilcoxon score of the common Turnbull estimate S: how much more
likely another part is to survive it than to fail before it, 1 for the first to fail. A batch's sum
of scores is compared with the sums of as many parts drawn at random from all; all draws are counted
where the scores are few, else some are drawn. Comparing every batch makes many tests: `p_adjusted`
is Holm's.

The log-rank scores of `two_batches` weigh late failures most: of 30 batches of 5 parts, one that
bears a quarter of the multiple is never found by them and always by these
(tests/bench/margin_coverage.py).

References: Peto & Peto (1972), J. R. Stat. Soc. A 135:185-207; Fay & Shaw (2010), Journal of
Statistical Software 36(2), section 2, for intervals; Phipson & Smyth (2010), Stat. Appl. Genet.
Mol. Biol. 9:39, for drawn permutations.
"""

from collections.abc import Hashable, Sequence
from functools import cache
from typing import NamedTuple

import numpy as np

from qc.statistics.multiple_testing import holm
from qc.statistics.survival.censoring import Floats, interval_censored
from qc.statistics.survival.turnbull import turnbull

_MOST_COUNTED = 50_000
_DRAWN = 20_000


class AgainstRest(NamedTuple):
    """`statistic`: the batch's sum of scores, above 0 where it is weaker."""

    batch: Hashable
    tests: int
    statistic: float
    p: float
    p_adjusted: float


def each_against_rest(
    *, lower: Floats, upper: Floats, batches: Sequence[Hashable], seed: int = 1
) -> list[AgainstRest]:
    """One comparison a batch, in order of first appearance; none where there is but one batch.

    `lower`, `upper`: each part's interval (lower, upper] as for `interval_censored`, shape (k,);
    `batches`: the batch of each. Of two batches there is one comparison only, and both carry it.
    """
    names = list(dict.fromkeys(batches))
    if len(names) < 2:
        return []
    place = {name: i for i, name in enumerate(names)}
    of = np.array([place[batch] for batch in batches])
    # equal scores must be equal to the last bit
    each = np.round(wilcoxon_scores(lower, upper), 9)
    sums, sizes = np.bincount(of, each), np.bincount(of)
    values, counts = np.unique(each, return_counts=True)

    @cache
    def draws(size: int) -> tuple[Floats, Floats, bool]:
        return _draws(values, counts, size, seed)

    # the sums of a batch and of the rest are the same with the sign turned
    ps = [
        _p(total, draws(int(min(size, each.size - size))))
        for total, size in zip(sums, sizes, strict=True)
    ]
    adjusted = ps if len(names) == 2 else holm(ps).adjusted.tolist()
    return [
        AgainstRest(name, int(size), float(total), p, q)
        for name, size, total, p, q in zip(names, sizes, sums, ps, adjusted, strict=True)
    ]


def wilcoxon_scores(lower: Floats, upper: Floats) -> Floats:
    """S(lower) + S(upper) - 1 for parts that fail in (lower, upper], adding up to 0 over all."""
    ends, place = np.unique(np.concatenate([lower, upper]), return_inverse=True)
    rows, counts = np.unique(np.column_stack([lower, upper]), axis=0, return_counts=True)
    curve = turnbull(interval_censored(lower=rows[:, 0], upper=rows[:, 1], counts=counts))
    left = [curve.survival_at(end, cautious=False) if end < np.inf else 0.0 for end in ends]
    before, after = np.array(left)[place.reshape(2, -1)]
    return np.asarray(before + after - 1)


def _p(total: float, drawn: tuple[Floats, Floats, bool]) -> float:
    sums, weights, exact = drawn
    hit = float(weights[np.abs(sums) >= abs(total) - 1e-6].sum())
    # drawn permutations count the observed one in
    return min(hit, 1.0) if exact else (1 + hit * _DRAWN) / (1 + _DRAWN)


def _draws(values: Floats, counts: np.ndarray, size: int, seed: int) -> tuple[Floats, Floats, bool]:
    """Sums of `size` scores drawn without replacement, their chances, and whether these are all."""
    from scipy.special import comb

    if comb(values.size + size, size) > _MOST_COUNTED:
        rng = np.random.default_rng(seed)
        drawn = rng.multivariate_hypergeometric(counts, size, size=_DRAWN, method="marginals")
        return drawn @ values, np.full(_DRAWN, 1 / _DRAWN), False
    taken, sums, ways = np.zeros(1, dtype=int), np.zeros(1), np.ones(1)
    for value, count in zip(values, counts, strict=True):
        more = np.arange(min(int(count), size) + 1)
        grown = taken[:, None] + more
        kept = grown <= size
        sums = (sums[:, None] + more * value)[kept]
        ways = (ways[:, None] * comb(int(count), more))[kept]
        taken = grown[kept]
    whole = taken == size
    return sums[whole], ways[whole] / ways[whole].sum(), True
