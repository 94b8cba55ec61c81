"""Whether what changed with a drift is named rightly: seeded simulation.

    python tests/bench/drift_factors.py [--streams 10000] [--seed 1]

Batch means are normal with a standard deviation of 1. A stream has at least twelve clean batches,
then a lasting shift that one of four factors causes; it counts where `drift` signals after the
shift began and not before. Asked is at the signal, and six batches after the shift began.
"""

import argparse
import datetime as dt
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.drift.cells import Cell
from qc.statistics.drift.factors import event_of, offered_by, ranked, what_changed
from qc.statistics.drift.level import BatchPoint, drift
from qc.statistics.drift.mixed import within_batches

LEVELS = {"mould": 4, "crew": 3, "resin_lot": 5, "fibre_lot": 2}
CAUSE, CLEAN, AFTER = "mould", 12, 26
DAYS = [dt.date(2026, 1, 1) + dt.timedelta(days=day) for day in range(400)]
CODES = [f"B{i:03d}" for i in range(400)]


def shuffled(batches: int, levels: int, rng: np.random.Generator) -> list[str]:
    """Levels used side by side, in any order."""
    return [f"L{level}" for level in rng.integers(levels, size=batches)]


def in_turn(batches: int, rng: np.random.Generator, first: int | None = None) -> list[str]:
    """Lots used up one after the other, three to eight batches each; one begins at `first`."""
    starts = np.cumsum(rng.integers(3, 9, batches))
    if first is not None:
        before = np.cumsum(rng.integers(3, 9, batches))
        starts = np.concatenate([first - before, [first], first + starts])
    lots = np.searchsorted(np.sort(starts), np.arange(batches), side="right")
    return [f"L{lot}" for lot in lots]


def caused(kind: str, clean: int, rng: np.random.Generator) -> tuple[list[str], np.ndarray]:
    """Levels of the cause, and which batches it shifts."""
    n, later = clean + AFTER, np.arange(clean + AFTER) >= clean
    levels = shuffled(n, LEVELS[CAUSE], rng)
    if kind == "old level goes off":
        levels[clean] = "L0"
        return levels, later & (np.array(levels) == "L0")
    if kind == "new level, now and then":
        shifted = later & (rng.random(n) < 0.5)
        shifted[clean] = True
        return ["new" if new else old for new, old in zip(shifted, levels, strict=True)], shifted
    if kind == "changed for good":
        return ["new" if new else "old" for new in later], later
    return in_turn(n, rng, first=clean), later


def points(means: np.ndarray) -> list[BatchPoint]:
    rows = zip(CODES, DAYS, means.tolist(), strict=False)
    return [BatchPoint(code, day, 1, mean) for code, day, mean in rows]


def named_first(means: np.ndarray, table: dict[str, dict[str, str]]) -> tuple[bool, int]:
    """Whether the cause is in the first group, and how many factors that group holds."""
    event = event_of(points(means))
    names = [name for name, *_ in ranked(event, offered_by(event.codes, table))[0]]
    return CAUSE in names, len(names)


def lower_limit(hits: int, tries: int) -> float:
    """One-sided exact 95 % lower limit of a share (Clopper-Pearson)."""
    return float(beta.ppf(0.05, hits, tries - hits + 1)) if hits else 0.0


