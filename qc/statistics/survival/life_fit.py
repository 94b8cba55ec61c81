"""Weibull and lognormal fits to exact, left-, right- and interval-censored values.

Both are location-scale families of log t: Weibull with shape 1/sigma and scale exp(location),
lognormal with log mean location and log standard deviation sigma. Estimates are maximum
likelihood, limits by likelihood ratio. What little data give is decided as follows:

* Failures that all lie above (or at) every survivor, a single value and no failure at all leave the
  spread open: `estimable` is false, location and sigma are NaN.
* There, and below LEAST_FAILURES failures, where a likelihood ratio promises too much, limits of
  survival and percentiles are the exact binomial ones, for any distribution (`basis` says which):
  a part not known to have survived a value counts as failed in lower limits, and the other way
  round. No failure among n thus gives (1 - confidence)^(1/n). Limits of parameters are open.

References:

1. Meeker & Escobar (1998), "Statistical Methods for Reliability Data", chapters 7 and 8.
2. Lawless (2003), "Statistical Models and Methods for Lifetime Data", 2nd ed., chapter 5.
3. NIST/SEMATECH e-Handbook 8.4.1.3.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from qc.statistics import arguments
from qc.statistics.bounds.proportions import clopper_pearson_interval
from qc.statistics.limits import Interval, Side, turned
from qc.statistics.survival.censoring import Censored, Floats
from qc.statistics.survival.conditional import conditional, proper
from qc.statistics.survival.likelihood import Family, sample
from qc.statistics.survival.location_scale import Fit, fit, standard_survival

LEAST_FAILURES = 2

Basis = Literal["likelihood-ratio", "binomial"]


@dataclass(frozen=True, slots=True, eq=False)
class LifeFit:
    """A distribution fitted to `data`; see the module for what few failures give.

    Values t are in the data's unit (multiples, hours, cycles), shares between 0 and 1.
    """

    data: Censored
    core: Fit

    @property
    def estimable(self) -> bool:
        """Whether the data fix location and sigma."""
        return self.core.estimable

    @property
    def basis(self) -> Basis:
        """What limits of survival and percentiles rest on."""
        enough = self.estimable and self.data.failures >= LEAST_FAILURES
        return "likelihood-ratio" if enough else "binomial"

    @property
    def location(self) -> float:
        """Of log t: log of the Weibull scale, or the lognormal's log mean."""
        return self.core.location

    @property
    def sigma(self) -> float:
        """Of log t: one over the Weibull shape, or the lognormal's log standard deviation."""
        return self.core.sigma

    @property
    def log_likelihood(self) -> float:
        """Natural logarithm, with the densities of exact values by t (not log t) [3].

        Where the spread is open it is the value approached, inf where an exact value is among
        the data.
        """
        exact = self.data.exact
        if self.core.rows.separated and exact.any():
            return math.inf
        jacobian = float(self.data.counts[exact] @ np.log(self.data.lower[exact]))
        return self.core.peak.log_likelihood - jacobian

    @property
    def aic(self) -> float:
        """Akaike's criterion with two parameters: 4 - 2 log-likelihood."""
        return 4 - 2 * self.log_likelihood

    def covariance(self) -> Floats:
        """Of (location, log sigma), shape (2, 2), from the observed information."""
        return self.core.covariance()

    def percentile(self, failing: float) -> float:
        """The value by which the share `failing` has failed; 0.1 is the B10, 0.5 the median."""
        return math.exp(self.core.quantile(arguments.share("failing", failing)))

    def percentile_log_error(self, failing: float) -> float:
        """The standard error of the percentile's logarithm (delta method)."""
        z = self.core.quantile(arguments.share("failing", failing)) - self.location
        return self.core.error_of_quantile(z / self.sigma)

    def percentile_interval(
        self, failing: float, *, confidence: float = 0.95, side: Side = "two-sided"
    ) -> Interval:
        """Limits of a percentile; 0 and inf where the data set none."""
        arguments.share("failing", failing)
        if self.basis == "binomial":
            return _binomial_percentile(self.data, failing, confidence, side)
        low, high = self.core.quantile_limits(failing, confidence, side)
        return Interval(exp(low), exp(high))

    def percentile_lower_bound(self, failing: float, *, confidence: float = 0.95) -> float:
        """The value that the share 1 - `failing` survives, at least, with a confidence.

        `failing=0.1, confidence=0.9`: the multiple that 90 % survive with 90 % confidence. The
        conditional bound, exact for complete samples; the likelihood-ratio one, which promises
        more than it keeps in small samples, is `percentile_interval(…, side="lower")`.
        """
        arguments.share("failing", failing)
        if not proper(self.core):
            return _binomial_percentile(self.data, failing, confidence, "lower").lower
        return exp(conditional(self.core).quantile_limits(failing, confidence, "lower")[0])

    def survival(self, at: float) -> float:
        """The share that survives the value `at`."""
        if not self.estimable:
            return math.nan
        z = (log(at) - self.location) / self.sigma
        return standard_survival(self.core.family, z)

    def survival_interval(
        self, at: float, *, confidence: float = 0.95, side: Side = "two-sided"
    ) -> Interval:
        """Limits of the share that survives the value `at`."""
        if at <= 0:
            return Interval(1.0, 1.0)
        if self.basis == "binomial":
            return _binomial_survival(self.data, at, confidence, side)
        return Interval(*self.core.survival_limits(math.log(at), confidence, side))

    def survival_lower_bound(self, at: float, *, confidence: float = 0.95) -> float:
        """The share that survives the value `at`, at least, with a confidence.

        The conditional bound, see `percentile_lower_bound`.
        """
        if at <= 0:
            return 1.0
        if not proper(self.core):
            return _binomial_survival(self.data, at, confidence, "lower").lower
        return conditional(self.core).survival_limits(math.log(at), confidence, "lower")[0]

    def location_interval(self, *, confidence: float = 0.95, side: Side = "two-sided") -> Interval:
        """Limits of the location of log t."""
        if self.basis == "binomial":
            return Interval(-math.inf, math.inf)
        share = standard_survival(self.core.family, 0.0)
        return Interval(*self.core.quantile_limits(1 - share, confidence, side))

    def sigma_interval(self, *, confidence: float = 0.95, side: Side = "two-sided") -> Interval:
        """Limits of the spread of log t."""
        if self.basis == "binomial":
            return Interval(0.0, math.inf)
        return Interval(*self.core.sigma_limits(confidence, side))


