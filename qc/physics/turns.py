"""Many turns at once: how they are kept packed, and what parts have in common round the turn.

What the stand adds (how a rim sits on it) differs from part to part; what the mould adds does
not. So the mean of many turns, each laid so that its valve hole is at 0°, keeps what they share.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

Turns = NDArray[np.float32]
Array = NDArray[np.float64]

# turned at random so often, to see what chance alone would make of it
DRAWS = 999
LEAST_PARTS = 5


def pack(readings_mm: Sequence[Decimal]) -> bytes:
    """Readings of one turn in mm as 4-byte floats, least significant byte first.

    They keep seven digits, an indicator's step being 0.001 mm at best; the record has them all.
    """
    return np.asarray(readings_mm, dtype="<f4").tobytes()


def unpack(packed: Sequence[bytes]) -> Turns:
    """Turns of equally many readings, in mm: one row a turn. ValueError where they differ."""
    if len({len(one) for one in packed}) > 1:
        raise ValueError("turns with different numbers of readings cannot lie in one table")
    readings = len(packed[0]) // 4 if packed else 0
    return np.frombuffer(b"".join(packed), dtype="<f4").reshape(len(packed), readings)


def tir_of(turns: Turns) -> Turns:
    """Total indicator reading of each turn in mm: largest less smallest."""
    return np.asarray(turns.max(axis=1) - turns.min(axis=1))


def waves_of(turns: Turns) -> NDArray[np.complex64]:
    """Waves of each turn: column k holds a·exp(-i·k·p), a in mm, p where it peaks.

    r(θ) = Σ a_k·cos(k·(θ - p_k)), equally spaced readings: 2/n times the Fourier sum. Column 0 is
    twice the mean.
    """
    from scipy.fft import rfft

    return np.asarray(rfft(turns, axis=1) * np.float32(2 / turns.shape[1]))


@dataclass(frozen=True, slots=True)
class Shared:
    """What turns have in common.

    `mean_mm` is their mean round the turn, without its own mean and, for a bare rim, without the
    once-per-turn part, which is the set-up's. `share` of the mean square of a turn, 0 to 1, is
    common to all. `p` is how often turns laid at random would share as much.
    """

    turns: int
    mean_mm: Array
    share: float
    p: float

    @property
    def swing_mm(self) -> float:
        """Largest less smallest of the common turn."""
        return float(np.ptp(self.mean_mm))

    @property
    def highest_deg(self) -> float:
        """Where the common turn is highest, degrees from the valve hole."""
        return float(np.argmax(self.mean_mm)) * 360 / len(self.mean_mm)


def shared(turns: Turns, *, without_once: bool) -> Shared:
    """What at least 5 turns of equally many readings (8 or more) share; ValueError for fewer.

    Tested by randomisation (Edgington & Onghena 2007, Randomization Tests, ch. 1): were there
    nothing common to the valve hole, each turn could as well have begun anywhere, so each is laid
    at random 999 times. Seeded by the readings' number: the same turns give the same answer.
    """
    if len(turns) < LEAST_PARTS or turns.shape[1] < 8:
        raise ValueError(f"at least {LEAST_PARTS} turns of 8 readings, got {turns.shape}")
    spectrum = np.fft.rfft(np.asarray(turns, dtype=float), axis=1)
    spectrum[:, 0] = 0
    if without_once:
        spectrum[:, 1] = 0
    n, waves = turns.shape[1], np.arange(spectrum.shape[1])
    found = _power(spectrum.sum(axis=0), n)
    random = np.random.default_rng([len(turns), n])
    laid = 0
    for _ in range(DRAWS):
        begins = random.integers(n, size=len(turns))
        turned = spectrum * np.exp(2j * np.pi * np.outer(begins, waves) / n)
        # a rounding in the last digit is no less
        laid += _power(turned.sum(axis=0), n) >= found * (1 - 1e-9)
    whole = sum(_power(one, n) for one in spectrum) * len(turns)
    mean = np.fft.irfft(spectrum.mean(axis=0), n)
    share = found / whole if whole > 0 else 0.0
    return Shared(len(turns), mean, float(share), (1 + int(laid)) / (1 + DRAWS))


def _power(spectrum: NDArray[np.complex128], n: int) -> float:
    """Twice the sum over the waves below the last of an even number, which counts once."""
    power = np.abs(spectrum) ** 2
    power[1 : (n + 1) // 2] *= 2
    return float(power.sum())
