"""Run-out traces with a wanted form or indicator reading, and both worked out from readings.

The once-per-turn part of equally spaced readings is their first Fourier term; what is left after
the mean and that term is the form (least squares on a full turn).
"""

import math
import random
from collections.abc import Sequence
from decimal import Decimal

from generator.chance import normal


def _first_harmonic(values: Sequence[float]) -> list[float]:
    n = len(values)
    turn = [2 * math.pi * i / n for i in range(n)]
    a = 2 / n * sum(v * math.cos(t) for v, t in zip(values, turn, strict=True))
    b = 2 / n * sum(v * math.sin(t) for v, t in zip(values, turn, strict=True))
    return [a * math.cos(t) + b * math.sin(t) for t in turn]


def _span(values: Sequence[float]) -> float:
    return max(values) - min(values)


def form_mm(readings: Sequence[Decimal]) -> float:
    """Largest less smallest of what is left without mean and once-per-turn part."""
    values = [float(reading) for reading in readings]
    return _span([v - h for v, h in zip(values, _first_harmonic(values), strict=True)])


def tir_mm(readings: Sequence[Decimal]) -> Decimal:
    """Total indicator reading."""
    return max(readings) - min(readings)


def _wave(rng: random.Random, n: int, harmonics: range) -> list[float]:
    waves = [(k, (0.5 + rng.random()) / k, 2 * math.pi * rng.random()) for k in harmonics]
    return [
        sum(size * math.cos(k * 2 * math.pi * i / n + phase) for k, size, phase in waves)
        + normal(rng, 0.08)
        for i in range(n)
    ]


def _rounded(values: Sequence[float], places: int) -> list[Decimal]:
    return [round(Decimal(value), places) + Decimal(0) for value in values]


def bare_rim(rng: random.Random, form: float, eccentric: float) -> list[Decimal]:
    """36 readings of a bare rim with this form, set up so far off centre (both in mm)."""
    wave = _wave(rng, 36, range(2, 6))
    left = [v - h for v, h in zip(wave, _first_harmonic(wave), strict=True)]
    scale, phase, offset = form / _span(left), 2 * math.pi * rng.random(), normal(rng, 0.02)
    return _rounded(
        [v * scale + offset + eccentric * math.cos(2 * math.pi * i / 36 - phase)
         for i, v in enumerate(left)],
        3,
    )  # fmt: skip


def wheel(rng: random.Random, tir: float) -> list[Decimal]:
    """32 readings of a wheel on its own axle with this total indicator reading (mm)."""
    wave = _wave(rng, 32, range(1, 6))
    scale, least = tir / _span(wave), min(wave)
    return _rounded([(v - least) * scale - tir / 2 for v in wave], 2)
