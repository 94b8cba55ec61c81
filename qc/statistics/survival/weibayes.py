"""Weibull with a known shape (Weibayes): bounds even where nothing has failed.

With a known shape, (t/scale)^shape is exponential, so that the sum T = Σ t^shape over all parts
carries everything, and 2 T/scale^shape is chi-square. A value known only to lie in an interval
counts with its lower end (what the part has survived), which keeps every lower bound safe.

References:

1. Meeker & Escobar (1998), "Statistical Methods for Reliability Data", section 8.5.3 (given shape).
2. Nelson (1985), Journal of Quality Technology 17:140-146 (few or no failures, given shape).
3. Lawless (2003), section 4.1.1, for 2r + 2 degrees of freedom when a test ends at a time.
"""

import math
from dataclasses import dataclass

from qc.statistics import arguments
from qc.statistics.survival.censoring import Censored


@dataclass(frozen=True, slots=True, eq=False)
class Weibayes:
    """Bounds for a Weibull distribution whose shape is known; see `weibayes`."""

    data: Censored
    shape: float
    ended_at_failure: bool

    @property
    def exposure(self) -> float:
        """T = Σ counts · t^shape, in the unit of t to the power of the shape."""
        return float(self.data.counts @ self.data.lower**self.shape)

    @property
    def scale(self) -> float:
        """The maximum likelihood scale (T/r)^(1/shape); inf without failures."""
        failures = self.data.failures
        return math.pow(self.exposure / failures, 1 / self.shape) if failures else math.inf

    def scale_lower_bound(self, *, confidence: float = 0.95) -> float:
        """(2 T/χ²)^(1/shape), χ² the quantile with 2 r + 2 degrees of freedom.

        Tests ended at a failure have 2 r. Without failures (T/-ln(1 - confidence))^(1/shape);
        the custom of counting a first failure as about to happen is confidence 0.632.
        """
        from scipy.special import chdtri

        arguments.share("confidence", confidence)
        failures = self.data.failures
        dof = 2 * failures + (0 if self.ended_at_failure and failures else 2)
        return math.pow(2 * self.exposure / float(chdtri(dof, 1 - confidence)), 1 / self.shape)

    def percentile_lower_bound(self, failing: float, *, confidence: float = 0.95) -> float:
        """The value that the share 1 - `failing` survives, at least."""
        hazard = -math.log1p(-arguments.share("failing", failing))
        return self.scale_lower_bound(confidence=confidence) * math.pow(hazard, 1 / self.shape)

    def survival_lower_bound(self, at: float, *, confidence: float = 0.95) -> float:
        """The share that survives the value `at`, at least; 0 where nothing was survived."""
        if at <= 0:
            return 1.0
        scale = self.scale_lower_bound(confidence=confidence)
        return math.exp(-((at / scale) ** self.shape)) if scale else 0.0


def weibayes(data: Censored, *, shape: float, ended_at_failure: bool = False) -> Weibayes:
    """A Weibull distribution with a known shape, from any number of failures.

    `data`: from `right_censored` or `interval_censored`. `shape`: from earlier batches or the
    like, above 0; the bounds are exact if it is right. `ended_at_failure`: true where the test
    stopped with its last failure (then one failure less is counted); otherwise it ended at set
    values, and the bound with 2r + 2 degrees of freedom is safe.

    >>> from qc.statistics.survival.censoring import right_censored
    >>> nothing_failed = right_censored(times=[600.0] * 5 + [900.0] * 3, failed=[0] * 8)
    >>> round(weibayes(nothing_failed, shape=2.0).scale_lower_bound(confidence=0.9), 1)
    1355.4
    """
    arguments.positive("shape", shape)
    return Weibayes(data, float(shape), ended_at_failure)
