"""How often what is said of impact margins holds, and which weak batches are found.

    python tests/bench/margin_coverage.py [--samples 500] [--batches 300] [--seed 1]

Parts are hit up to 12 times on every position, so a result is an interval one hit wide, and
right-censored at 12. A bound holds where it lies at or below the multiple that 90 % of all such
parts survive. "said" is the share of samples that carry a bound from a fitted curve; where there
is none, or fewer than 22 (29) tests, only the one-shape bound is left. Two fits and their integrals
a sample make 10,000 samples a matter of hours; 500 settle a share of 95 % to 1 % (standard error).
"""

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.margins.against_rest import each_against_rest
from qc.statistics.margins.bearing import Fitted, fitted, never_easier_bears
from qc.statistics.margins.curve import survival_curve
from qc.statistics.margins.outcomes import Outcomes, outcomes, shown_at
from qc.statistics.multiple_testing import holm
from qc.statistics.survival.two_batches import log_rank_test

MOST_HITS = 12
Draw = Callable[[np.random.Generator, int], np.ndarray]


def weibull(scale: float, shape: float) -> tuple[str, Draw, float]:
    name = f"Weibull, scale {scale}, shape {shape}"
    truth = scale * (-np.log(0.9)) ** (1 / shape)
    return name, lambda rng, n: scale * rng.weibull(shape, n), truth


def lognormal(median: float, sigma: float) -> tuple[str, Draw, float]:
    name = f"lognormal, median {median}, sigma {sigma}"
    truth = median * np.exp(sigma * norm.ppf(0.1))
    return name, lambda rng, n: median * np.exp(sigma * rng.standard_normal(n)), truth


TRUTHS = (weibull(4, 3), weibull(8, 3), weibull(8, 1.5), lognormal(6, 0.4), lognormal(8, 0.25))


def seen(strengths: np.ndarray) -> Outcomes:
    """What a test of whole hits shows of these strengths."""
    borne = np.minimum(np.ceil(strengths) - 1, MOST_HITS)
    broken = strengths <= MOST_HITS
    return outcomes(survived=borne, failed=np.where(broken, borne + 1, np.nan), damaged=broken)


def bounds(samples: int, seed: int) -> Iterator[str]:
    """Share of bounds at or below the truth. Equal sets of results are worked out once."""
    yield (
        "| truth | 90 % survive | n | said | 90 % holds | 95 % holds | median 95 % bound | "
        "one-shape 95 % holds |"
    )
    yield "| --- | --- | --- | --- | --- | --- | --- | --- |"
    for name, draw, truth in TRUTHS:
        rng = np.random.default_rng(seed)
        for n in (5, 10, 20):
            known: dict[bytes, tuple[float, float, float]] = {}
            found = np.empty((samples, 3))
            for i in range(samples):
                tests = seen(draw(rng, n))
                key = np.sort(tests.survived).tobytes()
                if key not in known:
                    known[key] = _bounds(tests)
                found[i] = known[key]
            fit = ~np.isnan(found[:, 0])
            held = (found <= truth).sum(axis=0) / np.array([fit.sum(), fit.sum(), samples])
            yield (
                f"| {name} | {truth:.2f} | {n} | {fit.mean():.1%} | {held[0]:.1%} | "
                f"{held[1]:.1%} | {np.nanmedian(found[:, 1]):.2f} | {held[2]:.1%} |"
            )


def _bounds(tests: Outcomes) -> tuple[float, float, float]:
    data = tests.censored()
    fit = fitted(data)
    by_curve = [fit.bears(0.9, confidence=c) if isinstance(fit, Fitted) else np.nan
                for c in (0.9, 0.95)]  # fmt: skip
    return by_curve[0], by_curve[1], never_easier_bears(data, 0.9, confidence=0.95) or 0.0


def weak_batches(shops: int, seed: int) -> Iterator[str]:
    """One batch of several bears a part of the multiple: is it called different, after Holm?"""
    yield "| batches | parts each | weak one bears | called | by log-rank | a sound one called |"
    yield "| --- | --- | --- | --- | --- | --- |"
    rng = np.random.default_rng(seed)
    for batches, parts, factor in (
        (30, 5, 0.25), (30, 5, 0.5), (10, 5, 0.5), (10, 3, 0.5), (30, 5, 1.0), (10, 3, 1.0),
    ):  # fmt: skip
        called = np.zeros(3)
        names = np.repeat(np.arange(batches), parts)
        for _ in range(shops):
            strengths = 6 * rng.weibull(3, names.size)
            strengths[names == 0] *= factor
            tests = seen(strengths)
            lower, upper = tests.ends()
            found = each_against_rest(lower=lower, upper=upper, batches=names.tolist())
            weak, *sound = (one.p_adjusted <= 0.05 for one in found)
            called += weak, _log_rank(tests, names), any(sound)
        rates = " | ".join(f"{x:.1%}" for x in called / shops)
        yield f"| {batches} | {parts} | {factor:.0%} | {rates} |"


def _log_rank(tests: Outcomes, names: np.ndarray) -> bool:
    """The same by the log-rank test's normal approximation, the weak batch being the least p."""
    mine = names == 0
    p = log_rank_test(tests.where(mine).censored(), tests.where(~mine).censored(),
                      permutations=1).p_normal  # fmt: skip
    return bool(holm([p] + [1.0] * names.max()).adjusted[0] <= 0.05)


def speed() -> Iterator[str]:
    """Processor seconds for one group of tests: the limit is 0.5."""
    rng = np.random.default_rng(1)
    for n in (30, 3000):
        for kind, tests in (
            ("hits", seen(8 * rng.weibull(3, n))),
            ("rungs", _ladder(rng, n).on_rungs(0.02, (1.0, 1.5))),
        ):
            _group(tests)  # what is imported late is imported
            start = time.process_time()
            _group(tests)
            yield f"{n} tests, {kind}: {time.process_time() - start:.2f} s (limit 0.5 s)"


def _ladder(rng: np.random.Generator, n: int) -> Outcomes:
    rungs = np.arange(1, 4, 0.25)
    place = np.searchsorted(rungs, np.minimum(2.4 * rng.weibull(10, n), rungs[-1]))
    energy = rungs[place] * (1 + rng.normal(0, 0.001, n))
    below = np.where(place > 0, rungs[place - 1] * (1 + rng.normal(0, 0.001, n)), 0)
    return outcomes(survived=below, failed=energy, damaged=np.ones(n, dtype=bool))


def _group(tests: Outcomes) -> None:
    """All that the answer of one group needs."""
    data = tests.censored()
    for multiple in (1.0, 10.0):
        shown_at(tests, multiple)
    curve = survival_curve(data, marks=(1.0, 10.0))
    fit = fitted(data)
    if isinstance(fit, Fitted):
        for confidence in (0.9, 0.95):
            fit.bears(0.9, confidence=confidence)
        for multiple in np.linspace(0.1, curve[-1].multiple, 10).tolist():
            fit.survival_lower_bound(multiple, confidence=0.95)
    lower, upper = tests.ends()
    batches = (np.arange(tests.tests) // max(3, tests.tests // 100)).tolist()
    each_against_rest(lower=lower, upper=upper, batches=batches)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=500)
    parser.add_argument("--batches", type=int, default=300, help="invented shops a row")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    for title, table in (
        ("One group", speed()),
        ("Weak batches", weak_batches(chosen.batches, chosen.seed)),
        ("What 90 % survive", bounds(chosen.samples, chosen.seed)),
    ):
        print(f"\n{title}\n")
        for line in table:
            print(line, flush=True)


if __name__ == "__main__":
    main()
