"""Is a measured value inside its limits, and how sure is that? (JCGM 106:2012, normal.)

The true value is taken as normal around the measured one with the standard uncertainty `u`.
Judging calls this once per part, so it imports nothing heavier than `math`.
"""

import math
from decimal import Decimal
from typing import Literal

# one-sided 95 % point of the normal distribution, as shops and standards write it
GUARD = 1.645
_GUARD = Decimal(str(GUARD))

Conformity = Literal["conforms", "does-not-conform", "undecided"]


def probability_above(value: float, u: float, limit: float) -> float:
    """The probability that the true value lies above the limit (JCGM 106:2012, 7.3).

    Value, standard uncertainty and limit in one unit. With `u` = 0 the answer is 0 or 1, and a
    value equal to the limit is not above it.
    """
    if _checked(u) == 0:
        return 1.0 if value > limit else 0.0
    return _beyond((limit - value) / u)


def probability_below(value: float, u: float, limit: float) -> float:
    """The probability that the true value lies below the limit; the mirror of the one above."""
    return probability_above(-value, u, -limit)


def probability_within(value: float, u: float, lower: float, upper: float) -> float:
    """The probability that the true value lies between two limits (JCGM 106:2012, 7.4)."""
    if lower > upper:
        raise ValueError(f"the lower limit must not be above the upper one: {lower} > {upper}")
    if _checked(u) == 0:
        return 1.0 if lower <= value <= upper else 0.0
    # as a difference of two tails on the value's far side, so that small answers keep their digits
    near, far = (lower - value) / u, (upper - value) / u
    if near + far < 0:
        near, far = -far, -near
    return _beyond(near) - _beyond(far)


def verdict(value: Decimal, u: float, lower: Decimal | None, upper: Decimal | None) -> Conformity:
    """`undecided` nearer to a limit than 1.645 u; else as the decimals compare with the limits.

    A value exactly 1.645 u from a limit is decided, one equal to a limit is inside it. At least
    one limit must be given.
    """
    if lower is None and upper is None:
        raise ValueError(f"a verdict needs a lower or an upper limit: none given for {value}")
    guard = _GUARD * Decimal(repr(float(_checked(u))))
    for limit in (lower, upper):
        if limit is not None and abs(value - limit) < guard:
            return "undecided"
    above = upper is not None and value > upper
    below = lower is not None and value < lower
    return "does-not-conform" if above or below else "conforms"


def _beyond(z: float) -> float:
    """The upper tail of the standard normal distribution."""
    return math.erfc(z / math.sqrt(2)) / 2


def _checked(u: float) -> float:
    if not 0 <= u < math.inf:
        raise ValueError(f"a standard uncertainty must be finite and not negative: {u}")
    return u
