"""How often confidence limits of a gauge study hold what they bound: seeded simulation.

    python tests/bench/gauge_limits.py [--studies 10000] [--seed 1]

Normal parts, inspectors, interaction and repeats; every study goes through the public function,
once with the interaction kept and once with the handbook's pooling rule. Printed: the share of
studies whose 95 % limits lie above the true value, or below it, in per cent.
"""

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.gauges.crossed import gauge_rr_anova

PARTS, OPERATORS, REPEATS = 10, 3, 2
# variances of part, operator, interaction, repeat
CASES = ((10, 0.5, 0.5, 1), (10, 0.5, 0, 1), (1, 1, 1, 1), (10, 2, 0.1, 0.1), (0.5, 0, 0, 1))
BOUNDED = ("repeatability", "operator", "gauge", "part", "total")


def readings(case: tuple[float, ...], rng: np.random.Generator) -> np.ndarray:
    part, operator, interaction, repeat = np.sqrt(case)
    values = part * rng.standard_normal((PARTS, 1, 1))
    values = values + operator * rng.standard_normal((1, OPERATORS, 1))
    values = values + interaction * rng.standard_normal((PARTS, OPERATORS, 1))
    return (values + repeat * rng.standard_normal((PARTS, OPERATORS, REPEATS))).ravel()


def rows(studies: int, pool_above: float | None, rng: np.random.Generator) -> Iterator[str]:
    labels = {
        "parts": np.repeat(range(PARTS), OPERATORS * REPEATS).tolist(),
        "operators": np.tile(np.repeat(range(OPERATORS), REPEATS), PARTS).tolist(),
    }
    yield f"| part, operator, interaction, repeat | {' | '.join((*BOUNDED, 'part/gauge'))} |"
    yield "| --- " * (len(BOUNDED) + 2) + "|"
    for case in CASES:
        part, operator, interaction, repeat = case
        gauge = operator + interaction + repeat
        true = dict(zip(BOUNDED, (repeat, operator, gauge, part, part + gauge), strict=True))
        missed = np.zeros((len(BOUNDED) + 1, 2))
        for _ in range(studies):
            study = gauge_rr_anova(readings(case, rng), **labels, pool_above=pool_above)
            limits = [(study.interval(name), true[name]) for name in BOUNDED]
            limits.append((study.ratio_interval(), part / gauge))
            for i, (interval, value) in enumerate(limits):
                missed[i] += interval.lower > value, interval.upper < value
        shares = (f"{above:.1f}, {below:.1f}" for above, below in 100 * missed / studies)
        yield f"| {', '.join(f'{v:g}' for v in case)} | {' | '.join(shares)} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    rng = np.random.default_rng(chosen.seed)
    for title, pool_above in (("Interaction kept", None), ("Pooled where p > 0.25", 0.25)):
        print(f"\n{title}, {chosen.studies} studies a row: limits above, below the truth in %\n")
        for line in rows(chosen.studies, pool_above, rng):
            print(line, flush=True)


if __name__ == "__main__":
    main()
