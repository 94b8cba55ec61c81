"""How often confidence limits of capability indices hold the true index: seeded simulation.

    python tests/bench/capability_bench.py [--samples 10000] [--seed 1]

Two-sided 95 % intervals and one-sided 95 % lower bounds. Exact ones should come to 0.95 within
0.0043 (95 % of tables of 10,000 samples), the bound of a two-sided Cpk to that or more. Generalized
intervals of skewed characteristics are drawn for a tenth of the samples, with 1,000 draws each.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.capability.capability import capability_indices
from qc.statistics.capability.skewed import Family, percentile_indices, skewed_capability


def normal_rows(samples: int, rng: np.random.Generator) -> None:
    print("| n | limits about the mean | Cp, exact | Cpu, exact | Cpk, Bissell | Cpk lower bound |")
    print("| --- | --- | --- | --- | --- | --- |")
    for n in (5, 10, 30, 100):
        for centre in (0.0, 1.0):
            lower, upper = -4.0, 4.0 + centre
            true = capability_indices(centre, 1.0, lower=lower, upper=upper)
            held = np.zeros(4)
            for _ in range(samples):
                x = centre + rng.standard_normal(n)
                sd = float(x.std(ddof=1))
                found = capability_indices(float(x.mean()), sd, lower=lower, upper=upper, n=n)
                cp, cpu, cpk = found.cp_interval(), found.cpu_interval(), found.cpk_interval()
                held += (
                    cp.lower <= true.cp <= cp.upper,
                    cpu.lower <= true.cpu <= cpu.upper,
                    cpk.lower <= true.cpk <= cpk.upper,
                    found.cpk_lower_bound() <= true.cpk,
                )
            print(
                "| {} | {:+g}, {:+g} | {:.3f} | {:.3f} | {:.3f} | {:.3f} |".format(
                    n, lower - centre, upper - centre, *(held / samples)
                )
            )


def skewed_rows(samples: int, rng: np.random.Generator) -> None:
    print("\n| n | family | upper limit, true Ppk | interval | lower bound |")
    print("| --- | --- | --- | --- | --- |")
    families: dict[Family, float] = {"lognormal": 0.4, "weibull": 0.6, "rayleigh": 0.5}
    points = np.array([0.0013498980316301, 0.5, 0.9986501019683699])
    for n in (5, 10, 30):
        for family, scale in families.items():
            from scipy.special import ndtri

            logs = ndtri(points) if family == "lognormal" else np.log(-np.log1p(-points))
            low, median, high = np.exp(scale * logs).tolist()
            upper = 1.2 * high
            true = percentile_indices(low, median, high, upper=upper).ppk
            held = np.zeros(2)
            for i in range(samples):
                if family == "lognormal":
                    x = np.exp(scale * rng.standard_normal(n))
                else:
                    x = rng.standard_exponential(n) ** scale
                found = skewed_capability(x, family=family, upper=upper)
                bounds = found.ppk_interval(draws=1000, seed=i)
                held += (
                    bounds.lower <= true <= bounds.upper,
                    found.ppk_lower_bound(draws=1000, seed=i) <= true,
                )
            print(
                f"| {n} | {family} | {true:.3f} | {held[0] / samples:.3f} "
                f"| {held[1] / samples:.3f} |"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    normal_rows(given.samples, rng)
    skewed_rows(max(given.samples // 10, 1), rng)


if __name__ == "__main__":
    main()
