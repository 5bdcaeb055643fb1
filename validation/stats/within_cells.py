"""A slope within cells: what a covariate explains once the mean of each cell (run and level) is taken away.

Carry-over seen in the order of the results, and drift inside a run, are both such slopes.

Three lines stand for statsmodels `WLS` with a column a cell, which agrees to 9e-14 and takes 0.2 s to import
(docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from validation.stats.detection import noncentrality
from validation.stats.estimate import Estimate, Number, centre
from validation.stats.variance_function import linear_sd

SOURCE = (
    "weighted least squares with one mean for each cell (Draper and Smith 1998, chapters 9 and 23, from memory); "
    "weights 1/s(x)^2"
)
RUNS_SOURCE = "one slope a run, weighted least squares within its cells; Student t over runs (common practice)"
ALIKE = "The results of each cell agree to the last digit: their rounding hides how far they differ."

#: Chance of seeing the effect that `detectable` states.
POWER = 0.90


@dataclass(frozen=True, slots=True, eq=False)
class WithinCellsResult:
    """The slope of the deviations of a result on the deviations of a covariate, both from the mean of their cell.

    Attributes
    ----------
    slope : change of the result per unit of covariate, all cells together
    positions : shape (n,), the readings that entered, as positions in the input
    deviations, covariate : shape (n,), deviations from the cell means, in the units of result and covariate
    scatter : shape (n,), the fitted standard deviation s(x) of each reading, whose inverse square is its weight
    cells : cells that entered
    """

    slope: Estimate
    positions: NDArray[np.int_]
    deviations: NDArray[np.float64]
    covariate: NDArray[np.float64]
    scatter: NDArray[np.float64]
    cells: int

    def detectable(self, *, alpha: float = 0.05, power: float = POWER) -> float | None:
        """The slope that the one-sided t test at `alpha` would find with probability `power`; None without an error."""
        error, df = self.slope.standard_uncertainty, self.slope.degrees_of_freedom
        if error is None or df is None:
            return None
        return noncentrality(df, alpha=alpha, beta=1 - power) * error


def within_cells(
    values: Sequence[Number],
    covariate: Sequence[float] | NDArray[np.float64],
    cells: Sequence[int],
    places: Sequence[float] | NDArray[np.float64],
) -> WithinCellsResult | None:
    """Slope of a result on a covariate, the mean of every cell removed from both.

    Parameters
    ----------
    values : shape (n,), results, floats or exact decimals, one unit
    covariate : shape (n,)
    cells : shape (n,), the code of the cell (run and level) of each reading
    places : shape (n,), 0 or more, where s(x) is read: the level, or the mean result of the material

    Returns
    -------
    WithinCellsResult, or None where no cell holds two readings, the covariate is constant in every cell, or less than
    two degrees of freedom are left. Where nothing scatters the slope has no interval, and a note.

    Raises
    ------
    ValueError
        No values, one that is not finite, or a place below zero.

    References
    ----------
    Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapter 23 (from memory).

    Examples
    --------
    One cell is one straight line: calibration of a thermometer, JCGM 100:2008 (GUM), H.3, prints the slope 0.00218, u
    0.00067.

    >>> t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    >>> correction = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    >>> slope = within_cells(correction, t, [0] * 11, [1.0] * 11).slope
    >>> round(slope.value, 5), round(slope.standard_uncertainty, 5)
    (0.00218, 0.00067)
    """
    x, place = np.asarray(covariate, dtype=float), np.asarray(places, dtype=float)
    codes = np.unique(np.asarray(cells, dtype=int), return_inverse=True)[1]
    counts = np.bincount(codes)
    kept = np.flatnonzero(counts[codes] >= 2)
    if not kept.size:
        return None
    codes = np.unique(codes[kept], return_inverse=True)[1]
    counts = np.bincount(codes)
    _, y = centre([values[int(row)] for row in kept])
    dy = y - (np.bincount(codes, y) / counts)[codes]
    dx = x[kept] - (np.bincount(codes, x[kept]) / counts)[codes]
    df = len(kept) - len(counts) - 1
    if df < 2 or float(np.abs(dx).max()) <= 1e-9 * float(np.abs(x[kept]).max()):
        return None
    at = np.bincount(codes, place[kept]) / counts
    fitted = linear_sd(at.tolist(), np.bincount(codes, dy**2).tolist(), (counts - 1).tolist())
    scatter = fitted.constant + fitted.slope * at[codes]
    if not scatter.max() > 0:
        nothing = Estimate(0.0, n=len(kept), notes=(ALIKE,), source=SOURCE)
        return WithinCellsResult(nothing, kept, dy, dx, scatter, len(counts))
    z, u = dy / scatter, dx / scatter
    information = float(u @ u)
    slope = float(u @ z) / information
    error = sqrt(float(((z - slope * u) ** 2).sum()) / df / information)
    estimate = Estimate.of_mean(slope, error, float(df), n=len(kept), units=len(kept), source=SOURCE)
    return WithinCellsResult(estimate, kept, dy, dx, scatter, len(counts))


@dataclass(frozen=True, slots=True)
class SlopeOverRunsResult:
    """One slope a run, and their mean. `runs` are the codes of the runs that entered, `slopes` theirs.

    Attributes
    ----------
    mean : with its interval over runs
    runs : codes of the runs that entered
    slopes, errors : shape of `runs`, in the unit of the slope
    """

    mean: Estimate
    runs: tuple[int, ...]
    slopes: tuple[float, ...]
    errors: tuple[float, ...]


def slope_over_runs(result: WithinCellsResult, runs: Sequence[int]) -> SlopeOverRunsResult:
    """The mean of the slopes of the runs: a drift need not be the same in each run, so the run is the unit.

    Parameters
    ----------
    result : the slope within cells, no cell of which reaches over two runs
    runs : shape of the input of `within_cells`, the code of the run of each reading

    Returns
    -------
    SlopeOverRunsResult; with one run its own interval, and a note. A run in which the covariate does not vary is left
    out. `errors` are the standard errors of the single slopes at the common residual variance.

    Raises
    ------
    None.

    References
    ----------
    Student's t over runs (common practice).
    """
    if not result.scatter.max() > 0:
        return SlopeOverRunsResult(result.slope, (), (), ())
    codes = np.asarray(runs, dtype=int)[result.positions]
    z, u = result.deviations / result.scatter, result.covariate / result.scatter
    names = np.unique(codes)
    information = np.array([float(u[codes == run] @ u[codes == run]) for run in names])
    live = information > 1e-9 * information.max()
    names, information = names[live], information[live]
    slopes = np.array([float(u[codes == run] @ z[codes == run]) for run in names]) / information
    sigma = (result.slope.standard_uncertainty or 0.0) * sqrt(float(u @ u))
    errors = tuple(float(sigma / sqrt(amount)) for amount in information)
    given = tuple(int(run) for run in names), tuple(float(slope) for slope in slopes), errors
    count = len(names)
    if count == 1:
        note = "There is one run only: the interval holds for that run, not for the runs to come."
        return SlopeOverRunsResult(result.slope.with_notes(note), *given)
    value, error = float(slopes.mean()), float(slopes.std(ddof=1)) / sqrt(count)
    if error == 0:
        return SlopeOverRunsResult(Estimate(value, n=result.slope.n, units=count, notes=(ALIKE,)), *given)
    estimate = Estimate.of_mean(value, error, float(count - 1), n=result.slope.n, units=count, source=RUNS_SOURCE)
    return SlopeOverRunsResult(estimate, *given)
