"""What drift over 5,000 batches of four characteristics costs, against passes over that table.

    python tests/bench/drift_speed.py [--batches 5000] [--repeats 20]

Two yardsticks, both for four streams: a pass over columns (sort by day, batch means from sums,
their mean, standard deviation and moving ranges), and the same with the columns read from the
points, as every caller has them. Processor time, the least of the repeats. "search" is `watch` on
arrays, "whole" is `drift`, which takes points and gives a band for each. The last two rows are no
part of the sum: streams that never rest cost a few milliseconds an event.
"""

import argparse
import datetime as dt
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.drift.level import BatchPoint, drift
from qc.statistics.drift.partings import stream_of
from qc.statistics.drift.watching import watch
from tests.bench.row import row


def least(repeats: int, run: Callable[[], object]) -> float:
    found = []
    for _ in range(repeats):
        begin = time.process_time()
        run()
        found.append(time.process_time() - begin)
    return min(found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batches", type=int, default=5000)
    parser.add_argument("--repeats", type=int, default=20)
    chosen = parser.parse_args()
    count = chosen.batches
    rng = np.random.default_rng(1)
    days = np.arange(count, dtype=float)
    ns = rng.integers(5, 40, count).astype(float)
    sds = np.full(count, 2.0)
    quiet = rng.standard_normal(count)
    kinds = {
        "quiet": quiet,
        "a step in the middle": quiet + 3.0 * (days >= count / 2),
        "up and back again": quiet + 3.0 * (abs(days - count / 2) < 100),
        "one odd batch": quiet + 12.0 * (days == count // 2),
        "an odd batch in 100": quiet + 12.0 * (days % 100 == 50),
        "a step every 50": quiet + 5.0 * (days % 100 >= 50),
    }
    totals = {name: (means + 400) * ns for name, means in list(kinds.items())[:4]}

    def columns() -> None:
        for total in totals.values():
            order = np.argsort(days, kind="stable")
            means = total[order] / ns[order]
            np.mean(means), np.std(means, ddof=1), np.abs(np.diff(means)).mean()

    def from_points() -> None:
        for points in list(tables.values())[:4]:
            day, means = zip(*((p.made_on.toordinal(), p.mean) for p in points), strict=True)
            ordered = np.array(means)[np.argsort(np.array(day), kind="stable")]
            np.mean(ordered), np.std(ordered, ddof=1), np.abs(np.diff(ordered)).mean()

    first = dt.date(2010, 1, 1)
    tables = {
        name: [
            BatchPoint(f"B{i:05d}", first + dt.timedelta(days=i), int(ns[i]), float(means[i]), 2.0)
            for i in range(count)
        ]
        for name, means in kinds.items()
    }
    yardstick, read = least(chosen.repeats, columns), least(chosen.repeats, from_points)
    print(f"A pass over {count} batches of four characteristics: {yardstick * 1e3:.2f} ms")
    print(f"The same from the points: {read * 1e3:.2f} ms\n")
    print("| stream | events | search | whole |")
    print("| --- | --- | --- | --- |")
    both = [0.0, 0.0]
    for name, means in kinds.items():
        stream, points = stream_of(means, ns, sds), tables[name]
        numbers = least(chosen.repeats, lambda stream=stream: watch(stream, 8))  # type: ignore[misc]
        whole = least(chosen.repeats, lambda points=points: drift(points))  # type: ignore[misc]
        if name in totals:
            both = [both[0] + numbers, both[1] + whole]
        events = len(drift(points).events)
        print(f"| {name} | {events} | {numbers * 1e3:.1f} ms | {whole * 1e3:.1f} ms |")
    print(f"\nThe first four: search {both[0] / yardstick:.0f} passes over columns,", end=" ")
    print(f"whole {both[1] / yardstick:.0f}; {both[1] / read:.1f} passes from the points")
    what = f"drift over {count:,} batches, four characteristics"
    print(row(what, 1e3 * both[0], 1e3 * yardstick, 20, "ms"))


if __name__ == "__main__":
    main()
