"""What batches in order of making share, as stretches: which level held from where to where."""

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from qc.catalog.catalog import Catalog

Row = dict[str, Any]

# levels for each batch, above which a factor rather counts the batches
MOST_DIFFERENT = 0.8


def factor_runs(catalog: Catalog, batches: Sequence[str]) -> list[Row]:
    """A row for each factor that varies among these batches, those that change least first.

    `runs` are stretches of batches of one level (`level` None where it is not known), by place
    from `start` to `end`, both included. A factor that is different in (nearly) every batch,
    such as a counter of shots, is left out: it says nothing of when something changed.
    """
    entries = [catalog.batch(code) for code in batches]
    names = sorted({name for entry in entries if entry for name in entry.factors})
    rows: list[Row] = []
    for name in names:
        levels = [entry.factors.get(name) if entry else None for entry in entries]
        known = [level for level in levels if level is not None]
        if 1 < len(set(known)) <= MOST_DIFFERENT * len(known):
            rows.append({"factor": name, "levels": len(set(known)), "runs": _runs(levels)})
    return sorted(rows, key=lambda row: (len(row["runs"]), row["factor"]))


def _runs(levels: Sequence[str | None]) -> list[Row]:
    runs: list[Row] = []
    at = 0
    for level, same in groupby(levels):
        length = len(list(same))
        runs.append({"level": level, "start": at, "end": at + length - 1})
        at += length
    return runs
