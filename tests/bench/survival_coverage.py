"""How often limits for shares, survival and percentiles hold, and tests of two batches err.

    python tests/bench/survival_coverage.py [--samples 10000] [--seed 1]

Shares by full enumeration, the rest by seeded simulation from a Weibull strength with shape 3,
counted in hits. "hits" is the repeat method: a part is hit up to five times, so that results are
intervals one hit wide, and right-censored at five.
"""

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.bounds.proportions import clopper_pearson_interval, wilson_interval
from qc.statistics.survival.censoring import Censored, interval_censored, right_censored
from qc.statistics.survival.kaplan_meier import kaplan_meier
from qc.statistics.survival.life_fit import fit_weibull
from qc.statistics.survival.turnbull import turnbull
from qc.statistics.survival.two_batches import log_rank_test, scale_ratio_test

SHAPE, MOST_HITS = 3.0, 5


def shares() -> Iterator[str]:
    """Least and mean chance, over true shares 0.002 to 0.998, that a 95 % interval holds."""
    yield "| n | Clopper-Pearson least | mean | Wilson least | mean |"
    yield "| --- | --- | --- | --- | --- |"
    truths = np.linspace(0.002, 0.998, 499)
    for n in (3, 5, 10, 20, 50):
        chances = binom.pmf(np.arange(n + 1), n, truths[:, None])
        row = []
        for interval in (clopper_pearson_interval, wilson_interval):
            limits = np.array([interval(events=x, trials=n) for x in range(n + 1)])
            inside = (limits[:, 0] <= truths[:, None]) & (truths[:, None] <= limits[:, 1])
            held = (chances * inside).sum(axis=1)
            row += [f"{held.min():.1%}", f"{held.mean():.1%}"]
        yield f"| {n} | {' | '.join(row)} |"


def seen(kind: str, strengths: np.ndarray) -> Censored:
    """What a test shows of these strengths."""
    if kind == "complete":
        return right_censored(times=strengths, failed=np.ones(strengths.size))
    if kind == "stopped at 3":
        return right_censored(times=np.minimum(strengths, 3.0), failed=strengths <= 3)
    borne = np.minimum(np.ceil(strengths) - 1, MOST_HITS)
    return interval_censored(lower=borne, upper=np.where(strengths <= MOST_HITS, borne + 1, np.inf))


def lower_bounds(samples: int, rng: np.random.Generator) -> Iterator[str]:
    """Share of samples whose 95 % lower bound lies below the truth."""
    yield "| results | scale | n | what 90 % survive | by ratio | surviving 2 | by ratio |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for kind, scale, sizes in (
        ("complete", 4, (3, 5, 10, 20)),
        ("stopped at 3", 4, (5, 10, 20)),
        ("hits", 4, (3, 5, 10, 20)),
        ("hits", 8, (5, 10, 20)),
    ):
        b10, surviving = scale * (-np.log(0.9)) ** (1 / SHAPE), np.exp(-((2 / scale) ** SHAPE))
        for n in sizes:
            kept = np.zeros(4)
            for strengths in scale * rng.weibull(SHAPE, (samples, n)):
                fit = fit_weibull(seen(kind, strengths))
                kept += (
                    fit.percentile_lower_bound(0.1) <= b10,
                    fit.percentile_interval(0.1, side="lower").lower <= b10,
                    fit.survival_lower_bound(2) <= surviving,
                    fit.survival_interval(2, side="lower").lower <= surviving,
                )
            row = " | ".join(f"{x / samples:.1%}" for x in kept)
            yield f"| {kind} | {scale} | {n} | {row} |"


def curves(samples: int, rng: np.random.Generator) -> Iterator[str]:
    """Share of samples whose pointwise 95 % limits hold the share that survives 3 hits."""
    yield "| curve | results | n | surviving 3: 90 % | 65 % | 30 % |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for name, kind in (("Kaplan-Meier", "complete"), ("Turnbull", "hits")):
        for n in (5, 10, 20, 40):
            row = []
            for truth in (0.90, 0.65, 0.30):
                scale = 3 * (-np.log(truth)) ** (-1 / SHAPE)
                held = 0
                for strengths in scale * rng.weibull(SHAPE, (samples, n)):
                    if name == "Turnbull":
                        low, high = turnbull(seen(kind, strengths)).survival_interval(3)
                    else:
                        curve = kaplan_meier(times=strengths, failed=np.ones(n))
                        low, high = curve.survival_interval(3)
                    held += low <= truth <= high
                row.append(f"{held / samples:.1%}")
            yield f"| {name} | {kind} | {n} | {' | '.join(row)} |"


def two_batches(samples: int, rng: np.random.Generator) -> Iterator[str]:
    """Share of pairs called different at 5 %, alike, and the second half as strong again."""
    yield "| n each | log-rank, alike | different | ratio of scales, alike | different |"
    yield "| --- | --- | --- | --- | --- |"
    for n in (4, 6, 8, 20):
        called = np.zeros(4)
        for _ in range(samples):
            first = seen("hits", 3 * rng.weibull(SHAPE, n))
            strengths = 3 * rng.weibull(SHAPE, n)
            for column, factor in enumerate((1.0, 1.5)):
                second = seen("hits", factor * strengths)
                called[column] += log_rank_test(first, second, permutations=999).p <= 0.05
                called[2 + column] += scale_ratio_test(first, second).p <= 0.05
        yield f"| {n} | " + " | ".join(f"{x / samples:.1%}" for x in called) + " |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    print("\nShares, enumerated\n")
    for line in shares():
        print(line, flush=True)
    for title, table in (
        ("Lower bounds", lower_bounds),
        ("Survival curves", curves),
        ("Two batches", two_batches),
    ):
        print(f"\n{title}\n")
        for line in table(chosen.samples, np.random.default_rng(chosen.seed)):
            print(line, flush=True)


if __name__ == "__main__":
    main()
