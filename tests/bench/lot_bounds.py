"""How sure bounds for a lot and distribution-free bounds really are: every outcome counted.

    python tests/bench/lot_bounds.py

No simulation: for lots, all numbers of bad units and all sample outcomes; for ordered values the
binomial chance itself. The least coverage over all lots must not fall below what was asked for;
how far the mean lies above it is the price of whole numbers.
"""

import sys
from collections.abc import Iterator
from math import comb
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.bounds.order_bounds import distribution_free_bound, distribution_free_interval
from qc.statistics.sampling.lots import nonconforming_at_most, plan_for_lot
from qc.statistics.sampling.risks import SingleSampling


def lots(confidence: float) -> Iterator[str]:
    yield "| lot | sample | least coverage | mean coverage |"
    yield "| --- | --- | --- | --- |"
    for lot in (8, 12, 20, 40, 80, 150):
        for n in sorted({3, 5, lot // 4, lot // 2}):
            bounds = [
                nonconforming_at_most(found=k, n=n, lot_size=lot, confidence=confidence)
                for k in range(n + 1)
            ]
            shares = [
                sum(
                    comb(bad, k) * comb(lot - bad, n - k)
                    for k in range(max(0, n - lot + bad), min(n, bad) + 1)
                    if bad <= bounds[k]
                )
                / comb(lot, n)
                for bad in range(lot + 1)
            ]
            yield f"| {lot} | {n} | {min(shares):.4f} | {sum(shares) / len(shares):.4f} |"


def plans(confidence: float) -> Iterator[str]:
    yield "| lot | reliability | sample | chance to accept a lot with one bad unit too many |"
    yield "| --- | --- | --- | --- |"
    for lot in (5, 10, 20, 50, 100, 500):
        for reliability in (0.8, 0.9, 0.95):
            plan = plan_for_lot(lot_size=lot, reliability=reliability, confidence=confidence)
            bad = next(
                d for d in range(lot + 1) if (lot - d) * 100 < round(reliability * 100) * lot
            )
            chance = float(SingleSampling(plan.n, 0, lot).acceptance_of_lot(bad))
            yield f"| {lot} | {reliability:g} | {plan.n} | {chance:.4f} |"


def ordered(confidence: float) -> Iterator[str]:
    yield "| n | coverage | rank of a bound | its confidence | ranks of an interval | its |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for n in (30, 60, 100, 300):
        for coverage in (0.9, 0.95):
            how = {"coverage": coverage, "confidence": confidence}
            one = distribution_free_bound(range(n), side="lower", **how)
            two = distribution_free_interval(range(n), **how)
            yield (
                f"| {n} | {coverage:g} | {one.lower_rank or 'none'} | {one.achieved:.4f} "
                f"| {two.lower_rank}, {two.upper_rank} | {two.achieved:.4f} |"
            )


def main() -> None:
    for title, table, confidence in (
        ("Upper bound for bad units in a lot, 95 %", lots, 0.95),
        ("Plans by reliability, no bad unit allowed in the sample, 90 %", plans, 0.9),
        ("Ordered values, 95 %", ordered, 0.95),
    ):
        print(f"\n{title}\n")
        for line in table(confidence):
            print(line, flush=True)


if __name__ == "__main__":
    main()
