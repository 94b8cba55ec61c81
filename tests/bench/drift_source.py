"""Whether a move of the rims and a move of a gauge are told apart: seeded simulation.

    python tests/bench/drift_source.py [--streams 2000] [--seed 1]

Batches scatter by 1, parts within them by 2; eighteen batches of ten parts, made and measured two
days apart, the last six of them moved by 4: the rims, or the gauge `A` that measures them from that
day on. A check's error has a standard uncertainty of 0.3, a repeat of one part 0.5, the gauges'
constant errors 0.3.
"""

import argparse
import datetime as dt
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.drift.observed import Check, Measured, Repeat
from qc.statistics.drift.source import Source, rims_or_gauge

BATCHES, MOVED, SHIFT, PARTS, WITHIN = 18, 6, 4.0, 10, 2.0
U_GAUGE, U_CHECK, U_REPEAT = 0.3, 0.3, 0.5
START = dt.datetime(2026, 3, 2, 9, tzinfo=dt.UTC)
KNOWN = (
    "one gauge, nothing else",
    "one gauge, two other models on it",
    "one gauge, batches measured out of order",
    "one gauge, checks every ten days",
    "one gauge, a calibration with adjustment at the end",
    "one gauge, two parts measured again at the end",
    "two gauges, batches in turn",
    "two gauges share every batch",
    "two gauges in turn, checks every ten days",
)


def day(batch: float) -> dt.datetime:
    return START + dt.timedelta(days=2 * batch)


def told(moved: str, known: str, rng: np.random.Generator, shift: float = SHIFT) -> Source:
    """One simulated event, judged."""
    start = day(BATCHES - MOVED)
    error = dict(zip("AB", rng.normal(0, U_GAUGE, 2), strict=True))

    def reads(gauge: str, at: dt.datetime) -> float:
        return float(error[gauge]) + shift * (moved == "gauge" and gauge == "A" and at >= start)

    def cell(model: str, i: int, gauge: str, at: dt.datetime, n: int, level: float) -> Measured:
        mean = level + reads(gauge, at) + rng.normal(0, WITHIN / n**0.5)
        sd = WITHIN * float(rng.chisquare(n - 1) / (n - 1)) ** 0.5
        return Measured(model, f"{model}-{i:02d}", day(i).date(), gauge, at, n, float(mean), sd)

    cells = []
    late = rng.permutation(BATCHES) * 2 if "out of order" in known else np.zeros(BATCHES)
    for model in ("X", "Y", "Z") if "models" in known else ("X",):
        for i in range(BATCHES):
            level = rng.normal() + shift * (
                moved == "rims" and model == "X" and i >= BATCHES - MOVED
            )
            at = day(i + late[i] / 4)
            if "share" in known:
                gauges = ["A", "B"]
            else:
                gauges = ["B"] if "turn" in known and i % 2 else ["A"]
            for gauge in gauges:
                cells.append(cell(model, i, gauge, at, PARTS // len(gauges), level))
    end = day(BATCHES + 1)
    checks, repeats = [], []
    if "checks" in known:
        for k in range(0, 2 * BATCHES, 10):
            at = START + dt.timedelta(days=k, hours=-1)
            for gauge in ("A", "B") if "two gauges" in known else ("A",):
                found = reads(gauge, at) + rng.normal(0, U_CHECK)
                checks.append(Check(gauge, at, float(found), U_CHECK, "as-found"))
    if "calibration" in known:
        found = reads("A", end) + rng.normal(0, U_CHECK)
        checks.append(Check("A", end, float(found), U_CHECK, "as-found"))
        checks.append(Check("A", end, float(rng.normal(0, U_CHECK)), U_CHECK, "as-left"))
    if "again" in known:
        for i in range(2):
            part = rng.normal(0, WITHIN)
            first, last = (
                part + reads("A", at) + rng.normal(0, U_REPEAT / 2**0.5) for at in (day(i), end)
            )
            repeats.append(Repeat("A", day(i), float(first), "A", end, float(last), U_REPEAT))
    return rims_or_gauge("X", cells, {"A": U_GAUGE, "B": U_GAUGE}, checks, repeats)


def answers(streams: int, rng: np.random.Generator) -> Iterator[str]:
    yield "| known | moved | right | wrong | both | cannot tell | interval holds the shift |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for known in KNOWN:
        for moved in ("rims", "gauge"):
            seen: Counter[str] = Counter()
            holds = given = 0
            for _ in range(streams):
                found = told(moved, known, rng)
                seen[found.answer] += 1
                if found.answer == moved:
                    size = found.rims if moved == "rims" else found.gauge
                    given += 1
                    holds += size.lower <= SHIFT <= size.upper
            other = "gauge" if moved == "rims" else "rims"
            shares = (seen[a] / streams for a in (moved, other, "both", "cannot-tell"))
            held = f"{holds / given:.1%}" if given else "-"
            yield f"| {known} | {moved} | {' | '.join(f'{s:.1%}' for s in shares)} | {held} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=2_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    for line in answers(chosen.streams, np.random.default_rng(chosen.seed)):
        print(line, flush=True)


if __name__ == "__main__":
    main()
