"""The share that survives, from interval-censored values: the nonparametric maximum likelihood.

The data fix how much probability lies in each of Turnbull's innermost intervals (from a lower end
to the next upper end with no other end between), not where inside. The masses maximise
Σ count · log Σ mass over the intervals inside a part's own. The problem is concave, and how far an
answer can be from the best is known (the duality gap), so that convergence is checked, not hoped
for. It is solved by the constrained Newton method with a non-negative least-squares step [3]; the
answer is the fixed point of Turnbull's self-consistency.

Limits are by likelihood ratio with one degree of freedom: the S(t) whose best masses lose at
most half a chi-square quantile of log-likelihood (for right-censored data Thomas & Grunkemeier's
[4]). They hold at one value each and are approximate for few parts; where all or none of the
parts survive they are the exact binomial ones.

References:

1. Peto (1973), Applied Statistics 22:86-91; Turnbull (1976), J. R. Stat. Soc. B 38:290-295.
2. Gentleman & Geyer (1994), Biometrika 81:618-623, for the conditions of the maximum.
3. Wang (2007), J. R. Stat. Soc. B 69:185-198, "On fast computation of the non-parametric maximum
   likelihood estimate of a mixing distribution".
4. Thomas & Grunkemeier (1975), J. Am. Stat. Assoc. 70:865-871.
"""

from dataclasses import dataclass

import numpy as np

from qc.statistics import arguments
from qc.statistics.bounds.proportions import clopper_pearson_interval
from qc.statistics.limits import Interval
from qc.statistics.survival.censoring import Censored, Floats
from qc.statistics.survival.location_scale import fallen
from qc.statistics.survival.npmle import most_likely, support

# a mass or share below it is none
_TINY = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Turnbull:
    """`masses[j]` of the probability lies in (left[j], right[j]]; a point where both are equal.

    Only intervals with some mass are listed, in order; the last `right` is inf where parts are
    left. `survival[j]` is the share left after the j-th. `gap` bounds what is missing of the
    highest log-likelihood.
    """

    data: Censored
    left: Floats
    right: Floats
    masses: Floats
    log_likelihood: float
    gap: float

    @property
    def survival(self) -> Floats:
        """The share that survives, just after each interval."""
        later = np.cumsum(self.masses[::-1])[::-1]
        return np.append(later[1:], 0.0)

    def survival_at(self, value: float, *, cautious: bool = True) -> float:
        """The share that survives `value`.

        Within an innermost interval the data leave it open: with `cautious` its mass counts as
        failed as soon as `value` is inside, without only at its right end.
        """
        exact = self.left == self.right
        ends = self.left if cautious else self.right
        gone = (ends < value) | ((exact | (not cautious)) & (self.right <= value))
        return float(self.masses[~gone].sum())

    def survival_interval(self, value: float, *, confidence: float = 0.95) -> Interval:
        """Pointwise likelihood-ratio limits of the share that survives `value`, as above.

        Inside an innermost interval the lower limit is that of its right end, the upper one that
        of its left end.
        """
        arguments.share("confidence", confidence)
        inside = (self.left < value) & (value < self.right)
        if not inside.any():
            return self._limits(value, confidence)
        j = int(np.argmax(inside))
        upper = self._limits(float(self.left[j]), confidence).upper
        right = float(self.right[j])
        return Interval(self._limits(right, confidence).lower if right < np.inf else 0.0, upper)

    def band(self, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
        """Lower and upper pointwise limits after each interval that ends."""
        ends = self.right[np.isfinite(self.right)]
        limits = [self._limits(float(end), confidence) for end in ends]
        return np.array([x.lower for x in limits]), np.array([x.upper for x in limits])

    def _limits(self, value: float, confidence: float) -> Interval:
        from scipy.special import chdtri, expit, logit

        estimate = self.survival_at(value, cautious=False)
        known = self.data.status(value)
        if estimate > 1 - _TINY:
            survived = round(known.survived)
            return clopper_pearson_interval(events=survived, trials=survived, confidence=confidence)
        if estimate < _TINY:
            # a part of which nothing is known may still be whole
            whole, parts = round(known.unknown), round(self.data.total)
            most = clopper_pearson_interval(events=whole, trials=parts, confidence=confidence)
            return Interval(0.0, most.upper)
        intervals = support(self.data)
        best = most_likely(intervals).masses
        cut = self.log_likelihood - float(chdtri(1, 1 - confidence)) / 2

        def profile(at: float) -> float:
            share = min(max(float(expit(at)), _TINY), 1 - _TINY)
            return most_likely(
                intervals, later=intervals.right > value, share=share, near=best
            ).log_likelihood

        step = 2 / np.sqrt(self.data.total * estimate * (1 - estimate))
        low, high = (fallen(profile, float(logit(estimate)), way * step, cut) for way in (-1, 1))
        return Interval(float(expit(low)), float(expit(high)))


def turnbull(data: Censored) -> Turnbull:
    """The nonparametric maximum likelihood estimate for exact and censored values of any kind [1].

    `data`: from `interval_censored` or `right_censored`. With exact and right-censored values
    only it is the Kaplan-Meier estimate.

    >>> from qc.statistics.survival.censoring import interval_censored
    >>> curve = turnbull(interval_censored(lower=[0, 1, 1, 2], upper=[1, 2, None, None]))
    >>> round(curve.survival_at(1.0), 6), round(curve.survival_at(2.0), 6)
    (0.75, 0.375)
    """
    intervals = support(data)
    masses, log_likelihood, gap = most_likely(intervals)
    some = masses > _TINY  # what only rounding keeps above nought is none
    kept = masses[some] / masses[some].sum()
    return Turnbull(data, intervals.left[some], intervals.right[some], kept, log_likelihood, gap)
