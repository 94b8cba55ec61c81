"""What confidence limits are made of: a pair of numbers, and the checks of shares and counts."""

from typing import Literal, NamedTuple

Side = Literal["two-sided", "lower", "upper"]


class Interval(NamedTuple):
    """Lower and upper confidence limit, in the unit of what they bound."""

    lower: float
    upper: float


def tails(confidence: float, side: Side) -> tuple[float, float]:
    """The chance left below the lower and above the upper limit; 0 where no limit is asked for."""
    miss = 1 - checked_share("confidence", confidence)
    if side == "two-sided":
        return miss / 2, miss / 2
    if side == "lower":
        return miss, 0.0
    if side == "upper":
        return 0.0, miss
    raise ValueError(f"side must be 'two-sided', 'lower' or 'upper': {side!r}")


def checked_share(name: str, share: float) -> float:
    """The share itself where it lies strictly between 0 and 1."""
    if not 0 < share < 1:
        raise ValueError(f"{name} must lie between 0 and 1: {share}")
    return share


def check_count(name: str, count: int, of_name: str, of: int) -> None:
    """ValueError unless both are whole numbers with 0 ≤ count ≤ of."""
    if count != int(count) or of != int(of) or not 0 <= count <= of:
        raise ValueError(
            f"{name} must be a whole number from 0 to {of_name}: {name} {count}, {of_name} {of}"
        )
