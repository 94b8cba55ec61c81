"""What a sampling plan lets through: operating characteristic, outgoing quality, both risks.

A plan inspects `n` units and accepts with up to `ac` nonconforming ones. The binomial curve speaks
of the process the lots come from (type B), the hypergeometric one of a single lot as it stands
(type A), which is the right one for the small lots of this trade; Poisson is for nonconformities
per unit, and the approximation of old tables.

References:

1. Duncan (1986), "Quality Control and Industrial Statistics", chapters 7 and 16; NIST/SEMATECH
   e-Handbook 6.2.3.2 (operating characteristic, AOQ, ATI).
2. Dodge & Romig (1959), "Sampling Inspection Tables" (AOQ with found units replaced; AOQL).
3. ISO 2859-1:1999, definitions of producer's and consumer's risk.
"""

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, share

Model = Literal["binomial", "poisson"]


class OutgoingLimit(NamedTuple):
    """The worst average outgoing quality and the incoming fraction at which it occurs."""

    aoql: float
    at_fraction: float


@dataclass(frozen=True, slots=True)
class SingleSampling:
    """Inspect `n` units of a lot of `lot_size` (None: a long run), accept up to `ac`.

    Fractions are shares of units, 0 to 1, any shape; with Poisson nonconformities per unit.
    """

    n: int
    ac: int
    lot_size: int | None = None

    def __post_init__(self) -> None:
        if self.n != int(self.n) or self.n < 1:
            raise ValueError(f"n must be a whole number from 1: {self.n}")
        if self.ac != int(self.ac) or self.ac < 0:
            raise ValueError(f"ac must be a whole number from 0: {self.ac}")
        if self.lot_size is not None and (
            self.lot_size != int(self.lot_size) or self.lot_size < self.n
        ):
            raise ValueError(
                f"lot_size must be a whole number of at least n: {self.lot_size}, n {self.n}"
            )

    def acceptance(self, fraction: ArrayLike, *, model: Model = "binomial") -> Floats:
        """Probability of acceptance of lots from a process with this fraction (type B) [1].

        >>> round(float(SingleSampling(n=52, ac=3).acceptance(0.03)), 3)
        0.93
        """
        from scipy.special import bdtr, pdtr

        p = _fractions(fraction, model)
        if model == "poisson":
            return np.asarray(pdtr(self.ac, self.n * p), dtype=float)
        if self.ac >= self.n:
            return np.ones_like(p)
        return np.asarray(bdtr(self.ac, self.n, p), dtype=float)

    def acceptance_of_lot(self, nonconforming: ArrayLike) -> Floats:
        """Probability of acceptance of a lot that holds so many nonconforming units (type A).

        Hypergeometric; whole numbers from 0 to `lot_size`, which the plan must have.

        >>> float(SingleSampling(n=5, ac=0, lot_size=20).acceptance_of_lot(4).round(4))
        0.2817
        """
        from scipy.stats import hypergeom

        size, found = self._lot(), np.asarray(nonconforming)
        if ((found % 1 != 0) | (found < 0) | (found > size)).any():
            raise ValueError(
                f"nonconforming must be whole numbers from 0 to lot_size: {found}, {size}"
            )
        return np.asarray(hypergeom.cdf(self.ac, size, found.astype(int), self.n), dtype=float)

    def fraction_at(self, acceptance: ArrayLike, *, model: Model = "binomial") -> Floats:
        """The fraction that is accepted with this probability: the curve read the other way.

        0.95 gives the producer's point, 0.5 the indifference quality, 0.10 the consumer's one
        (LTPD). Exact, by beta or χ² quantiles.
        """
        from scipy.special import betaincinv, chdtri

        p = np.asarray(acceptance, dtype=float)
        if ((p <= 0) | (p >= 1)).any():
            raise ValueError(f"acceptance must lie between 0 and 1: {p}")
        if model == "poisson":
            return np.asarray(chdtri(2 * self.ac + 2, p) / (2 * self.n), dtype=float)
        if self.ac >= self.n:
            return np.full_like(p, math.nan)
        return np.asarray(betaincinv(self.ac + 1, self.n - self.ac, 1 - p), dtype=float)

    def producer_risk(self, fraction: ArrayLike, *, model: Model = "binomial") -> Floats:
        """The chance that a lot of this good quality is rejected [3]."""
        return 1 - self.acceptance(fraction, model=model)

    def consumer_risk(self, fraction: ArrayLike, *, model: Model = "binomial") -> Floats:
        """The chance that a lot of this poor quality is accepted [3]."""
        return self.acceptance(fraction, model=model)

    def aoq(self, fraction: ArrayLike, *, model: Model = "binomial") -> Floats:
        """Average outgoing quality when rejected lots are sorted and bad units replaced [2].

        Pa · p · (N - n)/N, without the last factor for a long run.
        """
        left = 1.0 if self.lot_size is None else (self.lot_size - self.n) / self.lot_size
        p = _fractions(fraction, model)
        return np.asarray(self.acceptance(p, model=model) * p * left, dtype=float)

    def aoql(self, *, model: Model = "binomial") -> OutgoingLimit:
        """The largest average outgoing quality over all incoming fractions, and where it is.

        Where d(p·Pa)/dp = Pa - p·n·P(X = ac in n - 1) is nought. A plan that accepts everything
        has it at 1.
        """
        from scipy.optimize import brentq

        if self.ac >= self.n and model == "binomial":
            return OutgoingLimit(float(self.aoq(1.0)), 1.0)

        def slope(p: float) -> float:
            return float(self.acceptance(p, model=model)) - p * self.n * self._last(p, model)

        # the slope falls through nought once, and long before almost nothing is accepted
        top = float(self.fraction_at(1e-6, model=model))
        at = float(brentq(slope, 1e-12, top, xtol=1e-15))
        return OutgoingLimit(float(self.aoq(at, model=model)), at)

    def ati(self, fraction: ArrayLike, *, model: Model = "binomial") -> Floats:
        """Average number of units inspected a lot, rejected lots being sorted in full [1].

        n + (1 - Pa)(N - n); the plan must have a lot size.
        """
        rejected = self.producer_risk(fraction, model=model)
        return np.asarray(self.n + rejected * (self._lot() - self.n), dtype=float)

    def _last(self, p: float, model: Model) -> float:
        """The probability that one more nonconforming unit would tip the lot."""
        from scipy.stats import binom, poisson

        if model == "poisson":
            return float(poisson.pmf(self.ac, self.n * p))
        return float(binom.pmf(self.ac, self.n - 1, p))

    def _lot(self) -> int:
        if self.lot_size is None:
            raise ValueError(f"a plan without lot_size says nothing of a single lot: {self}")
        return self.lot_size


