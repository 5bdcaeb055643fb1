"""Stability: the line of the result on age, the change it means, and the age up to which a limit is safe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from validation.stats.confidence import Ratio
from validation.stats.estimate import Estimate, Number, centre, check_sizes
from validation.stats.intervals import Interval, fieller, t_quantile

LINE_SOURCE = "ISO Guide 35:2017, 8.5.2 and B.3.2 (formulae B.14 to B.18)"
CHANGE_SOURCE = f"{LINE_SOURCE}; ratio by Fieller 1954 (from memory)"
EXPIRY_SOURCE = "ISO Guide 35:2017, B.3 (formulae B.22 to B.24) with a one-sided t, as ICH Q1E (2003; from memory)"
ON_THE_LINE = (
    "The results lie on the line to the last digit: their scatter is hidden by the rounding, so that no interval can "
    "be formed. Readings with more digits would supply it."
)

NO_START = "The value at age 0 is so uncertain that it may be zero: the relative change has no interval."

#: How the runs stand to the ages: see `stability_line`.
Design = Literal["runs not stated", "one run", "run is the unit", "runs kept apart"]


@dataclass(frozen=True)
class Change(Ratio):
    """A change relative to the value at age 0, by Fieller's theorem.

    Attributes
    ----------
    As `Ratio`: the change over the time asked for, and the value at age 0, in the unit of the results.
    """

    def notes(self, level: float) -> tuple[str, ...]:
        return (NO_START,) if self.interval(level) is None else ()


@dataclass(frozen=True, slots=True, eq=False)
class StabilityLine:
    """Straight line of the result on age. The unit of `intercept` is that of the results, of `slope` that per day.

    Attributes
    ----------
    intercept : fitted value at age 0; where runs are kept apart, the mean over their intercepts
    covariance : shape (2, 2), of intercept and slope
    residual_sd : root of the residual mean square, of readings, or of run means where the run is the unit
    degrees_of_freedom : behind it
    n, units : readings; readings or run means that the line counts
    design : how the runs stand to the ages
    lack_of_fit_p : p-value of the test against the scatter of replicates; None without replicates of one run and age
    fitted : shape (n,), the line (of its own run, where runs are kept apart) at each reading
    studentised : shape (units,), residuals over their standard deviation estimated without them; NaN where undefined
    exact : whether the results lie on the line to rounding
    """

    intercept: float
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    residual_sd: float
    degrees_of_freedom: int
    n: int
    units: int
    design: Design
    lack_of_fit_p: float | None
    fitted: NDArray[np.float64]
    studentised: NDArray[np.float64]
    exact: bool

    def at(self, age: float) -> float:
        """The fitted value at an age."""
        return self.intercept + self.slope * age

    def standard_error_at(self, age: float) -> float:
        """Standard error of the fitted value at an age."""
        (v_a, v_ab), (_, v_b) = self.covariance
        return sqrt(max(0.0, v_a + 2 * age * v_ab + age**2 * v_b))

    def slope_estimate(self) -> Estimate:
        """The slope with its t interval; without one where the results lie on the line."""
        if self.exact:
            return Estimate(self.slope, n=self.n, units=self.units, notes=(ON_THE_LINE,), source=LINE_SOURCE)
        error, df = sqrt(self.covariance[1][1]), float(self.degrees_of_freedom)
        return Estimate.of_mean(self.slope, error, df, n=self.n, units=self.units, source=LINE_SOURCE)

    def change(self, time: float) -> Estimate | None:
        """Change over `time` days relative to the fitted value at age 0, unit 1; None where that value is 0.

        Without an interval where the results lie on the line, and at levels at which the value at age 0 may be zero.
        """
        if self.intercept == 0:
            return None
        rise = self.slope * time
        if self.exact:
            return Estimate(
                rise / self.intercept, n=self.n, units=self.units, notes=(ON_THE_LINE,), source=CHANGE_SOURCE
            )
        (v_a, v_ab), (_, v_b) = self.covariance
        pairs = ((time**2 * v_b, time * v_ab), (time * v_ab, v_a))
        df = float(self.degrees_of_freedom)
        return Estimate(
            rise / self.intercept,
            distribution=Change(rise, self.intercept, pairs, df),
            standard_uncertainty=fieller(rise, self.intercept, pairs, degrees_of_freedom=df).standard_uncertainty,
            degrees_of_freedom=df,
            n=self.n,
            units=self.units,
            source=CHANGE_SOURCE,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    """What a line is fitted to.

    `x`, `y` : shape (units,), age and result (small part) of each unit, a reading or the mean of a run at an age
    `blocks` : shape (units,), which intercept the unit gets
    `where` : shape (n,), the unit of each reading
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    blocks: NDArray[np.int_]
    where: NDArray[np.int_]

    @property
    def degrees_of_freedom(self) -> int:
        return len(self.x) - int(self.blocks.max()) - 2


