"""How often the intervals of a change point hold it: seeded simulation.

    python tests/bench/change_point_bench.py [--series 2000] [--seed 1]

Normal values with a standard deviation of 1 and one shift; 95 % intervals.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.charts.change_point import mean_change


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    print("| values | change at | shift | in the interval | places | among the likely | places |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for n, at in ((20, 10), (40, 20), (40, 10), (100, 30)):
        for shift in (1.0, 2.0, 3.0):
            held, wide, likely, several = 0, 0, 0, 0
            for _ in range(given.series):
                values = rng.standard_normal(n)
                values[at:] += shift
                change = mean_change(values, trim=0.05)
                bounds, places = change.interval(), change.likely_places()
                held += bounds.first <= at <= bounds.last
                wide += bounds.last - bounds.first + 1
                likely += at in places
                several += len(places)
            share = (x / given.series for x in (held, wide, likely, several))
            print(
                "| {} | {} | {:g} | {:.3f} | {:.1f} | {:.3f} | {:.1f} |".format(
                    n, at, shift, *share
                )
            )


if __name__ == "__main__":
    main()