def single_sampling_for_risks(
    *,
    good_fraction: float,
    producer_risk: float,
    bad_fraction: float,
    consumer_risk: float,
) -> SingleSampling:
    """The smallest plan that rejects good lots and accepts bad ones no more often than allowed.

    Binomial. For each acceptance number n is the smallest that meets the consumer's risk; the
    first such plan to meet the producer's risk as well has the fewest units [1]. ValueError
    unless 0 < good_fraction < bad_fraction < 1.

    >>> single_sampling_for_risks(
    ...     good_fraction=0.01, producer_risk=0.05, bad_fraction=0.06, consumer_risk=0.10
    ... )
    SingleSampling(n=110, ac=3, lot_size=None)
    """
    check_risks(producer_risk, consumer_risk)
    check_fractions(good_fraction, bad_fraction)
    ac = 0
    while True:
        plan = _least_for_consumer(ac, bad_fraction, consumer_risk)
        if float(plan.producer_risk(good_fraction)) <= producer_risk:
            return plan
        ac += 1


def _least_for_consumer(ac: int, bad_fraction: float, consumer_risk: float) -> SingleSampling:
    lower, upper = ac, 2 * (ac + 1)
    while float(SingleSampling(upper, ac).consumer_risk(bad_fraction)) > consumer_risk:
        lower, upper = upper, 2 * upper
    while upper - lower > 1:
        middle = (lower + upper) // 2
        meets = float(SingleSampling(middle, ac).consumer_risk(bad_fraction)) <= consumer_risk
        lower, upper = (lower, middle) if meets else (middle, upper)
    return SingleSampling(upper, ac)


def _fractions(fraction: ArrayLike, model: Model) -> Floats:
    if model not in {"binomial", "poisson"}:
        raise ValueError(f"model must be binomial or poisson: {model!r}")
    p = np.asarray(fraction, dtype=float)
    if not ((p >= 0) & ((p <= 1) | (model == "poisson"))).all():
        raise ValueError(f"fraction must lie from 0 to 1: {p}")
    return p


def check_risks(producer_risk: float, consumer_risk: float) -> None:
    """ValueError unless both are chances."""
    for name, value in (("producer_risk", producer_risk), ("consumer_risk", consumer_risk)):
        share(name, value)


def check_fractions(good_fraction: float, bad_fraction: float) -> None:
    """ValueError unless 0 < good_fraction < bad_fraction < 1."""
    if not 0 < good_fraction < bad_fraction < 1:
        raise ValueError(
            "good_fraction must be above 0 and below bad_fraction, that below 1: "
            f"{good_fraction}, {bad_fraction}"
        )
