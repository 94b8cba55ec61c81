"""Results that are known only to lie between two values, and how to write them down.

A part that survived multiple 3 and had failed by 4 fails somewhere in (3, 4]; one that was taken
off the rig after 3 fails beyond 3. Every estimate for such data takes one `Censored`.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class Status(NamedTuple):
    """How many parts are known to have survived a value, known to have failed by it, or neither."""

    survived: float
    failed: float
    unknown: float


@dataclass(frozen=True, slots=True, eq=False)
class Censored:
    """Each part's value lies in (lower, upper], or is `lower` itself where both are equal.

    `lower` 0: failed at or before `upper` (left-censored); `upper` inf: not failed at `lower`
    (right-censored). `counts`: how many parts each row stands for. All of shape (k,), read-only;
    made by `interval_censored` or `right_censored`.
    """

    lower: Floats
    upper: Floats
    counts: Floats

    @property
    def total(self) -> float:
        """The number of parts."""
        return float(self.counts.sum())

    @property
    def exact(self) -> NDArray[np.bool_]:
        """Which rows are known exactly."""
        return np.equal(self.lower, self.upper)

    @property
    def failures(self) -> float:
        """The number of parts that failed, at whatever value."""
        return float(self.counts[np.isfinite(self.upper)].sum())

    def status(self, at: float) -> Status:
        """Survived, failed or unknown at a value; a part that failed at it has not survived it."""
        failed = float(self.counts[self.upper <= at].sum())
        survived = float(self.counts[(self.lower >= at) & (self.upper > at)].sum())
        return Status(survived, failed, self.total - survived - failed)


def interval_censored(
    *, lower: ArrayLike, upper: ArrayLike, counts: ArrayLike | None = None
) -> Censored:
    """Parts whose values lie in (lower, upper]; the two equal where the value is known.

    `lower`, shape (k,): at least 0, where 0 or NaN (None) means "failed by `upper`, no more is
    known". `upper`, shape (k,): at least `lower`, where inf or NaN (None) means "not failed".
    `counts`, shape (k,): parts a row stands for, 1 each unless given; rows of 0 are left out.
    ValueError for shapes that differ, no parts, values out of order, negative or not finite.

    >>> interval_censored(lower=[0, 3, 3], upper=[2, 4, None]).failures
    2.0
    """
    low = np.nan_to_num(np.atleast_1d(np.asarray(lower, dtype=float)), nan=0.0, posinf=np.inf)
    high = np.atleast_1d(np.asarray(upper, dtype=float))
    high = np.where(np.isnan(high), np.inf, high)
    many = np.ones(low.shape) if counts is None else np.atleast_1d(np.asarray(counts, dtype=float))
    if not low.shape == high.shape == many.shape or low.ndim != 1:
        raise ValueError(
            "lower, upper and counts must be rows of one length: "
            f"got shapes {low.shape}, {high.shape}, {many.shape}"
        )
    for bad, rule, values in (
        ((low < 0) | np.isinf(low), "lower must be finite and not negative", low),
        (high < low, "upper must not be below lower", high),
        ((many < 0) | ~np.isfinite(many), "counts must be finite and not negative", many),
    ):
        if bad.any():
            first = int(np.argmax(bad))
            raise ValueError(f"{rule}: got {values[first]} in row {first}")
    if many.sum() == 0:
        raise ValueError("at least 1 part is needed: got none")
    kept = many > 0
    for row in (rows := (low[kept], high[kept], many[kept])):
        row.flags.writeable = False
    return Censored(*rows)


def right_censored(
    *, times: ArrayLike, failed: ArrayLike, counts: ArrayLike | None = None
) -> Censored:
    """Parts with a value each: where it failed, or where it was still whole when last seen.

    `times`, shape (k,): at least 0. `failed`, shape (k,): true where the part failed at its time,
    false where it had not (right-censored). `counts` as for `interval_censored`.

    >>> right_censored(times=[54, 187, 500], failed=[1, 1, 0]).failures
    2.0
    """
    time = np.atleast_1d(np.asarray(times, dtype=float))
    gone = np.atleast_1d(np.asarray(failed))
    if time.shape != gone.shape:
        raise ValueError(
            f"times and failed must be rows of one length: got shapes {time.shape}, {gone.shape}"
        )
    if np.isnan(time).any():
        raise ValueError(f"times must be numbers: got NaN in row {int(np.argmax(np.isnan(time)))}")
    if not np.isin(gone, (0, 1)).all():
        raise ValueError(f"failed must be true or false: got {gone[~np.isin(gone, (0, 1))][0]}")
    upper = np.where(gone.astype(bool), time, np.inf)
    return interval_censored(lower=time, upper=upper, counts=counts)
