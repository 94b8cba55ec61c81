"""The linear mixed model with batches random, on cells of parts: exact, by one variance ratio.

A cell is the parts of one batch that share station, inspector and gauge; its number, mean and
standard deviation say all that the model needs of them. A part's reading is

    y = x'β + batch + rest,   batch ~ N(0, between),   rest ~ N(0, within).

With λ = between / within, a batch's cell means have variance within·(diag(1/n) + λ·11'), whose
inverse is closed: diag(n) - λ/(1 + λ·Σn)·nn'. β and `within` have closed forms given λ, so
(restricted) maximum likelihood is a search along one line. Readings need not be touched again.

References:

1. Searle, Casella & McCulloch (1992), "Variance Components", chapter 6 (ML and REML).
2. Harville (1977), J. Am. Stat. Assoc. 72:320-338 (information about the variances).
3. Satterthwaite (1946), Biometrics Bulletin 2:110-114; for contrasts of fixed effects Fai &
   Cornelius (1996), J. Statist. Comput. Simul. 54:363-378.
"""

import math
from dataclasses import dataclass

import numpy as np

from qc.statistics.arguments import Floats
from qc.statistics.drift.splits import Ints
from qc.statistics.limits import Interval


@dataclass(frozen=True, slots=True)
class Cells:
    """Means of `n` parts each, the `batch` (0, 1, …) of each, and the spread inside the cells.

    `squares`: Σ (n - 1)·sd² over the cells whose sd is known, `dof`: Σ (n - 1) over the same.
    """

    mean: Floats
    n: Floats
    batch: Ints
    squares: float
    dof: int

    def by_batch(self, values: Floats) -> Floats:
        """Σ n·value per batch, for one or several columns."""
        rows = self.n[:, None] * values.reshape(len(self.n), -1)
        sums = np.zeros((int(self.batch.max()) + 1, rows.shape[1]))
        np.add.at(sums, self.batch, rows)
        return sums


@dataclass(frozen=True, slots=True)
class MixedFit:
    """Coefficients β with their covariance; variances `between` batches and `within` them."""

    beta: Floats
    covariance: Floats
    between: float
    within: float
    dof: int
    log_likelihood: float
    _carried: Floats
    _sizes: Floats

    def effect(self, contrast: Floats) -> tuple[float, float]:
        """Σ contrast·β and its standard error."""
        variance = float(contrast @ self.covariance @ contrast)
        return float(contrast @ self.beta), math.sqrt(max(variance, 0.0))

    def contrast_dof(self, contrast: Floats) -> float:
        """Satterthwaite's degrees of freedom [3], from the expected information [2].

        Without spread between batches those of the residual.
        """
        if self.between == 0:
            return float(self.dof)
        c, k, between, within = self.covariance, self._carried, self.between, self.within
        d = self._sizes / (within + between * self._sizes)
        ck = c @ (k.T @ k)
        # traces of P·ZZ' and of (P·ZZ')², P being the projection of [1], chapter 6
        one = float(np.sum(d) - np.trace(ck))
        two = float(np.sum(d**2) - 2 * np.trace(c @ (k.T @ (d[:, None] * k))) + np.trace(ck @ ck))
        mixed = (one - between * two) / within
        own = (self.dof - 2 * between * one + between**2 * two) / within**2
        information = np.array([[two, mixed], [mixed, own]]) / 2
        variance = float(contrast @ c @ contrast)
        by_between = float(np.sum((k @ (c @ contrast)) ** 2))
        slope = np.array([by_between, (variance - between * by_between) / within])
        spread = float(slope @ np.linalg.solve(information, slope))
        return min(2 * variance**2 / spread, float(self.dof)) if spread > 0 else float(self.dof)

    def interval(self, contrast: Floats, confidence: float = 0.95) -> Interval:
        """Two-sided t limits for Σ contrast·β."""
        from scipy.special import stdtrit

        middle, se = self.effect(contrast)
        half = float(stdtrit(self.contrast_dof(contrast), (1 + confidence) / 2)) * se
        return Interval(middle - half, middle + half)

    def p(self, contrast: Floats) -> float:
        """Two-sided t test of Σ contrast·β = 0; NaN where nothing scatters."""
        from scipy.special import stdtr

        middle, se = self.effect(contrast)
        if se == 0:
            return math.nan
        return 2 * float(stdtr(self.contrast_dof(contrast), -abs(middle) / se))


