"""The share that survives, from exact and right-censored values: the product limit.

S(t) is the product of 1 - d/n over the failure times up to t, with d failures among n parts at
risk; a part censored at a failure time was still at risk there. Limits hold at one time each
(pointwise), not for the whole curve at once.

References:

1. Kaplan & Meier (1958), J. Am. Stat. Assoc. 53:457-481.
2. Greenwood (1926): Var S = S² Σ d/(n(n-d)); Klein & Moeschberger (2003), "Survival Analysis",
   2nd ed., equations 4.2.1, 4.2.2, and 4.3.1 (plain), 4.3.2 (log-log) for the limits.
3. Brookmeyer & Crowley (1982), Biometrics 38:29-41, for limits of a percentile.
4. NIST/SEMATECH e-Handbook 8.2.1.5.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.bounds.proportions import clopper_pearson_interval
from qc.statistics.limits import Interval, tails
from qc.statistics.survival.censoring import Censored, Floats, right_censored

Transform = Literal["log-log", "log", "plain"]


@dataclass(frozen=True, slots=True, eq=False)
class KaplanMeier:
    """The curve at its failure times; all arrays have shape (number of distinct failure times,).

    `survival` holds just after each of `times`, `standard_error` is Greenwood's.
    """

    data: Censored
    times: Floats
    at_risk: Floats
    failures: Floats
    survival: Floats
    standard_error: Floats

    def survival_at(self, time: float) -> float:
        """The share that survives `time`; NaN beyond the last value where that is censored."""
        if time > self.data.lower.max() and not self._ends_at_nought:
            return math.nan
        before = int(np.searchsorted(self.times, time, side="right"))
        return float(self.survival[before - 1]) if before else 1.0

    def survival_interval(
        self, time: float, *, confidence: float = 0.95, transform: Transform = "log-log"
    ) -> Interval:
        """Pointwise limits of the share that survives `time`.

        `transform`: the scale on which S is taken as normal: "log-log" (log(-log S), the
        default, best for few parts), "log", or "plain". Where nobody has failed yet, the exact
        binomial limits of the parts known to have survived; where nobody is left, 0 and the last
        upper limit above. Beyond the last value 0 and the last upper limit.
        """
        # exact limits at both ends, where a standard error of 0 would claim certainty
        before = int(np.searchsorted(self.times, time, side="right"))
        band = self.band(confidence=confidence, transform=transform)
        if time > self.data.lower.max() and not self._ends_at_nought:
            return Interval(0.0, float(band[1][-1]) if before else 1.0)
        if before:
            return Interval(float(band[0][before - 1]), float(band[1][before - 1]))
        whole = round(self.data.status(time).survived)
        return clopper_pearson_interval(events=whole, trials=whole, confidence=confidence)

    def band(
        self, *, confidence: float = 0.95, transform: Transform = "log-log"
    ) -> tuple[Floats, Floats]:
        """Lower and upper pointwise limits just after each of `times`, see above."""
        from scipy.special import ndtri

        z = -float(ndtri(tails(confidence, "two-sided")[0]))
        left = self.survival > 0
        s, error = self.survival[left], z * self.standard_error[left]
        if transform == "log-log":
            lower, upper = (s ** np.exp(sign * error / (s * -np.log(s))) for sign in (1, -1))
        elif transform == "log":
            lower, upper = s * np.exp(-error / s), s * np.exp(error / s)
        elif transform == "plain":
            lower, upper = s - error, s + error
        else:
            raise ValueError(f"transform must be 'log-log', 'log' or 'plain': {transform!r}")
        lower, upper = np.clip(lower, 0, 1), np.clip(upper, 0, 1)
        if not left.all():
            none = clopper_pearson_interval(
                events=0, trials=round(self.at_risk[-1]), confidence=confidence
            )
            last = upper[-1] if upper.size else none.upper
            lower, upper = np.append(lower, 0.0), np.append(upper, last)
        return lower, upper

    def percentile(self, failing: float) -> float:
        """The earliest time by which the share `failing` has failed; inf where it never has.

        0.5 is the median survival: the first time with S(t) ≤ 1 - failing [2].
        """
        return _first_at_most(self.times, self.survival, 1 - failing)

    def percentile_interval(
        self, failing: float, *, confidence: float = 0.95, transform: Transform = "log-log"
    ) -> Interval:
        """Limits of a percentile: the times at which the band crosses 1 - failing [3]."""
        lower, upper = self.band(confidence=confidence, transform=transform)
        low = _first_at_most(self.times, lower, 1 - failing)
        return Interval(low, _first_at_most(self.times, upper, 1 - failing))

    @property
    def _ends_at_nought(self) -> bool:
        return self.survival.size > 0 and self.survival[-1] == 0


def kaplan_meier(
    *, times: ArrayLike, failed: ArrayLike, counts: ArrayLike | None = None
) -> KaplanMeier:
    """The product-limit estimate with Greenwood's standard error [1, 2].

    `times`, shape (n,): where each part failed or was last seen whole, in any unit, from 0.
    `failed`, shape (n,): true for a failure, false for a censored time. `counts`, shape (n,):
    parts per row, 1 each unless given. Without failures the curve has no steps and stays at 1.

    >>> curve = kaplan_meier(times=[10, 32, 50, 56], failed=[1, 1, 0, 0])
    >>> curve.survival.tolist()
    [0.75, 0.5]
    """
    data = right_censored(times=times, failed=failed, counts=counts)
    steps = np.unique(data.lower[data.exact])
    at_risk = np.array([data.counts[data.lower >= t].sum() for t in steps])
    failures = np.array([data.counts[data.exact & (data.lower == t)].sum() for t in steps])
    survival = np.cumprod((at_risk - failures) / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.cumsum(failures / (at_risk * (at_risk - failures)))
        error = np.where(survival > 0, survival * np.sqrt(spread), 0.0)
    return KaplanMeier(data, steps, at_risk, failures, survival, error)


def _first_at_most(times: Floats, curve: Floats, level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"failing must lie between 0 and 1: {1 - level}")
    # 1 - 0.9 is a hair off 0.1
    below = np.flatnonzero(curve <= level + 1e-12)
    return float(times[below[0]]) if below.size else math.inf
