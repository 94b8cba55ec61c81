"""Confidence intervals for a proportion: exact (Clopper-Pearson) and score (Wilson).

References:

1. Clopper & Pearson (1934), Biometrika 26:404-413; as beta quantiles in Brown, Cai & DasGupta
   (2001), Statistical Science 16:101-133, section 4.2.1.
2. Wilson (1927), J. Am. Stat. Assoc. 22:209-212; Brown, Cai & DasGupta, equation (4).
3. NIST/SEMATECH e-Handbook 7.2.4.1 and 7.2.4.2.
"""

import math

from qc.statistics.limits import Interval, Side, check_count, tails


def clopper_pearson_interval(
    *, events: int, trials: int, confidence: float = 0.95, side: Side = "two-sided"
) -> Interval:
    """Exact binomial limits for the proportion of events; never below the stated confidence.

    `events`: whole number, 0 to `trials`. `side`: "two-sided" leaves half of 1 - confidence on
    either side; "lower" and "upper" leave all of it on one, the other limit being 1 or 0.
    The limits are beta quantiles: B(a; x, n-x+1) and B(1-a; x+1, n-x) [1]. Without trials the
    interval is 0 to 1. ValueError for counts that are not whole or out of range.

    >>> low, high = clopper_pearson_interval(events=4, trials=20, confidence=0.90)  # [3]
    >>> round(low, 6), round(high, 5)
    (0.071354, 0.40103)
    """
    from scipy.special import betaincinv

    check_count("events", events, "trials", trials)
    below, above = tails(confidence, side)
    fine = trials - events
    lower = float(betaincinv(events, fine + 1, below)) if events and below else 0.0
    upper = float(betaincinv(events + 1, fine, 1 - above)) if fine and above else 1.0
    return Interval(lower, upper)


def wilson_interval(
    *, events: int, trials: int, confidence: float = 0.95, side: Side = "two-sided"
) -> Interval:
    """Score limits without continuity correction; near the stated confidence on average.

    Parameters as for `clopper_pearson_interval`. Solves |p̂ - p| = z √(p(1-p)/n) for p [2].
    For 0 of n the lower limit is exactly 0, for n of n the upper one exactly 1.
    """
    from scipy.special import ndtri

    check_count("events", events, "trials", trials)
    below, above = tails(confidence, side)
    if trials == 0:
        return Interval(0.0, 1.0)
    share = events / trials

    def limit(tail: float, sign: int) -> float:
        z = -float(ndtri(tail))
        middle = share + z * z / (2 * trials)
        # as a product, so that nothing cancels at either end
        half = z * math.sqrt(share * (1 - share) / trials + (z / (2 * trials)) ** 2)
        return min(max((middle + sign * half) / (1 + z * z / trials), 0.0), 1.0)

    lower = limit(below, -1) if below and events else 0.0
    upper = limit(above, +1) if above and events < trials else 1.0
    return Interval(lower, upper)
