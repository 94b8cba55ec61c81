"""A curve fitted to impact tests, and the multiple that a share of parts survives, at least.

Few tests cannot tell a Weibull from a lognormal distribution. Both are fitted; the likelier one is
drawn, and every bound is the lower one of the two, so that the choice cannot flatter.

A fit is refused where the data cannot carry it:

* `no-damage`, `few-failures`: fewer than 2 tests failed between two known multiples above 0;
* `open-spread`: the spread between parts cannot be told from the intervals;
* `not-of-one-kind`: at some multiple the likelier curve leaves the exact 95 % limits of the share,
  so that these parts are no sample of one such distribution (often a weak batch among sound
  ones). Parts of one kind are refused in some 3 of 100 cases at most; a weak eighth among 50 goes
  by unseen in most.

Without a fit the bound for any distribution is left, which needs many tests (22 that all bear it
for 90 % with 90 % confidence, 29 with 95 %), and beside it the one-shape bound with a Weibull
shape of 1: it holds where a further impact is never less of a risk than the one before, as with
damage that builds up. For no failure among n tests to a multiple m that is (1 - C)^(1/n) at m,
carried down by S(t) ≥ S(m)^(t/m) for t < m, which holds for every such distribution [2]. It does
not hold for a batch with a few weak parts among sound ones.

References:

1. Lawless (2003), "Statistical Models and Methods for Lifetime Data", 2nd ed., appendix E, for the
   bounds of a fit; see `qc.statistics.survival.conditional`.
2. Barlow & Proschan (1966), Annals of Mathematical Statistics 37:1574-1592 and 1593-1601, for
   bounds that need an increasing hazard only (pages from memory).
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from qc.statistics.bounds.demonstration import reliability_lower_bound
from qc.statistics.bounds.proportions import clopper_pearson_interval
from qc.statistics.survival.censoring import Censored
from qc.statistics.survival.conditional import proper
from qc.statistics.survival.life_fit import (
    LifeFit,
    LognormalFit,
    WeibullFit,
    fit_lognormal,
    fit_weibull,
)
from qc.statistics.survival.weibayes import weibayes

Refusal = Literal["no-damage", "few-failures", "open-spread", "not-of-one-kind"]
_LEAST_FAILURES = 2


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """Both families fitted to the same tests; bounds are the lower ones of the two."""

    weibull: WeibullFit
    lognormal: LognormalFit

    @property
    def family(self) -> Literal["weibull", "lognormal"]:
        """The likelier one."""
        better = self.weibull.log_likelihood >= self.lognormal.log_likelihood
        return "weibull" if better else "lognormal"

    @property
    def likelier(self) -> LifeFit:
        return self.weibull if self.family == "weibull" else self.lognormal

    def bears(self, share: float, *, confidence: float) -> float:
        """The multiple that `share` of the parts survives, at least."""
        fits: tuple[LifeFit, ...] = (self.weibull, self.lognormal)
        return min(fit.percentile_lower_bound(1 - share, confidence=confidence) for fit in fits)

    def survival_lower_bound(self, multiple: float, *, confidence: float) -> float:
        """The share that survives a multiple, at least."""
        fits: tuple[LifeFit, ...] = (self.weibull, self.lognormal)
        return min(fit.survival_lower_bound(multiple, confidence=confidence) for fit in fits)


def fitted(data: Censored) -> Fitted | Refusal:
    """Both families fitted to the tests, or why they cannot be."""
    if data.failures == 0:
        return "no-damage"
    bracketed = (data.lower > 0) & np.isfinite(data.upper)
    if data.counts[bracketed].sum() < _LEAST_FAILURES:
        return "few-failures"
    both = Fitted(fit_weibull(data), fit_lognormal(data))
    if not (proper(both.weibull.core) and proper(both.lognormal.core)):
        return "open-spread"
    ends = np.unique(np.append(data.lower, data.upper))
    ends = ends[(ends > 0) & np.isfinite(ends)]
    return both if all(_within(both.likelier, float(end)) for end in ends) else "not-of-one-kind"


def _within(fit: LifeFit, multiple: float) -> bool:
    """Whether the curve lies within the exact limits there, what is unknown counted either way."""
    known, parts = fit.data.status(multiple), round(fit.data.total)
    least, most = (
        clopper_pearson_interval(events=round(events), trials=parts)
        for events in (known.survived, known.survived + known.unknown)
    )
    return least.lower <= fit.survival(multiple) <= most.upper


def any_distribution_bears(data: Censored, share: float, *, confidence: float) -> float | None:
    """The largest multiple that `share` survives for sure whatever the distribution, or None."""
    parts = round(data.total)

    def bound(multiple: float) -> float:
        lost = parts - round(data.status(multiple).survived)
        return reliability_lower_bound(tests=parts, failures=lost, confidence=confidence)

    return max((m for m in data.lower.tolist() if m > 0 and bound(m) >= share), default=None)


def never_easier_bears(data: Censored, share: float, *, confidence: float) -> float | None:
    """The one-shape bound with shape 1, no further than any part was tested; None where it is 0."""
    bound = weibayes(data, shape=1.0).percentile_lower_bound(1 - share, confidence=confidence)
    return min(bound, float(data.lower.max())) or None
