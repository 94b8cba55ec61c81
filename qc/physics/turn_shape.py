"""What makes the most of a turn's run-out: off centre, an oval, one bump, or nothing by itself.

A wave of amplitude a has the mean square a²/2 (Parseval), so a turn's mean square about its mean
divides into shares: once a turn, twice a turn, and the rest. The thresholds are ours, each for a
reason:

- Under 0.05 mm of TIR, five steps of a 0.01 mm indicator, readout and hand decide: `little`.
- A `bump` is named when it alone makes half of the swing that is asked about. Its mean square
  says little, for it is narrow; the indicator swings by its height.
- A wave is named when it holds half of the mean square, more than all else together. Few readings
  may show that by chance: of n readings that only scatter a wave holds the share s or more with
  the probability (1 - s)^((n - 3)/2), by Fisher (1929), Proc. R. Soc. A 125:54-59. So it must
  also hold a share that one turn of scatter in 200 would; from 18 readings on that is below half.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from qc.physics.runout import Readings, Trace, analyse

Cause = Literal["little", "bump", "once", "twice", "nothing"]

LITTLE_MM = 0.05
HALF = 0.5
_BY_CHANCE = 1 / 200


@dataclass(frozen=True, slots=True)
class Shape:
    """A turn with what makes most of it.

    `once_share` and `twice_share` are of the whole turn's mean square, 0 to 1. `main` is what
    makes the TIR. `form` is what makes the most of what is left without the mean and the
    once-per-turn part, whatever `main` is; never `once`.
    """

    trace: Trace
    once_share: float
    twice_share: float
    main: Cause
    form: Cause


def shape(readings_mm: Readings) -> Shape:
    """The shape of at least 8 equally spaced readings round a turn; ValueError for fewer."""
    trace = analyse(readings_mm)
    away = np.asarray(readings_mm, dtype=float) - trace.mean_mm
    whole = float(away @ away) / trace.n
    once, twice = trace.eccentricity_mm**2 / 2, trace.twice_mm**2 / 2
    least = least_share(trace.n)
    once_share, twice_share = _share(once, whole), _share(twice, whole)
    waves: list[tuple[Cause, float]] = [("once", once_share), ("twice", twice_share)]
    left: list[tuple[Cause, float]] = [("twice", _share(twice, whole - once))]
    return Shape(
        *(trace, once_share, twice_share),
        main=_cause(trace, trace.tir_mm, waves, least),
        form=_cause(trace, trace.form_mm, left, least),
    )


def least_share(n: int) -> float:
    """The share of the mean square that a wave must hold among n readings to be named."""
    return max(HALF, 1 - float(_BY_CHANCE ** (2 / (n - 3))))


def _cause(trace: Trace, swing_mm: float, waves: list[tuple[Cause, float]], least: float) -> Cause:
    if swing_mm < LITTLE_MM:
        return "little"
    if trace.bump and abs(trace.bump.height_mm) >= HALF * swing_mm:
        return "bump"
    return next((name for name, share in waves if share >= least), "nothing")


def _share(of: float, whole: float) -> float:
    return min(of / whole, 1.0) if whole > 0 else 0.0
