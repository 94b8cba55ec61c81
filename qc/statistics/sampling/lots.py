"""What a sample proves about the one lot it came from: reliability, confidence and lot size.

A lot is finite: of 20 rims, 8 tested good leave 12 to be sure of, and testing all of them leaves
no doubt. The chances are hypergeometric; for a lot without end they become those of the success
run. Drawn at random is meant throughout.

References:

1. Wright (1991), "Exact Confidence Bounds when Sampling from Small Finite Universes", Springer
   (confidence bounds by the hypergeometric distribution).
2. Guenther (1977), "Sampling Inspection in Statistical Quality Control", chapter 2.
"""

import math
from decimal import Decimal
from fractions import Fraction

from qc.statistics.arguments import share
from qc.statistics.limits import check_count
from qc.statistics.sampling.risks import SingleSampling, check_risks


def plan_for_lot(
    *, lot_size: int, reliability: float | Decimal, confidence: float, ac: int = 0
) -> SingleSampling:
    """The fewest units of a lot to inspect so that accepting it proves the reliability.

    Accepting with up to `ac` nonconforming units proves, with `confidence`, that the share of
    good units in the lot (as it was before the sample was drawn) is at least `reliability`: a lot
    with one bad unit more than that allows would be accepted with a chance of at most
    1 - confidence. The whole lot where nothing smaller does; ValueError where the lot may hold so
    few bad units that `ac` of them could not tell, and for a lot below 1.

    >>> plan_for_lot(lot_size=20, reliability=0.9, confidence=0.9)
    SingleSampling(n=11, ac=0, lot_size=20)
    """
    share("confidence", confidence)
    too_many = allowed_nonconforming(lot_size=lot_size, reliability=reliability) + 1
    if ac != int(ac) or not 0 <= ac < too_many:
        raise ValueError(
            f"ac must be a whole number from 0 to the {too_many - 1} nonconforming units "
            f"that the lot may hold: {ac}"
        )
    return _least_for_lot(lot_size, too_many, 1 - confidence, ac)


def lot_sampling_for_risks(
    *,
    lot_size: int,
    good: int,
    producer_risk: float,
    bad: int,
    consumer_risk: float,
) -> SingleSampling:
    """The smallest plan for one lot that rejects a good one and accepts a bad one rarely enough.

    `good` and `bad` are nonconforming units in the lot, 0 ≤ good < bad ≤ lot_size: a lot with
    `good` of them is rejected with a chance of at most `producer_risk`, one with `bad` accepted
    with at most `consumer_risk`; hypergeometric [2]. The whole lot always does.

    >>> lot_sampling_for_risks(
    ...     lot_size=60, good=1, producer_risk=0.05, bad=9, consumer_risk=0.10
    ... )
    SingleSampling(n=22, ac=1, lot_size=60)
    """
    check_risks(producer_risk, consumer_risk)
    check_count("bad", bad, "lot_size", lot_size)
    if good != int(good) or not 0 <= good < bad:
        raise ValueError(f"good must be a whole number from 0 to below bad: {good}, bad {bad}")
    # each ac with the fewest units that keep the consumer's risk; with ac = good no good lot fails
    plans = (_least_for_lot(lot_size, bad, consumer_risk, ac) for ac in range(good + 1))
    return next(p for p in plans if 1 - p.acceptance_of_lot(good) <= producer_risk + 1e-12)


def _least_for_lot(lot_size: int, bad: int, consumer_risk: float, ac: int) -> SingleSampling:
    """The fewest units with which `bad` nonconforming ones are accepted no more often than that."""
    lower, upper = ac, lot_size
    while upper - lower > 1:
        middle = (lower + upper) // 2
        plan = SingleSampling(middle, ac, lot_size)
        # a chance of exactly the risk is allowed
        keeps = float(plan.acceptance_of_lot(bad)) <= consumer_risk + 1e-12
        lower, upper = (lower, middle) if keeps else (middle, upper)
    return SingleSampling(upper, ac, lot_size)


def allowed_nonconforming(*, lot_size: int, reliability: float | Decimal) -> int:
    """The most bad units with which a lot still has the reliability; 0.9 of 20 allows exactly 2."""
    share("reliability", float(reliability))
    if lot_size != int(lot_size) or lot_size < 1:
        raise ValueError(f"lot_size must be a whole number from 1: {lot_size}")
    # a float counts as it is printed: (1 - 0.9) · 20 is 2 and not a hair less
    exact = Fraction(reliability if isinstance(reliability, Decimal) else repr(float(reliability)))
    return math.floor((1 - exact) * lot_size)


def nonconforming_at_most(*, found: int, n: int, lot_size: int, confidence: float = 0.95) -> int:
    """Upper confidence bound for the bad units in the lot, those found in the sample included.

    The largest number with which `found` or fewer bad ones among `n` would still have a chance
    above 1 - confidence [1]. Without a sample it is the whole lot.

    >>> nonconforming_at_most(found=0, n=10, lot_size=20, confidence=0.9)
    3
    """
    share("confidence", confidence)
    check_count("n", n, "lot_size", lot_size)
    check_count("found", found, "n", n)
    if n == 0:
        return lot_size
    plan = SingleSampling(n, found, lot_size)
    # with `lower` bad units the finding is likely enough, with `upper` it is not
    lower, upper = found, lot_size - (n - found) + 1
    while upper - lower > 1:
        middle = (lower + upper) // 2
        likely = float(plan.acceptance_of_lot(middle)) > 1 - confidence + 1e-12
        lower, upper = (middle, upper) if likely else (lower, middle)
    return lower
