"""Run lengths and speed of the run rules.

    python tests/bench/run_rules_bench.py [--streams 20000] [--seed 1]

The first table compares simulated run lengths in control with the exact ones, and gives those of
rule sets that have no exact one here. The second times a million points, beside one NumPy pass
that bounds them (comparing every point with a number) and the time of reading them once.
"""

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.charts.cusum import cusum
from qc.statistics.charts.individuals import ewma
from qc.statistics.charts.run_rule_arl import arl_run_rules
from qc.statistics.charts.run_rules import (
    DEFAULT_TESTS,
    NELSON_ZONES,
    nelson_tests,
    western_electric_rules,
)

SETS = (
    (1,),
    (1, 2),
    DEFAULT_TESTS,
    (1, 2, 5, 6),
    (1, 2, 3, 4),
    (3,),
    (4,),
    (8,),
    tuple(range(1, 9)),
)


def mean_run_length(tests: tuple[int, ...], streams: int, rng: np.random.Generator) -> np.ndarray:
    """One length per stream; a stream that stays quiet for a chunk is continued in memory."""
    lengths = []
    for _ in range(streams):
        points, seen = np.empty(0), 0
        while True:
            points = np.concatenate([points[-20:], rng.standard_normal(400)])
            kept = points.size - 400
            flagged = np.logical_or.reduce(list(nelson_tests(points, tests=tests).values()))
            hits = np.flatnonzero(flagged[kept:])
            if hits.size:
                lengths.append(seen + int(hits[0]) + 1)
                break
            seen += 400
    return np.array(lengths)


def best_of(times: int, work: Callable[[], object]) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken) * 1000


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    print("| Nelson's tests | run length in control | standard error | exact |")
    print("| --- | --- | --- | --- |")
    for tests in SETS:
        lengths = mean_run_length(tests, given.streams, rng)
        error = lengths.std() / lengths.size**0.5
        zones = [NELSON_ZONES.get(test) for test in tests]
        exact = "" if None in zones else f"{arl_run_rules(0.0, [z for z in zones if z]):.1f}"
        print(f"| {tests} | {lengths.mean():.1f} | {error:.1f} | {exact} |")
    x = rng.standard_normal(1_000_000)
    print("\n| a million points | ms |\n| --- | --- |")
    for name, work in (
        ("one comparison pass", lambda: x > 1),
        ("eight Nelson tests", lambda: nelson_tests(x, tests=range(1, 9))),
        ("default tests", lambda: nelson_tests(x)),
        ("four Western Electric rules", lambda: western_electric_rules(x)),
        ("EWMA", lambda: ewma(x, 0.2, 0.0)),
        ("two-sided CUSUM", lambda: cusum(x, target=0.0, k=0.5, h=5.0)),
    ):
        print(f"| {name} | {best_of(5, work):.1f} |")


if __name__ == "__main__":
    main()
