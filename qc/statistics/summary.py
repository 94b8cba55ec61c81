"""Exact batch summaries: count, sum and sum of squares as whole millionths of a unit.

Whole numbers add up to the same in every order, so a batch that was sent twice, corrected or
rebuilt comes to the same mean to the last digit, and taking a value out again leaves no trace.
"""

import math
from collections.abc import Iterable
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import NamedTuple, Self

MICRO = 1_000_000
# wide enough for every double, so that only the last step rounds
_EXACT = Context(prec=700, rounding=ROUND_HALF_EVEN)


def micro(value: float | Decimal) -> int:
    """A value in whole millionths of its unit, half to even; a float counts as it is printed."""
    exact = value if isinstance(value, Decimal) else Decimal(repr(float(value)))
    if not exact.is_finite():
        raise ValueError(f"a value to sum must be a finite number: {value}")
    return int(exact.scaleb(6, _EXACT).to_integral_value(context=_EXACT))


class Summary(NamedTuple):
    """`n` values with their sum in 1e-6 units and their sum of squares in 1e-12 square units."""

    n: int = 0
    total: int = 0
    squares: int = 0

    def plus(self, micro_value: int, sign: int = 1) -> Self:
        """With one value more, or with `sign=-1` one value less."""
        return type(self)(
            self.n + sign,
            self.total + sign * micro_value,
            self.squares + sign * micro_value * micro_value,
        )

    @classmethod
    def together(cls, parts: Iterable["Summary"]) -> Self:
        """The values of all parts as one summary."""
        n = total = squares = 0
        for part in parts:
            n, total, squares = n + part.n, total + part.total, squares + part.squares
        return cls(n, total, squares)

    @property
    def mean(self) -> float | None:
        """The arithmetic mean in the value's unit, correctly rounded; None without values."""
        return self.total / (self.n * MICRO) if self.n else None

    @property
    def sd(self) -> float | None:
        """The standard deviation with n - 1 in the value's unit; None below two values."""
        if self.n < 2:
            return None
        # n·Σx² - (Σx)² loses all digits in doubles where the spread is small; here it is exact
        spread = self.n * self.squares - self.total * self.total
        return math.sqrt(spread / (self.n * (self.n - 1) * MICRO * MICRO))
