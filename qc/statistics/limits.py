"""What confidence limits are made of: a pair of numbers, and the check of counts."""

from typing import Literal, NamedTuple

from qc.statistics.arguments import share

Side = Literal["two-sided", "lower", "upper"]


class Interval(NamedTuple):
    """Lower and upper confidence limit, in the unit of what they bound."""

    lower: float
    upper: float


def tails(confidence: float, side: Side) -> tuple[float, float]:
    """The chance left below the lower and above the upper limit; 0 where no limit is asked for."""
    miss = 1 - share("confidence", confidence)
    if side == "two-sided":
        return miss / 2, miss / 2
    if side == "lower":
        return miss, 0.0
    if side == "upper":
        return 0.0, miss
    raise ValueError(f"side must be 'two-sided', 'lower' or 'upper': {side!r}")


def turned(side: Side) -> Side:
    """The side to ask for where the larger of one thing makes the smaller of another."""
    return "upper" if side == "lower" else "lower" if side == "upper" else side


def check_count(name: str, count: int, of_name: str, of: int) -> None:
    """ValueError unless both are whole numbers with 0 ≤ count ≤ of."""
    if count != int(count) or of != int(of) or not 0 <= count <= of:
        raise ValueError(
            f"{name} must be a whole number from 0 to {of_name}: {name} {count}, {of_name} {of}"
        )
