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
from qc.statistics.limits import Interval
from qc.statistics.survival.censoring import Censored, Floats, interval_censored
from qc.statistics.survival.life_fit import exp, log, logs
from qc.statistics.survival.likelihood import Family, Sample, highest, sample
from qc.statistics.survival.location_scale import fallen
from qc.statistics.survival.npmle import held, most_likely, support

_MOST_ENUMERATED = 50_000
# a ratio e^25 stands for no limit
_FAR = 25.0


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

    >>> from qc.statistics.survival.censoring import right_censored
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
    """Sun's scores of all parts, adding up to 0: 1 - Λ for a known failure, -Λ for a survivor.

    In between (S_u Λ_u - S_l Λ_l)/(S_l - S_u), with the share left S and the cumulated hazard Λ
    of the common estimate at the ends of a part's interval; added up over the masses in it.
    """
    data = interval_censored(
        lower=np.append(first.lower, second.lower), upper=np.append(first.upper, second.upper)
    )
    intervals = support(data)
    masses = most_likely(intervals).masses
    masses = np.where(masses < 1e-10, 0.0, masses) / masses.sum()
    before = np.cumsum(masses[::-1])[::-1]
    after = np.append(before[1:], 0.0)
    step = np.divide(masses, before, out=np.zeros_like(masses), where=before > 0)
    hazard = np.cumsum(step)
    gain = after * hazard - before * (hazard - step)
    holds = held(data, intervals.left, intervals.right)
    return np.asarray((holds @ gain) / (holds @ masses))


@dataclass(frozen=True, slots=True, eq=False)
class ScaleRatio:
    """Two batches of one shape (one sigma of log t), compared by their scales.

    `ratio`: scale (or median) of the first over that of the second; inf or 0 where only one of
    them has failures, NaN where nothing can be told. `error`: of its logarithm. `statistic`: twice
    the log-likelihood gained by two scales instead of one, chi-square with one degree of freedom;
    `p` from it. `log_likelihood`: with two scales, of log t.
    """

    rows: Sample
    family: Family
    ratio: float
    statistic: float
    p: float
    error: float
    log_likelihood: float

    def interval(self, *, confidence: float = 0.95) -> Interval:
        """Likelihood-ratio limits of the ratio; 0 and inf where the data set none."""
        from scipy.special import chdtri

        arguments.share("confidence", confidence)
        if math.isnan(self.ratio):
            return Interval(0.0, math.inf)
        cut = self.log_likelihood - float(chdtri(1, 1 - confidence)) / 2
        # without failures on one side, from so far out that nothing more is gained
        at = min(max(log(self.ratio), -_FAR), _FAR)
        low, high = (
            way * math.inf if way * at >= _FAR else fallen(self._profile, at, way * self.error, cut)
            for way in (-1, 1)
        )
        return Interval(exp(low), exp(high))

    def _profile(self, log_ratio: float) -> float:
        shift = np.where(self.rows.group == 1, log_ratio, 0.0)
        moved = self.rows._replace(
            lower=self.rows.lower + shift,
            upper=self.rows.upper + shift,
            group=np.zeros_like(self.rows.group),
        )
        return highest(moved, self.family).log_likelihood


def scale_ratio_test(
    first: Censored,
    second: Censored,
    *,
    distribution: Literal["weibull", "lognormal"] = "weibull",
) -> ScaleRatio:
    """Likelihood-ratio test of one scale for two batches under a common shape [2].

    Batches come from `interval_censored` or `right_censored`. Where nothing has failed, and where
    known values show no spread within either batch, nothing can be told: p is 1, the ratio NaN.

    >>> from qc.statistics.survival.censoring import right_censored
    >>> weak = right_censored(times=[1, 2, 2, 3], failed=[1, 1, 1, 1])
    >>> strong = right_censored(times=[4, 5, 5, 5], failed=[1, 1, 0, 0])
    >>> scale_ratio_test(weak, strong).p < 0.01
    True
    """
    from scipy.special import chdtrc

    families: dict[str, Family] = {
        "weibull": "smallest-extreme-value",
        "lognormal": "normal",
    }
    if distribution not in families:
        raise ValueError(f"distribution must be 'weibull' or 'lognormal': {distribution!r}")
    family = families[distribution]
    if (first.upper == 0).any() or (second.upper == 0).any():
        raise ValueError("a failure needs a value above 0: got 0")
    group = np.repeat([0, 1], [first.lower.size, second.lower.size])
    rows = sample(
        logs(np.append(first.lower, second.lower)),
        logs(np.append(first.upper, second.upper)),
        np.append(first.counts, second.counts),
        group,
    )
    fails, fail_too = first.failures > 0, second.failures > 0
    lone = all(batch.lower.max() <= batch.upper.min() for batch in (first, second))
    if not (fails or fail_too) or (lone and rows.exact.any()):
        return ScaleRatio(rows, family, math.nan, 0.0, 1.0, 1.0, 0.0)
    one = highest(rows._replace(group=np.zeros_like(group)), family).log_likelihood
    two = highest(rows, family)
    statistic = max(2 * (two.log_likelihood - one), 0.0)
    p = float(chdtrc(1, statistic))
    b = float(two.at[-1])
    if not fails or not fail_too:
        ratio = 0.0 if fails else math.inf
        return ScaleRatio(rows, family, ratio, statistic, p, 1 / b, two.log_likelihood)
    log_ratio = float(two.at[0] - two.at[1]) / b
    way = np.array([1.0, -1.0, -log_ratio]) / b
    # a spread that is open has no curvature to speak of
    spread = float(way @ np.linalg.pinv(-two.hessian) @ way)
    error = math.sqrt(spread) if spread > 0 else 1 / b
    return ScaleRatio(rows, family, math.exp(log_ratio), statistic, p, error, two.log_likelihood)
