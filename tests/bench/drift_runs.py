"""How often the drift engine cries wolf, and how soon it sees a shift: seeded simulation.

    python tests/bench/drift_runs.py [--streams 20000] [--seed 1]

The constants of `qc/statistics/drift` were chosen with it.
Streams are independent normal batch means with a standard deviation of 1; a shift is lasting and
counts in those. Every stream goes through the whole engine.
"""

import argparse
import datetime as dt
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.drift.level import BatchPoint, Drift, drift

WATCHED, WITHIN = 26, 6
# of single parts, where batches differ in size; the batches' own sd is 1
WITHIN_SD = 4.0
_DAYS = [dt.date(2026, 1, 1) + dt.timedelta(days=day) for day in range(200)]
_CODES = [f"B{i:03d}" for i in range(200)]


def judged(means: np.ndarray, baseline: int = 12, sizes: np.ndarray | None = None) -> Drift:
    """The engine's answer for a row of batch means; with `sizes` the parts' sd is WITHIN_SD."""
    rows = zip(_CODES, _DAYS, means.tolist(), strict=False)
    if sizes is None:
        return drift([BatchPoint(code, day, 1, mean) for code, day, mean in rows], baseline)
    return drift(
        [
            BatchPoint(*row[:2], int(n), row[2], WITHIN_SD)
            for row, n in zip(rows, sizes, strict=True)
        ],
        baseline,
    )


def upper_limit(hits: int, tries: int) -> float:
    """One-sided exact 95 % upper limit of a share (Clopper-Pearson)."""
    return float(beta.ppf(0.95, hits + 1, tries - hits)) if hits < tries else 1.0


def quiet_runs(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """Share of streams without any change that signal, in the baseline or up to 26 batches on."""
    yield "| baseline | batch means | streams | any signal | upper 95 % | seen in the baseline |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for baseline, kind in (
        *((8, "normal"), (12, "normal"), (20, "normal")),
        *((12, "2 to 40 parts"), (12, "t with 6 degrees")),
    ):
        hits = early = 0
        for _ in range(streams):
            means, sizes = rng.standard_normal(baseline + WATCHED), None
            if kind == "2 to 40 parts":
                sizes = rng.integers(2, 41, len(means))
                means = means + rng.standard_normal(len(means)) * WITHIN_SD / np.sqrt(sizes)
            elif kind != "normal":
                means = rng.standard_t(6, len(means))
            if judged(means, baseline, sizes).signals:
                hits += 1
                first = None if sizes is None else sizes[:baseline]
                early += bool(judged(means[:baseline], baseline, first).signals)
        share, limit, seen = hits / streams, upper_limit(hits, streams), early / streams
        yield f"| {baseline} | {kind} | {streams} | {share:.2%} | {limit:.2%} | {seen:.2%} |"


def shifts(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """Share of shifts seen within six batches, among streams that were quiet before."""
    yield "| baseline | clean batches before | 1 sd | 2 sd | 3 sd | 4 sd |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for baseline, clean in (
        *((8, 8), (8, 16), (12, 12), (12, 22), (12, 38), (20, 20), (20, 30)),
        *((12, 6), (12, 8), (12, 9), (12, 10), (12, 11)),
    ):
        shares = []
        for shift in (1, 2, 3, 4):
            seen = [
                bool(judged(means + shift * (np.arange(clean + WITHIN) >= clean), baseline).signals)
                for means in rng.standard_normal((streams, clean + WITHIN))
                if not judged(means[:clean], baseline).signals
            ]
            shares.append(f"{np.mean(seen):.1%}")
        yield f"| {baseline} | {clean} | {' | '.join(shares)} |"


def estimates(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """How good the description of the change is after 20 clean and quiet batches, 10 shifted."""
    yield "| shift | first batch right | within one | interval holds the shift | mean shift |"
    yield "| --- | --- | --- | --- | --- |"
    for shift in (2, 3, 4, 6):
        right = near = holds = told = 0
        total = 0.0
        for means in rng.standard_normal((streams, 30)):
            change = judged(means + shift * (np.arange(30) >= 20)).change
            if change is None or judged(means[:20]).signals:
                continue
            told += 1
            off = abs(_CODES.index(change.first_batch) - 20)
            right += off == 0
            near += off <= 1
            holds += change.lower <= shift <= change.upper
            total += change.shift
        yield (
            f"| {shift} | {right / told:.1%} | {near / told:.1%} | {holds / told:.1%} "
            f"| {total / told:.2f} |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    rng = np.random.default_rng(chosen.seed)
    for title, table, streams in (
        ("Quiet streams", quiet_runs, chosen.streams),
        ("Seen within six batches", shifts, chosen.streams // 10),
        ("The change described", estimates, chosen.streams // 10),
    ):
        print(f"\n{title}\n")
        for line in table(streams, rng):
            print(line, flush=True)


if __name__ == "__main__":
    main()
