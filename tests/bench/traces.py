"""A million turns of 36 readings, from stored form to numbers: `python tests/bench/traces.py [N]`.

TIR and waves of packed turns, against numpy.ptp and numpy.fft.rfft over the same array; the limit
is 1.5 times. Best of three, alternating.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from qc.physics.turns import tir_of, unpack, waves_of
from tests.bench.row import row


def took(run: Callable[[], object]) -> float:
    began = time.perf_counter()
    run()
    return time.perf_counter() - began


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    array = np.random.default_rng(3).normal(0, 0.05, (count, 36)).astype("<f4")
    stored = [row.tobytes() for row in array]

    def ours() -> None:
        turns = unpack(stored)
        tir_of(turns)
        waves_of(turns)

    def bound() -> None:
        np.ptp(array, axis=1)
        np.fft.rfft(array, axis=1)

    waves_of(array[:10])  # its library is loaded once
    pairs = [(took(ours), took(bound)) for _ in range(3)]
    own, least = (min(column) for column in zip(*pairs, strict=True))
    print(row(f"{count:,} packed turns of 36 readings, to TIR and waves", own, least, 1.5))


if __name__ == "__main__":
    main()
