"""Charts of counts: c and u (findings), p and np (parts that do not conform).

Three-sigma limits about the mean count, by the Poisson variance for findings and the binomial one
for parts; a lower limit that would be negative is 0, an upper limit of a share at most 1.

References: [1] NIST/SEMATECH e-Handbook, 6.3.3.1 (c, u) and 6.3.3.2 (p, np). [2] Montgomery,
D. C., "Introduction to Statistical Quality Control", chapter 7.
"""

import numpy as np
from numpy.typing import ArrayLike

from qc.statistics.arguments import Floats, not_negative, row, same_length
from qc.statistics.charts.panel import Panel


def c_chart(counts: ArrayLike, *, centre: float | None = None) -> Panel:
    """Number of findings per sample of constant size: c̄ ± 3√c̄ [1].

    `counts`: shape (m,), not negative. `centre`: a mean count given instead of c̄.

    >>> chart = c_chart([16, 14, 28, 16, 12, 10])
    >>> float(chart.centre[0]), float(chart.upper[0]), chart.beyond().tolist()
    (16.0, 28.0, [])
    """
    found = _counts("counts", counts)
    mean = float(found.mean()) if centre is None else not_negative("centre", centre)
    return Panel.of(found, mean, max(mean - 3 * mean**0.5, 0.0), mean + 3 * mean**0.5)


def u_chart(counts: ArrayLike, sizes: ArrayLike, *, centre: float | None = None) -> Panel:
    """Findings per unit in samples of `sizes` units (> 0, not always whole): ū ± 3√(ū/n) [2].

    `counts`, `sizes`: shape (m,), or one size for all. `centre`: findings per unit, given
    instead of ū.
    """
    found, size = _counts("counts", counts), _sizes(counts, sizes)
    mean = float(found.sum() / size.sum()) if centre is None else not_negative("centre", centre)
    half = 3 * np.sqrt(mean / size)
    return Panel.of(found / size, mean, np.maximum(mean - half, 0), mean + half)


def p_chart(rejects: ArrayLike, sizes: ArrayLike, *, centre: float | None = None) -> Panel:
    """Share of parts that do not conform: p̄ ± 3√(p̄(1 - p̄)/n) [1].

    `rejects`: how many of the `sizes` parts inspected, shape (m,); one size may serve for all.
    `centre`: a share given instead of p̄ = Σrejects/Σsizes.

    >>> chart = p_chart([12, 15, 8, 10], 50)
    >>> round(float(chart.centre[0]), 3), round(float(chart.upper[0]), 4)
    (0.225, 0.4022)
    """
    found, size, share = _shares(rejects, sizes, centre)
    half = 3 * np.sqrt(share * (1 - share) / size)
    return Panel.of(found / size, share, np.maximum(share - half, 0), np.minimum(share + half, 1))


def np_chart(rejects: ArrayLike, sizes: ArrayLike, *, centre: float | None = None) -> Panel:
    """Number of parts that do not conform: np̄ ± 3√(np̄(1 - p̄)) [2].

    As `p_chart`, in parts; `centre` is still the share.
    """
    found, size, share = _shares(rejects, sizes, centre)
    half = 3 * np.sqrt(size * share * (1 - share))
    middle = size * share
    return Panel.of(found, middle, np.maximum(middle - half, 0), np.minimum(middle + half, size))


def _counts(name: str, values: ArrayLike) -> Floats:
    found = row(name, values)
    if (found < 0).any():
        raise ValueError(f"{name} must not be negative: got {found.min():g}")
    return found


def _sizes(counts: ArrayLike, sizes: ArrayLike) -> Floats:
    size = np.asarray(sizes, dtype=float)
    if size.ndim == 0:
        size = np.full(np.shape(counts), float(size))
    size = row("sizes", size)
    same_length(counts=row("counts", counts), sizes=size)
    if (size <= 0).any():
        raise ValueError(f"sizes must be above 0: got {size.min():g}")
    return size


def _shares(
    rejects: ArrayLike, sizes: ArrayLike, centre: float | None
) -> tuple[Floats, Floats, float]:
    found, size = _counts("rejects", rejects), _sizes(rejects, sizes)
    if (found > size).any():
        odd = int(np.argmax(found > size))
        raise ValueError(
            f"rejects must not exceed the parts inspected: {found[odd]:g} of {size[odd]:g}"
        )
    share = float(found.sum() / size.sum()) if centre is None else centre
    if not 0 <= share <= 1:
        raise ValueError(f"centre must be a share from 0 to 1: {share}")
    return found, size, share
