"""Seeded chance: named streams, so that a change in one place moves no number elsewhere.

Batch levels are drawn balanced (shuffled normal quantiles in short blocks) rather than freely.
A half year has some eighty streams; drawn freely, one or two of them would wander far enough for
an alarm that nobody planted and no list of faults could foresee.
"""

import random
from statistics import NormalDist

SEED = 20260504
BLOCK = 6
_STANDARD = NormalDist()


def stream(*name: object) -> random.Random:
    """A generator of its own for everything that carries this name."""
    return random.Random(" ".join(map(str, (SEED, *name))))  # noqa: S311 - no secret is made here


def normal(rng: random.Random, sigma: float) -> float:
    """A normal deviate cut off at 2.5 sigma."""
    return sigma * max(-2.5, min(2.5, _STANDARD.inv_cdf(max(rng.random(), 1e-9))))


def balanced(rng: random.Random, n: int) -> list[float]:
    """The n middle normal quantiles shuffled: mean 0, standard deviation a little under 1."""
    values = [_STANDARD.inv_cdf((i + 0.5) / n) for i in range(n)]
    rng.shuffle(values)
    return values


def levels(rng: random.Random, n: int, sigma: float) -> list[float]:
    """How far each of n batches lies from the model's level."""
    drawn: list[float] = []
    while len(drawn) < n:
        drawn += [sigma * z for z in balanced(rng, BLOCK)]
    return drawn[:n]


def spread(rng: random.Random, n: int, sigma: float) -> list[float]:
    """How far each of a batch's n parts lies from the batch's level."""
    return [sigma * (0.95 * z + normal(rng, 0.25)) for z in balanced(rng, n)]


def in_blocks(rng: random.Random, block: list[float], n: int) -> list[float]:
    """n outcomes: the block again and again, shuffled each time."""
    drawn: list[float] = []
    while len(drawn) < n:
        drawn += rng.sample(block, len(block))
    return drawn[:n]
