"""Do two batches survive alike? Two tests for censored values of every kind.

The generalised log-rank test assumes no distribution: every part gets a score from the common
Turnbull estimate (Sun's, which for exact and right-censored values add up to the log-rank test's
observed less expected), and the batches' labels are permuted. The likelihood-ratio test assumes a
common shape and asks whether the scales differ; its p-value is approximate for few parts, its
ratio of scales with an interval says by how much.

References:

1. Sun (1996), Statistics in Medicine 15:1387-1395; Fay (1999), Statistics in Medicine 18:273-285,
   who compares the scores; Finkelstein (1986), Biometrics 42:845-854.
2. Meeker & Escobar (1998), "Statistical Methods for Reliability Data", chapter 17 (comparison by
   an accelerated-life model with a common shape).
3. Phipson & Smyth (2010), Stat. Appl. Genet. Mol. Biol. 9:39: drawn permutations count the
   observed one in.
"""

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from qc.statistics import arguments
from qc.statistics.censoring import Censored, Floats, interval_censored
from qc.statistics.life_fit import logs
from qc.statistics.likelihood import Family, Sample, highest, sample
from qc.statistics.limits import Interval
from qc.statistics.location_scale import fallen
from qc.statistics.npmle import most_likely, support

_MOST_ENUMERATED = 50_000


@dataclass(frozen=True, slots=True, eq=False)
class LogRank:
    """The generalised log-rank test of two batches.

    `statistic`: observed less expected failures of the first batch, negative where it survives
    better. `variance` is that over all permutations, `z` the statistic over its root. `p` counts
    the permutations at least as far from 0: all of them where `exact`, else `permutations` drawn.
    """

    first: Censored
    second: Censored
    statistic: float
    variance: float
    p: float
    exact: bool
    permutations: int

    @property
    def z(self) -> float:
        return self.statistic / math.sqrt(self.variance) if self.variance > 0 else 0.0

    @property
    def p_normal(self) -> float:
        """Two-sided, by the normal approximation, for larger batches."""
        return math.erfc(abs(self.z) / math.sqrt(2))


def log_rank_test(
    first: Censored, second: Censored, *, permutations: int = 20_000, seed: int = 1
) -> LogRank:
    """Whether two batches survive alike, without assuming a distribution [1].

    Batches come from `interval_censored` or `right_censored`. All ways to part the values into
    two batches of these sizes are counted where there are at most 50,000, otherwise
    `permutations` are drawn with `seed` [3]. Where nothing distinguishes parts p is 1.

    >>> from qc.statistics.censoring import right_censored
    >>> weak = right_censored(times=[1, 2, 2, 3], failed=[1, 1, 1, 1])
    >>> strong = right_censored(times=[4, 5, 5, 5], failed=[1, 1, 0, 0])
    >>> test = log_rank_test(weak, strong)
    >>> test.exact, round(test.p, 4)
    (True, 0.0286)
    """
    scores = _scores(*(_one_by_one(batch) for batch in (first, second)))
    n, m = scores.size, round(first.total)
    statistic = float(scores[:m].sum())
    centred = scores - scores.mean()
    variance = float(centred @ centred) * m * (n - m) / (n * (n - 1)) if n > 1 else 0.0
    far = abs(statistic) - 1e-9 * (1 + abs(statistic))
    ways = math.comb(n, m)
    if ways <= _MOST_ENUMERATED:
        chosen = np.array(list(itertools.combinations(range(n), m)), dtype=np.intp)
        p = float(np.mean(np.abs(scores[chosen].sum(axis=1)) >= far))
        return LogRank(first, second, statistic, variance, p, True, ways)
    rng = np.random.default_rng(seed)
    hits = sum(abs(rng.permutation(scores)[:m].sum()) >= far for _ in range(permutations))
    p = (1 + hits) / (1 + permutations)
    return LogRank(first, second, statistic, variance, p, False, permutations)


def _one_by_one(batch: Censored) -> Censored:
    """One row a part."""
    counts = np.rint(batch.counts).astype(int)
    if not np.array_equal(counts, batch.counts):
        raise ValueError("a permutation needs whole parts: counts must be whole numbers")
    return interval_censored(
        lower=np.repeat(batch.lower, counts), upper=np.repeat(batch.upper, counts)
    )


def _scores(first: Censored, second: Censored) -> Floats:
    """Sun's scores of all parts: 1 - Λ for a known failure, -Λ for a survivor; they add up to 0.

    For a part in an interval, minus the mean over the masses it holds of the cumulated hazard
    less the step there. With S after each mass, (S_l Λ_l - S_u Λ_u)/(S_l - S_u) at its ends.
    """
    data = interval_censored(
        lower=np.append(first.lower, second.lower), upper=np.append(first.upper, second.upper)
    )
    intervals = support(data)
    masses = np.clip(most_likely(intervals).masses, 0, None)
    masses = np.where(masses < 1e-10, 0.0, masses) / masses.sum()
    before = np.cumsum(masses[::-1])[::-1]
    after = np.append(before[1:], 0.0)
    # the mass beyond every failure is no failure: the parts that are left stay left
    left = np.isinf(intervals.right)
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.where((before > 1e-12) & ~left, masses / before, 0.0)
    hazard = np.cumsum(step)
    # at the two ends of each mass: share left and hazard so far
    at_left, at_right = before * (hazard - step), np.where(left, before, after) * hazard
    gain = np.where(left, -before * hazard, at_right - at_left)
    holds = _holds(data, intervals.left, intervals.right)
    share = holds @ masses
    return np.asarray((holds @ gain) / share)