def stability_line(
    ages: Sequence[float] | NDArray[np.float64], values: Sequence[Number], runs: Sequence[str] | None = None
) -> StabilityLine:
    """Fit the line of the result on age.

    Without runs, or with one (the isochronous design: all ages measured together), each reading counts. Where every
    run holds several ages the runs are kept apart: each gets an intercept of its own, so that what a run adds to its
    results leaves the slope alone. Otherwise an age was measured in a run of its own, whose error shifts all readings
    of that age together: the mean of each run at an age is the unit.

    Parameters
    ----------
    ages : shape (n,), days
    values : shape (n,), floats or exact decimals, one unit
    runs : shape (n,), or None where the runs are not stated

    Returns
    -------
    StabilityLine, in the unit of the values and days

    Raises
    ------
    ValueError
        Lengths differ, ages or values that are not finite, fewer than two different ages, or no more units than
        coefficients (one slope, and an intercept for each run that is kept apart).

    References
    ----------
    ISO Guide 35:2017, 8.3.2 (classical and isochronous), 8.5.2 (line), 8.7.2 (run-to-run variation), B.3.2.

    Examples
    --------
    The assay of one batch in per cent of the label claim, from Statistical Evaluation of Stability Data, Shelf-life
    Estimation for Single Batch (as per ICH/FDA), a printed spreadsheet of 2007: intercept 102.273, slope -0.139 with
    the standard error 0.034, and 64.770 months until its one-sided 95 % bound meets 90 %.

    >>> months = [0, 1, 3, 6, 9, 12, 18, 24, 48, 54]
    >>> assay = [103.50, 104.00, 102.00, 101.85, 100.25, 101.00, 95.00, 98.50, 97.25, 95.00]
    >>> line = stability_line(months, assay)
    >>> f"{line.intercept:.3f} {line.slope:.3f} {line.slope_estimate().standard_uncertainty:.3f}"
    '102.273 -0.139 0.034'
    >>> quantile = t_quantile(0.95, line.degrees_of_freedom)
    >>> f"{first_crossing(line, start=-90, per_intercept=1, sign=1, quantile=quantile):.3f}"
    '64.770'
    """
    age = np.asarray(ages, dtype=float)
    if len(age) != len(values) or (runs is not None and len(runs) != len(age)):
        raise ValueError(f"ages, values and runs must be equally long; got {len(age)} and {len(values)}")
    check_sizes(age, "ages")
    offset, small = centre(values)
    names = ["" for _ in age] if runs is None else list(runs)
    design = _design(age, names, runs is not None)
    cells = list(zip(names, (float(a) for a in age), strict=True))
    points = _points(age, small, names, cells, design)
    if points.degrees_of_freedom < 1 or np.unique(points.x).size < 2:
        raise ValueError(
            f"the line needs two ages or more, and more units than coefficients; got {len(points.x)} units"
        )
    return _fitted(points, cells, small, float(offset), design)


def _points(
    age: NDArray[np.float64],
    small: NDArray[np.float64],
    names: Sequence[str],
    cells: Sequence[tuple[str, float]],
    design: Design,
) -> _Points:
    """Readings, or the mean of each run at an age; one intercept a run where the runs are kept apart."""
    if design == "run is the unit":
        units = sorted(set(cells))
        means = np.array([small[[cell == unit for cell in cells]].mean() for unit in units])
        where = np.array([units.index(cell) for cell in cells])
        return _Points(np.array([a for _, a in units]), means, np.zeros(len(units), dtype=int), where)
    blocks = np.zeros(len(age), dtype=int)
    if design == "runs kept apart":
        order = sorted(set(names))
        blocks = np.array([order.index(name) for name in names])
    return _Points(age, small, blocks, np.arange(len(age)))