def causes(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """The true cause is in the first group, given detection."""
    yield (
        "| cause | other factors | shift | detected | first group at the signal (lower 95 %) "
        "| six batches on (lower 95 %) | factors in that group |"
    )
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for kind, others in (
        ("new level, now and then", "shuffled"),
        ("changed for good", "shuffled"),
        ("old level goes off", "shuffled"),
        ("new lot, lots in turn", "shuffled"),
        ("new lot, lots in turn", "lots in turn"),
    ):
        for shift in (3.0, 4.0):
            told = [told_of(kind, others, shift, rng) for _ in range(streams)]
            seen = np.array([one for one in told if one is not None])
            at_signal, later = (int(hits) for hits in seen[:, :2].sum(axis=0))
            shares = (
                f"{hits / len(seen):.1%} ({lower_limit(hits, len(seen)):.1%})"
                for hits in (at_signal, later)
            )
            yield (
                f"| {kind} | {others} | {shift:g} | {len(seen)} | {' | '.join(shares)} "
                f"| {seen[:, 2].mean():.2f} |"
            )


def told_of(
    kind: str, others: str, shift: float, rng: np.random.Generator
) -> tuple[bool, bool, int] | None:
    """Named first at the signal, and six batches on; size of that group. None: not found."""
    clean = CLEAN + int(rng.integers(0, 13))
    levels, shifted = caused(kind, clean, rng)
    n = len(levels)
    means = rng.standard_normal(n) + shift * shifted
    events = drift(points(means)).events
    if not events or (at := CODES.index(events[0].known_from)) < clean:
        return None
    by_factor = {
        name: in_turn(n, rng) if others == "lots in turn" else shuffled(n, count, rng)
        for name, count in LEVELS.items()
    } | {CAUSE: levels}
    table = table_of(by_factor)
    first, _ = named_first(means[: at + 1], table)
    return first, *named_first(means[: max(at + 1, clean + 6)], table)


def table_of(by_factor: dict[str, list[str]]) -> dict[str, dict[str, str]]:
    """Batch to factor to level."""
    rows = zip(*by_factor.values(), strict=True)
    return {
        code: dict(zip(by_factor, row, strict=True)) for code, row in zip(CODES, rows, strict=False)
    }


def chances(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """How often factors that cause nothing get a small p."""
    yield "| level | factors | streams | least p at most 0.05 | the same beyond the step |"
    yield "| --- | --- | --- | --- | --- |"
    for level in ("quiet", "stepped by 4"):
        for how in ("shuffled", "lots in turn"):
            small = np.zeros(2)
            for _ in range(streams):
                n, clean = CLEAN + 12, CLEAN
                means = rng.standard_normal(n) + 4.0 * (level != "quiet") * (np.arange(n) >= clean)
                by_factor = {
                    name: in_turn(n, rng) if how == "lots in turn" else shuffled(n, count, rng)
                    for name, count in LEVELS.items()
                }
                rows = what_changed(points(means), table_of(by_factor), drawn=199).rows()
                small += [
                    min(row["p"] for row in rows) <= 0.05,
                    min(row["p_beyond_step"] for row in rows) <= 0.05,
                ]
            shares = " | ".join(f"{hits / streams:.1%}" for hits in small)
            yield f"| {level} | {how} | {streams} | {shares} |"


def within(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """An inspector who reads 1 more than two others; parts scatter by 1.5, batches by 1."""
    yield "| shared | batches | reads more | streams | p at most 0.05 | named | interval holds it |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for shared in (True, False):
        for batches in (10, 24):
            for effect in (0.0, 1.0):
                hits = np.zeros(3)
                for _ in range(streams):
                    cells = inspected(batches, shared, effect, rng)
                    one = within_batches(cells, drawn=199).groups[0][0]
                    third = next(level for level in one.levels if level.level == "I2")
                    hits += [
                        one.p <= 0.05,
                        one.level == "I2",
                        third.lower <= effect <= third.upper,
                    ]
                shares = " | ".join(f"{hit / streams:.1%}" for hit in hits)
                how = "three inspectors a batch" if shared else "one inspector a batch"
                yield f"| {how} | {batches} | {effect:g} | {streams} | {shares} |"


def inspected(batches: int, shared: bool, effect: float, rng: np.random.Generator) -> list[Cell]:
    """Cells of batches whose parts three inspectors share, or that one of them has alone."""
    cells = []
    for i in range(batches):
        level = rng.normal()
        for inspector in range(3) if shared else (i % 3,):
            n = int(rng.integers(2, 9)) * (1 if shared else 3)
            parts = level + effect * (inspector == 2) + 1.5 * rng.standard_normal(n)
            levels = {"inspector": f"I{inspector}"}
            cells.append(Cell(CODES[i], n, float(parts.mean()), float(parts.std(ddof=1)), levels))
    return cells


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    rng = np.random.default_rng(chosen.seed)
    for title, table, streams in (
        ("The true cause among four factors", causes, chosen.streams),
        ("Factors that cause nothing", chances, chosen.streams // 10),
        ("What varies within batches", within, chosen.streams // 10),
    ):
        print(f"\n{title}\n")
        for line in table(streams, rng):
            print(line, flush=True)


if __name__ == "__main__":
    main()
