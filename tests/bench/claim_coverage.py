"""How often the supported claim keeps its word: `python tests/bench/claim_coverage.py [SAMPLES]`.

Simulated makers of k batches, equal or unequal in size, with a spread between batches of `ratio`
times that within. A claim keeps its word when at least 95 % of the maker's parts to come lie at or
below it (plus its tolerance); that should happen with 95 % confidence. Printed per row: the share
that did.

The limit is that of `qc.statistics.claims.limits` without searching for it: the claim keeps its
word exactly when the pivots put no more than 95 % below the true 95 % point. 10,000 makers a row
take a quarter of an hour.
"""

import math
import sys

import numpy as np
from scipy.special import ndtr, ndtri

from qc.statistics.claims.pivots import pivots

SIZES = {
    "3 each": [3], "10 each": [10], "20 each": [20], "3 to 20": [3, 20, 5, 12, 8, 16],
    "1 and 20": [1, 20], "1 each": [1],
}  # fmt: skip
KEPT_WITH = 0.95


def kept(k: int, sizes: list[int], ratio: float, samples: int, rng: np.random.Generator) -> float:
    """The share of makers whose claim keeps its word."""
    ns = np.resize(sizes, k)
    z = float(ndtri(0.95))
    limit = z * math.hypot(ratio, 1)
    means = ratio * rng.standard_normal((samples, k))
    means += rng.standard_normal((samples, k)) / np.sqrt(ns)
    dof = int(ns.sum()) - k
    within = rng.chisquare(dof, samples) / dof if dof else np.zeros(samples)
    good = 0
    for mean, variance in zip(means, within, strict=True):
        variances = [float(variance) if n > 1 else None for n in ns]
        found = pivots(ns.tolist(), mean.tolist(), variances)
        room = limit - found.centre
        below = float(np.sum(found.weight * ndtr((room - z * found.spread) / found.doubt)))
        good += below >= KEPT_WITH
    # the limit (95 % quantile of the pivots) is at or above L when no more than 95 % lie below L
    return 1 - good / samples


def main() -> None:
    samples = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    rng = np.random.default_rng(2026)
    error = 100 * math.sqrt(0.95 * 0.05 / samples)
    print(f"{samples:,} makers a row; nominal 95 %, standard error {error:.2f} points")
    print("batches  parts      ratio 0   ratio 0.5   ratio 2")
    lowest = 1.0
    for k in (6, 12, 26):
        for name, sizes in SIZES.items():
            shares = [kept(k, sizes, ratio, samples, rng) for ratio in (0, 0.5, 2)]
            lowest = min(lowest, *shares)
            cells = "   ".join(f"{100 * share:7.2f} %" for share in shares)
            print(f"{k:7}  {name:9}{cells}", flush=True)
    print(f"lowest: {100 * lowest:.2f} %")


if __name__ == "__main__":
    main()
