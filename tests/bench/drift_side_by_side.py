"""The engine's first alarm for many streams at once, where all batches weigh the same.

The same rules as `qc/statistics/drift/looks.py` with streams as rows, for simulations that would
take an hour one by one. `drift_runs.py` holds it against the engine before it is used.
"""

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtr

sys.path.insert(0, str(Path(__file__).parents[2]))

from qc.statistics.drift import looks

NEVER = 10**6


def first_alarm(means: NDArray[np.float64], baseline: int = 8) -> NDArray[np.int_]:
    """Place of the batch that made the first event known (NEVER: none); `means`: streams as rows.

    Fine, finite means without ties; no frozen baseline.
    """
    x = means - means[:, :1]
    sums = np.cumsum(np.pad(x, ((0, 0), (1, 0))), axis=1)
    squares = np.cumsum(np.pad(x**2, ((0, 0), (1, 0))), axis=1)
    found = np.full(len(x), NEVER)
    quiet = np.arange(len(x))
    for n in range(looks.LEAST, x.shape[1] + 1):
        total = sums[quiet, n][:, None]
        about = squares[quiet, n][:, None] - total**2 / n
        offsets = looks.offsets_within(n - looks.LEAST_LEVEL)
        k = n - offsets
        first = sums[quiet[:, None], k]
        between = ((total - first) / offsets - first / k) ** 2 * (k * offsets / n)
        step = looks.CHANCE_STEP / max(n - baseline, 1) ** 0.5 * np.minimum(offsets / looks.FULL, 1)
        inside = looks.CHANCE_INSIDE / baseline
        chance = np.where(k < baseline, inside, np.where(offsets == 1, looks.CHANCE_ONE, step))
        if n <= baseline + looks.FOLLOWED:
            early = x[quiet, : min(baseline, n - 1)]
            alone = (early - (total - early) / (n - 1)) ** 2 * ((n - 1) / n)
            between = np.concatenate((between, alone), axis=1)
            chance = np.append(chance, np.full(early.shape[1], inside))
        t = np.sqrt(between * (n - 2) / (about - between))
        row, column = np.nonzero(t > -ndtri(chance / 2))
        counts = 2 * stdtr(n - 2, -t[row, column]) <= chance[column]
        alarmed = np.unique(row[counts])
        found[quiet[alarmed]] = n - 1
        quiet = np.delete(quiet, alarmed)
    return found