class WeibullFit(LifeFit):
    """Share surviving t: exp(-(t/scale)^shape)."""

    __slots__ = ()

    @property
    def shape(self) -> float:
        return 1 / self.sigma

    @property
    def scale(self) -> float:
        """The value by which 63.2 % have failed."""
        return math.exp(self.location)

    @property
    def mean(self) -> float:
        return self.scale * math.gamma(1 + self.sigma)

    @property
    def sd(self) -> float:
        first, second = math.gamma(1 + self.sigma), math.gamma(1 + 2 * self.sigma)
        return self.scale * math.sqrt(second - first**2)

    def shape_interval(self, *, confidence: float = 0.95, side: Side = "two-sided") -> Interval:
        """Likelihood-ratio limits of the shape."""
        low, high = self.sigma_interval(confidence=confidence, side=turned(side))
        return Interval(1 / high, 1 / low if low else math.inf)

    def scale_interval(self, *, confidence: float = 0.95, side: Side = "two-sided") -> Interval:
        """Likelihood-ratio limits of the scale."""
        low, high = self.location_interval(confidence=confidence, side=side)
        return Interval(exp(low), exp(high))


class LognormalFit(LifeFit):
    """log t is normal with mean `location` and standard deviation `sigma`."""

    __slots__ = ()

    @property
    def median(self) -> float:
        return math.exp(self.location)

    @property
    def mean(self) -> float:
        return math.exp(self.location + self.sigma**2 / 2)

    @property
    def sd(self) -> float:
        return self.mean * math.sqrt(math.expm1(self.sigma**2))


def fit_weibull(data: Censored) -> WeibullFit:
    """The Weibull distribution most likely to give the data [1, 2].

    `data`: from `interval_censored` or `right_censored`, at least one part; an exactly known
    value of 0 is refused (ValueError), since its logarithm is not finite.

    >>> from qc.statistics.survival.censoring import right_censored
    >>> times = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10]
    >>> found = fit_weibull(right_censored(times=times, failed=[1] * 10 + [0] * 10))  # [3]
    >>> round(found.shape, 4), round(found.scale, 2)
    (1.7208, 606.53)
    """
    return WeibullFit(data, _core(data, "smallest-extreme-value"))


def fit_lognormal(data: Censored) -> LognormalFit:
    """The lognormal distribution most likely to give the data; see `fit_weibull`."""
    return LognormalFit(data, _core(data, "normal"))


def _core(data: Censored, family: Family) -> Fit:
    if (data.upper == 0).any():
        raise ValueError("a failure needs a value above 0: got 0")
    return fit(sample(logs(data.lower), logs(data.upper), data.counts), family)


def _binomial_survival(data: Censored, at: float, confidence: float, side: Side) -> Interval:
    """Exact limits for any distribution, what is not known counted at its worst."""
    known, parts = data.status(at), round(data.total)

    def limits(events: float) -> Interval:
        return clopper_pearson_interval(
            events=round(events), trials=parts, confidence=confidence, side=side
        )

    return Interval(limits(known.survived).lower, limits(known.survived + known.unknown).upper)


def _binomial_percentile(data: Censored, failing: float, confidence: float, side: Side) -> Interval:
    def limits(at: float) -> Interval:
        return _binomial_survival(data, at, confidence, side)

    survive = 1 - failing
    borne = [t for t in np.unique(data.lower) if limits(t).lower >= survive]
    broken = [t for t in np.unique(data.upper) if limits(t).upper <= survive]
    return Interval(float(max(borne, default=0.0)), float(min(broken, default=math.inf)))


def logs(values: Floats) -> Floats:
    """Natural logarithms, -inf of 0."""
    with np.errstate(divide="ignore"):
        return np.log(values)


def log(value: float) -> float:
    """Natural logarithm, -inf of 0."""
    return math.log(value) if value > 0 else -math.inf


def exp(value: float) -> float:
    """e to the value, inf where that is beyond a double."""
    return math.exp(value) if value < 709 else math.inf