def _design(age: NDArray[np.float64], names: Sequence[str], stated: bool) -> Design:
    if not stated:
        return "runs not stated"
    held = {name: {float(a) for a, other in zip(age, names, strict=True) if other == name} for name in set(names)}
    if len(held) == 1:
        return "one run"
    return "runs kept apart" if all(len(ages) > 1 for ages in held.values()) else "run is the unit"


def _fitted(
    points: _Points, cells: Sequence[tuple[str, float]], small: NDArray[np.float64], offset: float, design: Design
) -> StabilityLine:
    """Least squares with one intercept for each block and one slope."""
    y, df = points.y, points.degrees_of_freedom
    scale = float(np.abs(points.x).max()) or 1.0
    count = int(points.blocks.max()) + 1
    matrix = np.column_stack([points.blocks[:, None] == np.arange(count), points.x / scale]).astype(float)
    q, r = np.linalg.qr(matrix)
    beta = _solution(matrix, q, r, y)
    residuals = y - matrix @ beta
    pick = np.zeros((2, count + 1))
    pick[0, :count], pick[1, -1] = 1 / count, 1 / scale
    variance = float(residuals @ residuals) / df
    inverse = np.linalg.inv(r)
    (v_a, v_ab), (v_ba, v_b) = (pick @ (inverse @ inverse.T) @ pick.T * variance).tolist()
    intercept, slope = (float(value) for value in pick @ beta)
    total = float(((y - y.mean()) ** 2).sum())
    exact = float(residuals @ residuals) <= 1e-24 * total or not residuals.any()
    return StabilityLine(
        intercept=offset + intercept,
        slope=slope,
        covariance=((v_a, v_ab), (v_ba, v_b)),
        residual_sd=sqrt(variance),
        degrees_of_freedom=df,
        n=len(small),
        units=len(y),
        design=design,
        lack_of_fit_p=None if exact or design == "run is the unit" else _lack_of_fit(small, cells, residuals, df),
        fitted=offset + (matrix @ beta)[points.where],
        studentised=_studentised(residuals, (q**2).sum(axis=1), variance, df),
        exact=exact,
    )


