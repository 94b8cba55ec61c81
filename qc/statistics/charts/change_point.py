"""One change in the mean of a series: whether there is one, where, and between which limits.

The change is put where the sum of squares about the two means is least, which for normal values is
where the likelihood is greatest; F compares one mean with two, and its largest value over all
admitted places (sup F) is held against a law of its own, as the place was searched for.

References: [1] Andrews, D. W. K. (1993), "Tests for parameter instability and structural change
with unknown change point", Econometrica 61:821-856. [2] Bai, J. (1997), "Estimation of a change
point in multiple regression models", Review of Economics and Statistics 79:551-563. [3] Estrella,
A. (2003), "Critical values and p values of Bessel process distributions", Econometric Theory
19:1128-1143. [4] Yao, Y.-C. (1987), "Approximating the distribution of the maximum likelihood
estimate of the change-point", Annals of Statistics 15:1321-1328. [5] Cobb, G. W. (1978), "The
problem of the Nile", Biometrika 65:243-251. [6] Bhattacharyya & Johnson (1968), Annals of
Mathematical Statistics 39:1731-1743.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, row, share


class Places(NamedTuple):
    """First and last index (from 0) at which the new level may have begun, both included."""

    first: int
    last: int


@dataclass(frozen=True, slots=True, eq=False)
class MeanChange:
    """The likeliest change of mean in `values`: the new level begins at index `at` (from 0).

    `at` is also the number of values before the change. `rss_none`, `rss_one`: sums of squares
    about one mean and about two; `sup_f` is the F of the best place, `first` and `last` the
    places that were admitted.
    """

    values: Floats
    at: int
    mean_before: float
    mean_after: float
    rss_none: float
    rss_one: float
    sup_f: float
    first: int
    last: int

    @property
    def shift(self) -> float:
        """Mean after less mean before."""
        return self.mean_after - self.mean_before

    def p_value(self) -> float:
        """Chance of so large a sup F without a change, for long series [1, 3].

        By the tail formula of [3], good below 0.2; an asymptotic law, for 30 values and more. For
        fewer take `permutation_p`.
        """
        c, n = self.sup_f, self.values.size
        if not c > 1:
            return 1.0
        odds = (1 - self.first / n) * (self.last / n) / (self.first / n * (1 - self.last / n))
        tail = math.sqrt(c / (2 * math.pi)) * math.exp(-c / 2)
        return min(tail * ((1 - 1 / c) * math.log(odds) + 2 / c), 1.0)

    def permutation_p(self, draws: int = 9999, seed: int = 0) -> float:
        """Chance of so large a sup F if the order of the values meant nothing, whole search redone.

        (1 + number of shuffles that reach it)/(1 + draws): valid for any number of values.
        """
        rng = np.random.default_rng(seed)
        reached = 0
        for start in range(0, draws, 1000):
            shuffled = rng.permuted(np.tile(self.values, (min(1000, draws - start), 1)), axis=1)
            gain = _gains(shuffled, self.first, self.last).max(axis=1)
            # equal up to rounding counts as reached
            reached += int(np.sum(gain >= (self.rss_none - self.rss_one) * (1 - 1e-9)))
        return (1 + reached) / (1 + draws)

    def interval(self, confidence: float = 0.95) -> Places:
        """Confidence interval of `at` for a lasting change [2], each side with its own variance.

        The error of `at` is distributed as the place of the highest point of a random walk that
        falls off on both sides [4]; limits are rounded outwards. Meant for plain changes with some
        length on either side: with a shift of 1 sigma in 20 values a 95 % interval holds the
        change in 75 %, in 100 values in 90 % (tests/bench/change_point_bench.py). There take
        `likely_places`, which holds it in 94 and 96 %.
        """
        tail = (1 - share("confidence", confidence)) / 2
        before, after = self.values[: self.at], self.values[self.at :]
        step = abs(self.shift)
        if step == 0:
            return Places(self.first, self.last)
        walk = _Walk(step, float(before.std()), float(after.std()))
        first = math.floor(self.at - walk.quantile_above(tail))
        last = math.ceil(self.at + walk.mirrored().quantile_above(tail))
        return Places(max(first, 1), min(last, self.values.size - 1))

    def likely_places(self, confidence: float = 0.95) -> tuple[int, ...]:
        """Indices that together hold this share of the likelihood, given the spread seen [5].

        Places k are weighed by RSS_k^(-(n-2)/2) / √(k (n - k)), which is the likelihood when the
        two means and the spread are averaged over evenly; the weightiest are taken until the share
        is reached. They need not be neighbours. Every place with a value on either side counts.
        """
        share("confidence", confidence)
        n = self.values.size
        place = np.arange(1, n)
        left = self.rss_none - _gains(self.values[None, :], 1, n - 1)[0]
        least = max(self.rss_none, np.finfo(float).tiny) * 1e-14
        log_weight = (
            -(n - 2) / 2 * np.log(np.maximum(left, least)) - np.log(place * (n - place)) / 2
        )
        weight = np.exp(log_weight - log_weight.max())
        order = np.argsort(-weight, kind="stable")
        held = np.cumsum(weight[order]) / weight.sum()
        chosen = order[: int(np.searchsorted(held, confidence)) + 1]
        return tuple(sorted(place[chosen].tolist()))


def mean_change(values: ArrayLike, *, trim: float = 0.15) -> MeanChange:
    """The likeliest single change in the mean.

    `values`: shape (n,), at least 4, in order of time. `trim`: share of the values that stays
    clear at either end, below 0.5; at least one value does. A constant series has its change at
    the first place, a shift of 0 and a sup F of 0.

    >>> change = mean_change([410, 412, 411, 410, 418, 417, 419, 418])
    >>> change.at, change.shift, change.interval()
    (4, 7.25, Places(first=3, last=5))
    """
    series = row("values", values, 4)
    if not 0 <= trim < 0.5:
        raise ValueError(f"trim must lie from 0 to below 0.5: {trim}")
    n = series.size
    first = max(math.floor(trim * n), 1)
    last = n - first
    gains = _gains(series[None, :], first, last)[0]
    at = first + int(np.argmax(gains))
    before, after = series[:at], series[at:]
    rss_none = float(np.sum((series - series.mean()) ** 2))
    rss_one = float(np.sum((before - before.mean()) ** 2) + np.sum((after - after.mean()) ** 2))
    gained = max(rss_none - rss_one, 0.0)
    sup_f = gained / (rss_one / (n - 2)) if rss_one > 0 else (math.inf if gained > 0 else 0.0)
    means = float(before.mean()), float(after.mean())
    return MeanChange(series, at, *means, rss_none, rss_one, sup_f, first, last)


def _gains(series: Floats, first: int, last: int) -> Floats:
    """By how much two means lessen the sum of squares, per row and place from first to last."""
    n = series.shape[1]
    away = series - series.mean(axis=1, keepdims=True)
    place = np.arange(first, last + 1)
    sums = np.cumsum(away, axis=1)[:, place - 1]
    return np.asarray(sums**2 * n / (place * (n - place)))


class _Walk(NamedTuple):
    """A Brownian path falling off on both sides of 0, per value: drift step²/2, sd step · sd.

    It stands for how much worse the fit gets when the change is put elsewhere.
    """

    step: float
    sd_before: float
    sd_after: float

    def mirrored(self) -> "_Walk":
        return _Walk(self.step, self.sd_after, self.sd_before)

    def quantile_above(self, tail: float) -> float:
        """The distance after 0 beyond which the highest point lies with this chance."""
        from scipy.optimize import brentq

        # the two sides' highest points are exponential with means of their variances
        variance = self.sd_after**2
        whole = variance / (variance + self.sd_before**2) if variance else 0.0
        if whole <= tail:
            return 0.0
        high = variance / self.step**2
        while self._above(high) > tail:
            high *= 2
        low = 1e-9 * high
        if self._above(low) < tail:
            return low
        return float(brentq(lambda distance: self._above(distance) - tail, low, high, xtol=1e-9))

    def _above(self, distance: float) -> float:
        """Chance that the highest point lies beyond a distance > 0, over its logarithm."""
        nodes, weights = _legendre()
        low = math.log(distance)
        half = math.log1p((40 * self.sd_after / self.step) ** 2 / distance) / 2
        t = np.exp(low + half * (nodes + 1))
        return float((half * weights * t) @ self._density(t))

    def _density(self, t: Floats) -> Floats:
        """Density of the highest point at distances t > 0 after 0, from first-passage densities.

        The height y is reached first at t, with density y/(s√(2π) t^1.5) exp(-(y + mt)²/(2s²t)),
        never passed later, with rate 1/sd_after² in y, and not on the other side, with
        1 - exp(-y/sd_before²) [6]; integrated over y.
        """
        fall, scale, root = self.step**2 / 2, self.step * self.sd_after, np.sqrt(t)
        if self.sd_before > 0:
            steeper = fall + (scale / self.sd_before) ** 2
            both = steeper * _mills(steeper * root / scale)
        else:
            both = scale / root
        density = np.exp(-((fall * root / scale) ** 2) / 2) / math.sqrt(2 * math.pi)
        return density * (both - fall * _mills(fall * root / scale)) / self.sd_after**2


def _mills(z: Floats) -> Floats:
    """Φ(-z)/φ(z) of the standard normal distribution."""
    from scipy.special import erfcx

    return math.sqrt(math.pi / 2) * np.asarray(erfcx(z / math.sqrt(2)), dtype=float)


@lru_cache(maxsize=1)
def _legendre() -> tuple[Floats, Floats]:
    from scipy.special import roots_legendre

    nodes, weights = roots_legendre(200)
    return nodes, weights
