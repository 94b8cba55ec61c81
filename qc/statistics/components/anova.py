"""Analysis of variance by one factor, and by two crossed ones, in exact arithmetic.

Values add up as whole numbers of their last decimal, a float counting as it is printed, so that a
large level costs no digits: the certified sets of NIST come out in full, those at 10¹² included.

References:

1. Fisher (1925), "Statistical Methods for Research Workers"; NIST/SEMATECH e-Handbook 3.2.3.1
   (one factor) and 3.2.3.2 (two crossed factors).
2. NIST Statistical Reference Datasets, analysis of variance (certified sums and ratios).
"""

import math
from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Source:
    """One line of the table: sum of squares (squared unit of the values), degrees of freedom."""

    ss: float
    dof: int

    @property
    def ms(self) -> float:
        """The mean square; NaN without degrees of freedom."""
        return self.ss / self.dof if self.dof else math.nan


@dataclass(frozen=True, slots=True)
class OneWayAnova:
    """Spread between and within groups; `groups` counts the values of each, in order of entry."""

    groups: Mapping[Hashable, int]
    between: Source
    within: Source

    @property
    def total(self) -> Source:
        return Source(self.between.ss + self.within.ss, self.between.dof + self.within.dof)

    @property
    def f(self) -> float:
        """MS between / MS within; infinite when groups differ and nothing varies within them."""
        return variance_ratio(self.between, self.within)

    @property
    def p(self) -> float:
        """The chance of a ratio at least as large if all groups have one mean."""
        return ratio_p(self.f, self.between.dof, self.within.dof)

    @property
    def r_squared(self) -> float:
        """The share of the total sum of squares that lies between groups; NaN if all is equal."""
        return self.between.ss / self.total.ss if self.total.ss else math.nan

    @property
    def residual_sd(self) -> float:
        """The standard deviation within groups, in the unit of the values."""
        return math.sqrt(self.within.ms) if self.within.dof else math.nan


@dataclass(frozen=True, slots=True)
class CrossedAnova:
    """Two crossed factors with `repeats` values in every cell; `residual` is within cells."""

    row_labels: tuple[Hashable, ...]
    column_labels: tuple[Hashable, ...]
    repeats: int
    rows: Source
    columns: Source
    interaction: Source
    residual: Source

    @property
    def total(self) -> Source:
        sources = (self.rows, self.columns, self.interaction, self.residual)
        return Source(math.fsum(s.ss for s in sources), sum(s.dof for s in sources))

    @property
    def pooled_error(self) -> Source:
        """Interaction and residual together, the error of the model without interaction."""
        parts = (self.interaction, self.residual)
        return Source(math.fsum(s.ss for s in parts), sum(s.dof for s in parts))


def one_way_anova(values: Iterable[float | Decimal], groups: Iterable[Hashable]) -> OneWayAnova:
    """One-way analysis of variance of `values`, one group label each; sizes may differ [1].

    ValueError below two groups, for lengths that differ and for values that are not finite.

    >>> table = one_way_anova([1, 2, 3, 2, 3, 4], ["A", "A", "A", "B", "B", "B"])
    >>> table.between.ss, table.within.ss, table.f
    (1.5, 4.0, 1.5)
    """
    whole, scale = whole_numbers(values)
    labels = list(groups)
    if len(labels) != len(whole):
        raise ValueError(f"groups must have one label per value: {len(labels)} for {len(whole)}")
    sizes = Counter(labels)
    if len(sizes) < 2:
        raise ValueError(f"groups must be at least 2: got {len(sizes)}")
    cells = group_squares(whole, labels)
    grand = Fraction(sum(whole) ** 2, len(whole))
    between = Source(float((cells - grand) * scale), len(sizes) - 1)
    within = Source(float((_squares(whole) - cells) * scale), len(whole) - len(sizes))
    return OneWayAnova(dict(sizes), between, within)


def crossed_anova(
    values: Iterable[float | Decimal], *, rows: Sequence[Hashable], columns: Sequence[Hashable]
) -> CrossedAnova:
    """Two-way analysis of variance with interaction, one row and column label per value [1].

    Balanced: every cell needs the same number of values, at least one (with one each the residual
    has no degrees of freedom). ValueError otherwise, and below two rows or columns.
    """
    whole, scale = whole_numbers(values)
    if not len(rows) == len(columns) == len(whole):
        raise ValueError(
            "rows and columns must have one label per value: "
            f"{len(rows)} and {len(columns)} for {len(whole)}"
        )
    row_sizes, column_sizes = Counter(rows), Counter(columns)
    cell_labels = list(zip(rows, columns, strict=True))
    cell_sizes = Counter(cell_labels)
    for name, sizes in (("rows", row_sizes), ("columns", column_sizes)):
        if len(sizes) < 2:
            raise ValueError(f"{name} must be at least 2: got {len(sizes)}")
    n_cells = len(row_sizes) * len(column_sizes)
    if len(cell_sizes) < n_cells or len(set(cell_sizes.values())) > 1:
        counts = [cell_sizes[row, column] for row in row_sizes for column in column_sizes]
        raise ValueError(
            "every cell of rows and columns must hold the same number of values: "
            f"got {min(counts)} to {max(counts)}"
        )
    grand = Fraction(sum(whole) ** 2, len(whole))
    of_rows = group_squares(whole, rows) - grand
    of_columns = group_squares(whole, columns) - grand
    of_cells = group_squares(whole, cell_labels) - grand
    within = _squares(whole) - grand - of_cells
    dof_rows, dof_columns = len(row_sizes) - 1, len(column_sizes) - 1
    return CrossedAnova(
        tuple(row_sizes),
        tuple(column_sizes),
        len(whole) // n_cells,
        Source(float(of_rows * scale), dof_rows),
        Source(float(of_columns * scale), dof_columns),
        Source(float((of_cells - of_rows - of_columns) * scale), dof_rows * dof_columns),
        Source(float(within * scale), len(whole) - n_cells),
    )


def variance_ratio(over: Source, under: Source) -> float:
    """MS of one source over MS of another; infinite over nought, NaN for nought over nought."""
    if under.ms == 0 < over.ms:
        return math.inf
    return over.ms / under.ms if under.ms else math.nan


def ratio_p(f: float, dof_over: int, dof_under: int) -> float:
    """The upper tail of the F distribution; NaN where there is no ratio."""
    from scipy.special import fdtrc

    if math.isnan(f):
        return math.nan
    return float(fdtrc(dof_over, dof_under, f)) if math.isfinite(f) else 0.0


def whole_numbers(values: Iterable[float | Decimal]) -> tuple[list[int], Fraction]:
    """Values as whole multiples of their last decimal, and the square of that unit."""
    exact = [v if isinstance(v, Decimal) else Decimal(repr(float(v))) for v in values]
    for index, value in enumerate(exact):
        if not value.is_finite():
            raise ValueError(f"values must be finite numbers: got {value} at index {index}")
    last = min((int(value.as_tuple().exponent) for value in exact), default=0)
    unit = Fraction(10) ** last
    return [int(Fraction(value) / unit) for value in exact], unit**2


def group_squares(whole: Sequence[int], labels: Sequence[Hashable]) -> Fraction:
    """Σ (total of a group)² / its number."""
    totals: dict[Hashable, int] = defaultdict(int)
    for label, value in zip(labels, whole, strict=True):
        totals[label] += value
    sizes = Counter(labels)
    return sum((Fraction(total**2, sizes[k]) for k, total in totals.items()), Fraction(0))


def _squares(whole: Sequence[int]) -> int:
    return sum(value * value for value in whole)
