"""Whether the p-value of a stream's first event holds: shares of quiet streams, seeded.

    python tests/bench/drift_family.py [--streams 10000] [--seed 1]

A p-value holds if at most a share u of quiet streams shows one of u or less.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from drift_runs import judged

from qc.statistics.drift.family import expected_false, first_event_p

LEVELS = (0.001, 0.003, 0.01, 0.03)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    rng = np.random.default_rng(chosen.seed)
    print("| watched | events a stream | by formula | any |", *(f"p ≤ {u} |" for u in LEVELS))
    print("| --- | --- | --- | --- |" + " --- |" * len(LEVELS))
    for watched in (6, 26, 100, 300):
        found = [judged(x) for x in rng.standard_normal((chosen.streams, 8 + watched))]
        p = np.array([first_event_p(one) for one in found])
        events = np.mean([len(one.events) for one in found])
        shares = " | ".join(f"{np.mean(p <= u):.3%}" for u in LEVELS)
        formula, any_event = expected_false(watched), np.mean(p < 1)
        print(f"| {watched} | {events:.4f} | {formula:.4f} | {any_event:.2%} | {shares} |")


if __name__ == "__main__":
    main()
