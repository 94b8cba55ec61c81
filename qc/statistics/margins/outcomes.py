"""What an impact test shows of a part, and what tests together show at one multiple.

A part's multiple lies between what it survived and what it had failed by; where the test stopped
before any damage it lies somewhere above. Two rules settle what a record leaves open:

* Damaged at a multiple nobody can tell (by a load above the standard, or one borne before): it
  counts as failed by one standard impact more than it survived. Hits on one position are at least
  that many, so that in a repeat test no record is taken for stronger than it is.
* At a multiple, a damaged part that was not shown to survive it counts as failed; one that stopped
  undamaged before it counts neither way.

Reference: Clopper & Pearson (1934), Biometrika 26:404-413, for the bound of the share.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.statistics import arguments
from qc.statistics.bounds.demonstration import reliability_lower_bound
from qc.statistics.survival.censoring import Censored, Floats, interval_censored

# of a load: what two drops are at least allowed to differ by and still be one rung
_LEAST_TOLERANCE = 0.005


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """One row a test: `survived` and `failed` multiples (NaN: not failed, or by nobody knows what),
    `damaged`. All of shape (k,); made by `outcomes`."""

    survived: Floats
    failed: Floats
    damaged: NDArray[np.bool_]

    @property
    def tests(self) -> int:
        return int(self.survived.size)

    def where(self, chosen: ArrayLike) -> "Outcomes":
        """Some of the tests, by a mask or by their places."""
        rows = np.asarray(chosen)
        return Outcomes(self.survived[rows], self.failed[rows], self.damaged[rows])

    def ends(self) -> tuple[Floats, Floats]:
        """Each test's interval (lower, upper], one a test, unknown multiples by the rule above."""
        unknown = self.damaged & np.isnan(self.failed)
        upper = np.where(unknown, self.survived + 1, self.failed)
        return self.survived, np.where(np.isnan(upper), np.inf, upper)

    def on_rungs(self, tolerance: float, marks: Sequence[float] = ()) -> "Outcomes":
        """Loads that differ by no more than a relative tolerance taken as one rung, at its lowest.

        A rig gives the same rung a slightly different energy in every test; taken literally, parts
        that failed on one rung would have failed before others that survived it. No rung reaches
        across one of `marks`, so that what was shown there stays as it was.
        """
        loads = np.unique(np.concatenate([self.survived, self.failed[~np.isnan(self.failed)]]))
        lowest = loads.copy()
        for i in range(1, loads.size):
            same = loads[i] <= lowest[i - 1] * (1 + max(tolerance, _LEAST_TOLERANCE))
            if same and not any(lowest[i - 1] < mark <= loads[i] for mark in marks):
                lowest[i] = lowest[i - 1]
        survived = lowest[np.searchsorted(loads, self.survived)]
        place = np.minimum(np.searchsorted(loads, self.failed), loads.size - 1)
        failed = np.where(np.isnan(self.failed), np.nan, lowest[place])
        # two rungs of one test stay two
        return Outcomes(survived, np.where(failed <= survived, self.failed, failed), self.damaged)

    def censored(self) -> Censored:
        """All tests as interval-censored values, equal ones in one row. ValueError without any."""
        rows, counts = np.unique(np.column_stack(self.ends()), axis=0, return_counts=True)
        return interval_censored(lower=rows[:, 0], upper=rows[:, 1], counts=counts)


@dataclass(frozen=True, slots=True)
class Shown:
    """What tests show at one multiple: `survived` and `failed` count, `unfinished` tests do not.

    `lower`: with `confidence` at least this share of such parts survives; exact binomial.
    """

    multiple: float
    survived: int
    failed: int
    unfinished: int
    confidence: float
    lower: float

    @property
    def tests(self) -> int:
        """The tests that count."""
        return self.survived + self.failed


def outcomes(*, survived: ArrayLike, failed: ArrayLike, damaged: ArrayLike) -> Outcomes:
    """Tests of parts, each struck once; rows of one length.

    `survived`: multiples of the standard impact, at least 0. `failed`: above `survived`, or None
    (NaN) where the part was not damaged or its multiple is unknown. `damaged`: true where damage
    was found. ValueError for rows that do not fit together.
    """
    low = np.atleast_1d(np.asarray(survived, dtype=float))
    high = np.atleast_1d(np.asarray(failed, dtype=float))
    broken = np.atleast_1d(np.asarray(damaged)).astype(bool)
    if not low.shape == high.shape == broken.shape or low.ndim != 1:
        raise ValueError(
            "survived, failed and damaged must be rows of one length: "
            f"got shapes {low.shape}, {high.shape}, {broken.shape}"
        )
    for bad, rule, values in (
        (~(np.isfinite(low) & (low >= 0)), "survived must be finite and not negative", low),
        (high <= low, "failed must lie above survived", high),
        (np.isinf(high), "failed must be finite, or None where it is not known", high),
        (~broken & ~np.isnan(high), "only a damaged part has failed", high),
    ):
        if bad.any():
            first = int(np.argmax(bad))
            raise ValueError(f"{rule}: got {values[first]} in row {first}")
    return Outcomes(low, high, broken)


def shown_at(found: Outcomes, multiple: float, *, confidence: float = 0.95) -> Shown:
    """The exact binomial statement at a multiple: how many survived it, and the share's bound.

    >>> sound = outcomes(survived=[10] * 5, failed=[None] * 5, damaged=[False] * 5)
    >>> round(shown_at(sound, 10).lower, 2)
    0.55
    """
    arguments.positive("multiple", multiple)
    survived = found.survived >= multiple
    failed = int((found.damaged & ~survived).sum())
    bore = int(survived.sum())
    return Shown(
        multiple=multiple,
        survived=bore,
        failed=failed,
        unfinished=found.tests - bore - failed,
        confidence=confidence,
        lower=reliability_lower_bound(tests=bore + failed, failures=failed, confidence=confidence),
    )