def fit_mixed(cells: Cells, design: Floats, *, restricted: bool = True) -> MixedFit:
    """REML (or ML) fit of cell means on the columns of `design`, the first of them ones.

    ValueError where the columns depend on each other or no degree of freedom is left.
    """
    from scipy.optimize import minimize_scalar

    sums = _Sums.of(cells, design)
    if sums.dof < 1:
        raise ValueError(
            f"a mixed model of {design.shape[1]} coefficients needs more readings: "
            f"{len(cells.n)} cells, {cells.dof} degrees of freedom inside them"
        )
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ValueError("columns of the design must not depend on each other")
    usual = float(np.mean(sums.sizes))
    grid = np.concatenate([[0.0], np.geomspace(1e-5, 1e5, 81) / usual])
    deviance = [sums.deviance(ratio, restricted) for ratio in grid]
    at = int(np.argmin(deviance))
    ratio = 0.0
    if at > 0:
        around = np.log(grid[max(at - 1, 1)]), np.log(grid[min(at + 1, len(grid) - 1)])
        found = minimize_scalar(
            lambda log: sums.deviance(math.exp(log), restricted),
            bounds=around,
            method="bounded",
            options={"xatol": 1e-10},
        )
        ratio = math.exp(found.x)
    return sums.fit(ratio, restricted)


@dataclass(frozen=True, slots=True)
class _Sums:
    """All that the likelihood needs: sums over cells, and per batch."""

    xx: Floats
    xy: Floats
    yy: float
    batch_x: Floats
    batch_y: Floats
    sizes: Floats
    squares: float
    readings: int
    level: float

    @classmethod
    def of(cls, cells: Cells, design: Floats) -> "_Sums":
        level = float(cells.mean[0])
        y = cells.mean - level
        weighted = cells.n[:, None] * design
        return cls(
            weighted.T @ design,
            weighted.T @ y,
            float(np.sum(cells.n * y**2)),
            cells.by_batch(design),
            cells.by_batch(y)[:, 0],
            cells.by_batch(np.ones(len(y)))[:, 0],
            cells.squares,
            len(y) + cells.dof,
            level,
        )

    @property
    def dof(self) -> int:
        return self.readings - len(self.xy)

    def solved(self, ratio: float) -> tuple[Floats, Floats, float]:
        """X'V⁻¹X, β and the weighted residual sum of squares at variance ratio λ."""
        shrink = ratio / (1 + ratio * self.sizes)
        xvx: Floats = self.xx - self.batch_x.T @ (shrink[:, None] * self.batch_x)
        xvy = self.xy - self.batch_x.T @ (shrink * self.batch_y)
        yvy = self.yy - float(np.sum(shrink * self.batch_y**2))
        beta = np.asarray(np.linalg.solve(xvx, xvy), dtype=float)
        return xvx, beta, max(yvy - float(xvy @ beta), 0.0) + self.squares

    def deviance(self, ratio: float, restricted: bool) -> float:
        """-2 log-likelihood, `within` being at its best."""
        xvx, _, left = self.solved(ratio)
        spread = float(np.sum(np.log1p(ratio * self.sizes)))
        free = self.dof if restricted else self.readings
        value = free * (1 + math.log(2 * math.pi * max(left, 1e-300) / free)) + spread
        return value + (float(np.linalg.slogdet(xvx)[1]) if restricted else 0.0)

    def fit(self, ratio: float, restricted: bool) -> MixedFit:
        xvx, beta, left = self.solved(ratio)
        within = left / (self.dof if restricted else self.readings)
        covariance = np.asarray(np.linalg.inv(xvx) * within, dtype=float)
        carried = self.batch_x / (max(within, 1e-300) * (1 + ratio * self.sizes))[:, None]
        beta[0] += self.level
        log_likelihood = -self.deviance(ratio, restricted) / 2
        return MixedFit(
            beta, covariance, ratio * within, within, self.dof, log_likelihood, carried, self.sizes
        )
