"""Run-out of a rim or wheel from readings round one turn.

Angles are degrees from the valve hole. A turn is taken as

    r(θ) = mean + Σ a_k·cos(k·(θ - p_k)) + bump + scatter

with k = 1 the eccentricity (a bare rim: mostly how it sits on the stand), k = 2 an oval. The
amplitudes come from linear least squares, which for equally spaced readings is the Fourier sum.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.physics.exact import EXACT

Readings = Sequence[float] | Sequence[Decimal] | NDArray[np.float64]
Array = NDArray[np.float64]

LEAST_READINGS = 8
SPARSE_BELOW = 24

# The readout of an indicator with 0.01 mm steps scatters this much by itself (GUM F.2.2.1): what
# is left of a turn is never trusted to be smoother.
_READOUT_SCATTER_MM = 0.01 / 12**0.5
# A bump must be this likely against none (log likelihood ratio, doubled): five or fewer false
# bumps in a thousand turns of pure scatter. That takes neighbours to scatter independently; the
# print of spokes or of a weave does not, so it must also be this many times as high as the
# scatter of what is left without it. Both simulated, for 8 to 360 readings.
_LEAST_LIKELIHOOD = 25.0
_LEAST_HEIGHT = 6.0
_WIDEST_BUMP_DEG = 40.0
# the search costs places × readings × widths; of more readings neighbours are taken together
_MOST_PLACES = 360


def tir_mm(readings_mm: Sequence[Decimal]) -> Decimal:
    """Total indicator reading of a turn: largest less smallest reading, exact."""
    return EXACT.subtract(max(readings_mm), min(readings_mm))


def form_mm(readings_mm: Readings) -> float:
    """Largest less smallest of what is left without the mean and the once-per-turn part.

    For at least 8 equally spaced readings, where least squares is a = 2/n·Σ r·cos θ,
    b = 2/n·Σ r·sin θ. Rounded to 1e-9 mm, far below any indicator's step: the sines carry noise
    of 1e-16 mm, and a form that is exactly at its limit must not fail by that.
    """
    readings = _checked(readings_mm)
    cosine, sine = _once_a_turn(len(readings))
    scale = 2 / len(readings)
    left = readings - scale * ((readings @ cosine) * cosine + (readings @ sine) * sine)
    return _span(left)


@lru_cache(maxsize=32)
def _once_a_turn(n: int) -> tuple[Array, Array]:
    angles = 2 * np.pi * np.arange(n) / n
    return np.cos(angles), np.sin(angles)


class Harmonic(NamedTuple):
    """`k` waves a turn; `phase_deg` is where they peak, modulo 360/k."""

    k: int
    amplitude_mm: float
    phase_deg: float


def harmonics(
    readings_mm: Readings, angles_deg: Sequence[float] | None = None, order: int = 4
) -> list[Harmonic]:
    """Waves of 1 to `order` a turn, fitted together by least squares.

    Without `angles_deg` the readings are equally spaced from the valve hole; with them they may
    be unequal or have gaps. ValueError where they are too few to tell the waves apart.
    """
    readings = _checked(readings_mm)
    angles = _angles(len(readings), angles_deg)
    return _waves(_fit(readings, _basis(angles, order)), order)


class Bump(NamedTuple):
    """A local excursion: where it peaks, how high it stands (a flat spot: negative), its width
    at half that height."""

    angle_deg: float
    height_mm: float
    width_deg: float


@dataclass(frozen=True, slots=True)
class Trace:
    """One turn taken apart.

    `sparse` under 24 readings; `eccentricity_mm` and `twice_mm` are amplitudes of the waves of
    one and two a turn, with the angle of their maximum; `form_mm` is peak to valley without the
    mean and the first, `rest_mm` without the second as well.
    """

    n: int
    sparse: bool
    mean_mm: float
    tir_mm: float
    form_mm: float
    eccentricity_mm: float
    eccentricity_deg: float
    twice_mm: float
    twice_deg: float
    rest_mm: float
    bump: Bump | None


def analyse(readings_mm: Readings, angles_deg: Sequence[float] | None = None) -> Trace:
    """Take a turn of at least 8 readings apart.

    The wave of three a turn is fitted too where the readings carry it, so that with missing
    positions it does not pass for eccentricity, nor anywhere for a bump. Under ten readings no
    bump can be told from waves; of more than 360 neighbours are taken together to look for one.
    ValueError for fewer readings than 8, values that are not finite, or positions that leave more
    than a quarter turn untouched.
    """
    readings = _checked(readings_mm)
    angles = _angles(len(readings), angles_deg)
    order = _order(angles, most=3, readings_each=6)
    basis = _basis(angles, order)
    fitted = _fit(readings, basis)
    once, twice = _waves(fitted, order)[:2]
    form = readings - basis[:, :3] @ fitted[:3]
    rest = readings - basis[:, :5] @ fitted[:5]
    return Trace(
        n=len(readings),
        sparse=len(readings) < SPARSE_BELOW,
        mean_mm=float(fitted[0]),
        tir_mm=_span(readings),
        form_mm=_span(form),
        eccentricity_mm=once.amplitude_mm,
        eccentricity_deg=once.phase_deg,
        twice_mm=twice.amplitude_mm,
        twice_deg=twice.phase_deg,
        rest_mm=_span(rest),
        bump=_bump(*_coarser(readings, angles, basis)),
    )


def _coarser(readings: Array, angles: Array, basis: Array) -> tuple[Array, Array, Array]:
    """The same turn with at most a reading a degree: means of neighbours."""
    if len(readings) <= _MOST_PLACES:
        return readings, angles, basis
    order = np.argsort(angles, kind="stable")
    groups = np.array_split(order, _MOST_PLACES)
    means = np.array([readings[group].mean() for group in groups])
    places = np.array([angles[group].mean() for group in groups])
    return means, places, _basis(places, basis.shape[1] // 2)


def _bump(readings: Array, angles: Array, basis: Array) -> Bump | None:
    """The local excursion that explains most of the turn, if it stands out of what is left.

    A bump lends part of itself to every wave, so each candidate (a raised cosine of some place
    and width) is fitted together with the waves: readings and candidates are both taken at right
    angles to the waves first. The winner is refined once. It is reported only if it explains more
    than finer waves do, and stands out of the scatter of what is left without it: the median
    absolute deviation, which a second bump does not swell.
    """
    bare, waves = _without_waves(readings, basis)
    step = 360.0 / len(angles)
    widths = step * 2 ** np.arange(0, max(0.0, np.log2(_WIDEST_BUMP_DEG / step)) + 1e-9, 0.5)
    found = _best(bare, angles, waves, angles, widths)
    near = np.linspace(-1, 1, 17)
    finer = np.clip(found.width_deg * 2 ** (near / 2), step, max(step, _WIDEST_BUMP_DEG))
    found = _best(bare, angles, waves, found.place_deg + step * near, finer)

    left = bare - found.height_mm * found.shape
    spare = len(angles) - basis.shape[1] - 3  # place, width and height are fitted too
    finer_basis = _basis(angles, _order(angles, most=6, readings_each=4))
    smooth, _ = _without_waves(readings, finer_basis)
    smooth_spare = len(angles) - finer_basis.shape[1]
    if spare < 1 or left @ left / spare > smooth @ smooth / smooth_spare:
        return None
    scatter = 1.4826 * float(np.median(np.abs(left))) * (len(angles) / spare) ** 0.5
    scatter = max(scatter, _READOUT_SCATTER_MM)
    explained = found.height_mm**2 * (found.shape @ found.shape)
    likelihood = spare * np.log1p(explained / scatter**2 / spare)
    if abs(found.height_mm) < _LEAST_HEIGHT * scatter or likelihood < _LEAST_LIKELIHOOD:
        return None
    return Bump(_turn(found.place_deg), found.height_mm, found.width_deg)


def _without_waves(readings: Array, basis: Array) -> tuple[Array, Array]:
    waves, _ = np.linalg.qr(basis)
    return readings - waves @ (waves.T @ readings), waves


class _Candidate(NamedTuple):
    place_deg: float
    width_deg: float
    height_mm: float
    shape: Array  # of height 1, without its waves


def _best(bare: Array, angles: Array, waves: Array, places: Array, widths: Array) -> _Candidate:
    """The candidate at one of the places, of one of the widths, that explains most."""
    away = np.abs((angles[:, None, None] - places[:, None] + 180) % 360 - 180)
    raised = np.where(away < widths, 0.5 + 0.5 * np.cos(np.pi * away / widths), 0.0)
    candidates = raised.reshape(len(angles), -1)
    shapes = candidates - waves @ (waves.T @ candidates)
    length = np.sqrt((shapes**2).sum(axis=0))
    seen = length > 1e-6  # not one that falls between readings
    explained = np.where(seen, shapes.T @ bare / np.where(seen, length, 1.0), 0.0)
    best = int(np.abs(explained).argmax())
    at, wide = divmod(best, len(widths))
    height = float(explained[best] / length[best]) if seen[best] else 0.0
    return _Candidate(float(places[at]), float(widths[wide]), height, shapes[:, best])


def _checked(readings_mm: Readings) -> Array:
    readings = np.asarray(readings_mm, dtype=float)
    if len(readings) < LEAST_READINGS:
        raise ValueError(
            f"readings_mm: a turn needs at least {LEAST_READINGS} readings, got {len(readings)}"
        )
    if not np.isfinite(readings).all():
        raise ValueError(f"readings_mm: must be finite numbers, got {readings.tolist()}")
    return readings


def _angles(n: int, angles_deg: Sequence[float] | None) -> Array:
    if angles_deg is None:
        return 360.0 * np.arange(n) / n
    angles = np.asarray(angles_deg, dtype=float)
    if len(angles) != n:
        raise ValueError(f"angles_deg: must be one for each of {n} readings, got {len(angles)}")
    return angles % 360.0


def _order(angles: Array, most: int, readings_each: int) -> int:
    """How many waves a turn the positions can carry, 2 to `most`: so many readings for each, and
    no gap wider than half a wave."""
    around = np.sort(angles)
    gap = float(np.diff(around, append=around[0] + 360.0).max())
    if gap > 90.0:
        raise ValueError(
            f"angles_deg: must leave no more than a quarter turn untouched, got a gap of {gap:g}"
        )
    return max(2, min(most, len(angles) // readings_each, int(180 / gap + 1e-9)))


def _basis(angles: Array, order: int) -> Array:
    """Columns 1, cos θ, sin θ, cos 2θ, sin 2θ, …"""
    turns = np.radians(angles)
    columns = [np.ones_like(turns)]
    for k in range(1, order + 1):
        columns += [np.cos(k * turns), np.sin(k * turns)]
    return np.column_stack(columns)


def _fit(readings: Array, basis: Array) -> Array:
    fitted, _, rank, _ = np.linalg.lstsq(basis, readings, rcond=1e-10)
    if rank < basis.shape[1]:
        raise ValueError(
            f"order: {basis.shape[1] // 2} waves a turn need more than {basis.shape[1] - 1} "
            f"readings at different angles, got {len(readings)} that cannot tell them apart"
        )
    return np.asarray(fitted, dtype=float)


def _waves(fitted: Array, order: int) -> list[Harmonic]:
    return [
        Harmonic(k, float(np.hypot(a, b)), _turn(float(np.degrees(np.arctan2(b, a))), k))
        for k, a, b in zip(range(1, order + 1), fitted[1::2], fitted[2::2], strict=True)
    ]


def _turn(angle_deg: float, k: int = 1) -> float:
    """The angle of a wave of k a turn, 0 to 360/k; twice, as -1e-17 leaves 360.0 itself."""
    return float(angle_deg % 360.0 % 360.0 / k)


def _span(values: Array) -> float:
    return round(float(values.max() - values.min()), 9)
