"""Variance components of nested levels: batches, parts within them, repeats within a part.

Analysis of variance by levels, each nested in the one before, from labels of any depth. The
components solve the equations (mean square = its expectation), which need nothing but the numbers
of values, balanced or not: the method of moments. A negative component is kept for the reader and
counts as 0 in a standard deviation.

References:

1. Searle, Casella & McCulloch (1992), "Variance Components", chapter 3 and section 5.6; the
   expectations for unequal numbers after Gates & Shiue (1962), Technometrics 4:435-443
   (page numbers from memory).
2. NIST/SEMATECH e-Handbook 3.2.3.3 (nested analysis of variance).
"""

import math
from collections import Counter
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from qc.statistics.components.anova import (
    Source,
    group_squares,
    ratio_p,
    variance_ratio,
    whole_numbers,
)
from qc.statistics.components.mean_squares import MeanSquares
from qc.statistics.limits import Interval

RESIDUAL = "residual"


@dataclass(frozen=True, slots=True)
class NestedAnova:
    """Sources by level, outermost first, the last being "residual": the spread of repeats.

    `expectations[i][j]` is what the component of level j counts in the mean square of level i.
    `units` holds the number of batches, parts, … and values.
    """

    names: tuple[str, ...]
    units: tuple[int, ...]
    sources: tuple[Source, ...]
    expectations: tuple[tuple[float, ...], ...]
    balanced: bool

    def source(self, level: str) -> Source:
        """Sum of squares and degrees of freedom of a level."""
        return self.sources[self._index(level)]

    def f(self, level: str) -> float:
        """Mean square of a level over that of the next one inside it.

        Balanced, its distribution is F if the level adds no spread; unbalanced, nearly.
        """
        i = self._index(level)
        if i == len(self.names) - 1:
            raise ValueError(f"the residual has nothing inside it to be compared with: {level}")
        return variance_ratio(self.sources[i], self.sources[i + 1])

    def p(self, level: str) -> float:
        """The chance of such a ratio if the level adds no spread of its own."""
        i = self._index(level)
        return ratio_p(self.f(level), self.sources[i].dof, self.sources[i + 1].dof)

    @property
    def components(self) -> dict[str, float]:
        """Variances by level as the moments give them, in the squared unit of the values.

        NaN from the innermost level without degrees of freedom on outwards.
        """
        found: dict[str, float] = {}
        for i in reversed(range(len(self.names))):
            rest = math.fsum(
                share * found[name]
                for name, share in zip(self.names, self.expectations[i], strict=True)
                if name in found
            )
            own = self.expectations[i][i]
            found[self.names[i]] = (self.sources[i].ms - rest) / own if own else math.nan
        return {name: found[name] for name in self.names}

    @property
    def sds(self) -> dict[str, float]:
        """Standard deviations by level, in the unit of the values; 0 for a negative component."""
        return {
            name: math.nan if math.isnan(variance) else math.sqrt(max(variance, 0.0))
            for name, variance in self.components.items()
        }

    def interval(self, level: str, confidence: float = 0.95) -> Interval:
        """Limits for a component, in the squared unit, cut at 0 (`mean_squares`).

        Exact for the residual. Only for equal numbers: mean squares of unequal ones are neither
        independent nor χ², and ValueError says so; the residual's limits stand in any case.
        """
        i = self._index(level)
        squares = MeanSquares(
            tuple(source.ms for source in self.sources),
            tuple(source.dof for source in self.sources),
        )
        if math.isnan(self.components[level]):
            return Interval(math.nan, math.nan)
        factors = [0.0] * len(self.names)
        factors[i] = 1.0
        if level != RESIDUAL:
            if not self.balanced:
                raise ValueError(f"limits for {level} need equal numbers at every level")
            factors[i], factors[i + 1] = (sign / self.expectations[i][i] for sign in (1, -1))
        limits = squares.interval(factors, confidence)
        return Interval(max(limits.lower, 0.0), max(limits.upper, 0.0))

    def _index(self, level: str) -> int:
        if level not in self.names:
            raise ValueError(f"level must be one of {', '.join(self.names)}: {level!r}")
        return self.names.index(level)


def nested_components(
    values: Iterable[float | Decimal], levels: Mapping[str, Sequence[Hashable]]
) -> NestedAnova:
    """Components of `values` by `levels`, outermost first, one label per value and level.

    Labels of an inner level may be used again in another outer one: part 1 of batch A is not
    part 1 of batch B. Exact sums, so that a large level costs no digits. ValueError without
    levels, for a level named "residual", and where labels and values differ in number.

    >>> weights = [410, 412, 411, 413, 420, 424, 421, 421]
    >>> table = nested_components(weights, {"batch": "AAAABBBB", "part": "11221122"})
    >>> {name: round(variance, 2) for name, variance in table.components.items()}
    {'batch': 49.75, 'part': -1.0, 'residual': 3.0}
    """
    whole, scale = whole_numbers(values)
    names = (*levels, RESIDUAL)
    if len(names) < 2 or RESIDUAL in levels:
        raise ValueError(f"levels must be at least 1, none named residual: {list(levels)}")
    for name, labels in levels.items():
        if len(labels) != len(whole):
            raise ValueError(f"{name} must have one label per value: {len(labels)}, {len(whole)}")
    if not whole:
        raise ValueError("values must be at least 1: got 0")
    # a unit is known by its labels from the outermost level in; level 0 is the whole
    paths = list(zip(*levels.values(), strict=True))
    depth = len(names)
    units = [[path[:level] for path in paths] for level in range(depth)]
    counts = [Counter(level) for level in units]
    corrections = [group_squares(whole, level) for level in units]
    corrections.append(Fraction(sum(value * value for value in whole)))
    numbers = [len(count) for count in counts] + [len(whole)]
    sources = tuple(
        Source(float((corrections[i + 1] - corrections[i]) * scale), numbers[i + 1] - numbers[i])
        for i in range(depth)
    )
    return NestedAnova(
        names,
        tuple(numbers[1:]),
        sources,
        tuple(
            tuple(_expected(counts, len(whole), i, j, sources[i].dof) for j in range(depth))
            for i in range(depth)
        ),
        all(_alike(outer, inner) for outer, inner in pairwise(counts))
        and len(set(counts[-1].values())) == 1,
    )


def _expected(
    counts: Sequence[Counter[tuple[Hashable, ...]]], n: int, i: int, j: int, dof: int
) -> float:
    """What component j counts in mean square i: Σ n_u² (1/n_inner - 1/n_outer) / dof [1].

    Over the units u of level j, with the numbers of values of the units of levels i + 1 and i
    that hold u; each repeat is a unit of its own.
    """
    if j < i or dof == 0:
        return 0.0
    if j == len(counts) - 1:
        return 1.0
    total = Fraction(0)
    for unit, size in counts[j + 1].items():
        inner, outer = counts[i + 1][unit[: i + 1]], counts[i][unit[:i]]
        total += Fraction(size**2, inner) - Fraction(size**2, outer)
    return float(total / dof)


def _alike(outer: Counter[tuple[Hashable, ...]], inner: Counter[tuple[Hashable, ...]]) -> bool:
    """Whether every outer unit holds the same number of inner ones."""
    depth = len(next(iter(outer)))
    return len(set(Counter(unit[:depth] for unit in inner).values())) == 1