def _solution(
    matrix: NDArray[np.float64], q: NDArray[np.float64], r: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Least squares by the factors q and r; a second pass carries the digits that the first has lost."""
    beta = np.linalg.solve(r, q.T @ y)
    return beta + np.linalg.solve(r, q.T @ (y - matrix @ beta))


def _lack_of_fit(
    values: NDArray[np.float64], cells: Sequence[tuple[str, float]], residuals: NDArray[np.float64], df: int
) -> float | None:
    """The line against the scatter of replicates of one run and age (Draper and Smith 1998, 2.1, from memory)."""
    codes = np.unique([f"{name}\t{age!r}" for name, age in cells], return_inverse=True)[1]
    means = np.bincount(codes, values) / np.bincount(codes)
    pure, df_pure = float(((values - means[codes]) ** 2).sum()), len(values) - len(means)
    df_lack = df - df_pure
    if df_pure < 1 or df_lack < 1 or pure == 0:
        return None
    ratio = (float(residuals @ residuals) - pure) / df_lack / (pure / df_pure)
    return float(special.fdtrc(df_lack, df_pure, ratio))


def _studentised(
    residuals: NDArray[np.float64], leverage: NDArray[np.float64], variance: float, df: int
) -> NDArray[np.float64]:
    """Externally studentised residuals (Cook and Weisberg 1982, 2.2, from memory)."""
    result = np.full(len(residuals), np.nan)
    if df < 2:
        return result
    room = 1 - leverage
    free = room > 1e-9
    without = np.zeros(len(residuals))
    without[free] = (df * variance - residuals[free] ** 2 / room[free]) / (df - 1)
    live = free & (without > 1e-12 * variance)
    result[live] = residuals[live] / np.sqrt(without[live] * room[live])
    return result


def studentised_critical(units: int, degrees_of_freedom: int, *, alpha: float = 0.05) -> float:
    """Critical value of the largest externally studentised residual, by Bonferroni; two-sided.

    Parameters
    ----------
    units : int, residuals that were looked at
    degrees_of_freedom : of the residual mean square, above 1
    alpha : probability that any of them passes it by chance

    Returns
    -------
    float, unit 1; NaN for degrees of freedom of 1 or less

    Raises
    ------
    None.

    References
    ----------
    Cook and Weisberg, Residuals and Influence in Regression, 1982, 2.2.2 (from memory).
    """
    return float(-t_quantile(alpha / (2 * units), degrees_of_freedom - 1))


def first_crossing(
    line: StabilityLine, *, start: float, per_intercept: float, sign: float, quantile: float
) -> float | None:
    """The first age at which the bound of `start + per_intercept * a + sign * b * age` reaches zero.

    a and b are intercept and slope of the line; the bound lies `quantile` standard errors below. A lower limit L of the
    value itself is start = -L, per_intercept = 1, sign = 1; a loss of the share c is start = 0, per_intercept = c.

    Parameters
    ----------
    line : of the results on age
    start, per_intercept : constant of the bound in the unit of the results, and weight of the intercept
    sign : 1 or -1, the weight of slope times age
    quantile : standard errors that the bound lies below; 0 for the line itself

    Returns
    -------
    The age in days; 0 where the bound is not above zero even at age 0, None where it never reaches zero

    Raises
    ------
    None.

    References
    ----------
    ISO Guide 35:2017, B.3, formulae B.23 and B.24; notes 1 and 2 there.
    """
    (v_a, v_ab), (_, v_b) = line.covariance
    q2 = quantile**2
    level, rise = start + per_intercept * line.intercept, sign * line.slope
    c = level**2 - q2 * per_intercept**2 * v_a
    if level <= 0 or c <= 0:
        return 0.0
    b = level * rise - q2 * per_intercept * sign * v_ab
    a = rise**2 - q2 * v_b
    inside = b * b - a * c
    if inside < -1e-12 * b * b:
        return None
    # c > 0: the roots of a t^2 + 2 b t + c are c / (-b +- root), which is stable for a near zero, too.
    root = sqrt(max(0.0, inside))  # zero where the line itself is asked for, quantile 0, but for rounding
    ages = [c / bottom for bottom in (-b + root, -b - root) if bottom > 0]
    return min(ages, default=None)


@dataclass(frozen=True, slots=True)
class ExpiryResult:
    """How long a value stays within an allowed change.

    Attributes
    ----------
    expiry : in days, without an interval: it is itself the end of a one-sided interval
    capped : the bound does not meet the limit within the ages studied, so that the value is the longest of them
    line_meets : age at which the line itself meets the limit; None where it does not, going either way
    """

    expiry: Estimate
    capped: bool
    line_meets: float | None


def expiry(
    line: StabilityLine, allowed_change: float, longest_age: float, *, one_sided: float = 0.95
) -> ExpiryResult | None:
    """The age at which the one-sided bound of the relative change meets the allowed change, loss or gain.

    Parameters
    ----------
    line : of the results on age
    allowed_change : share of the fitted value at age 0, above 0
    longest_age : the longest age studied, in days; the expiry is never beyond it
    one_sided : level of the one-sided bound

    Returns
    -------
    ExpiryResult, or None where the results lie on the line, so that it has no bound

    Raises
    ------
    ValueError
        The allowed change is not above zero.

    References
    ----------
    ISO Guide 35:2017, B.3; ICH Q1E 2003, appendix B (one-sided 95 % bound; from memory).
    """
    if not (isfinite(allowed_change) and allowed_change > 0):
        raise ValueError(f"allowed_change must be above 0; got {allowed_change}")
    if line.exact:
        return None
    upright = 1.0 if line.intercept > 0 else -1.0

    def earliest(quantile: float) -> float | None:
        share = upright * allowed_change
        ages = [
            first_crossing(line, start=0.0, per_intercept=share, sign=upright * way, quantile=quantile)
            for way in (1.0, -1.0)
        ]
        return min((age for age in ages if age is not None), default=None)

    age = earliest(t_quantile(one_sided, line.degrees_of_freedom))
    capped = age is None or age > longest_age
    value = longest_age if age is None or capped else age
    df = float(line.degrees_of_freedom)
    estimate = Estimate(value, degrees_of_freedom=df, n=line.n, units=line.units, source=EXPIRY_SOURCE)
    return ExpiryResult(estimate, capped, earliest(0.0))


def time_within(interval: Interval, allowed: float) -> float | None:
    """How long a relative drift whose bounds are these stays within `allowed`; None where both bounds are zero.

    Parameters
    ----------
    interval : of the drift, per unit of time
    allowed : share, above 0

    Returns
    -------
    The time in that unit

    Raises
    ------
    None.

    References
    ----------
    Common practice, no source.
    """
    fastest = max(abs(interval[0]), abs(interval[1]))
    return None if fastest == 0 else allowed / fastest
