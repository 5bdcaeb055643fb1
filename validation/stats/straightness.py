"""Is a calibration function a straight line? Ordinary tests, and tests weighted by the spread with the run as the unit.

Readings come as parallel sequences: `x` (reference value of each reading), `y` (response), `levels` (the group each
reading belongs to, codes 0 to L - 1) and `runs` (codes 0 to R - 1, or None). Levels are ordered by code.

Beside statsmodels `compare_f_test`: on a response on 4e8 F is 1e-5 off there, exact here. The bootstrap draws from the
fitted spread, 1999 sets in one array; `scipy.stats.bootstrap` would draw the readings again (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from validation.stats.calibration_readings import CalibrationReadings, Codes, Floats, Ints
from validation.stats.confidence import Share
from validation.stats.estimate import Estimate, Number
from validation.stats.regression import quadratic, straight_line
from validation.stats.variance_function import LinearSdResult, linear_sd, linear_sd_many

LACK_OF_FIT_SOURCE = "Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapter 2 (from memory)"
MANDEL_SOURCE = "ISO 8466-1:1990 (Mandel's comparison; clause from memory)"
BOOTSTRAP_SOURCE = "Davison and Hinkley, Bootstrap Methods and their Application, 1997, chapter 4 (from memory)"

DRAWS = 1999
SEED = 20_260_101
#: Cells times the square of the coefficients that the weighted tests take: half a minute, and the cube of the runs.
MOST_WORK = 1e7
TOO_MANY = "They are made of some sixty runs at most: beyond, refitting every run in each draw would take minutes."
_ROUNDS = 3  # s(x), weights and residuals in turn; the third round no longer moves p in the second decimal


@dataclass(frozen=True, slots=True)
class FTestResult:
    """An F test. `statistic` and `p` are None where it could not be formed; `reason` then says why.

    Attributes
    ----------
    statistic, p : unit 1
    numerator_df, denominator_df : degrees of freedom
    reason : why there is no statistic; empty where there is one
    source : document and clause
    """

    statistic: float | None
    p: float | None
    numerator_df: float
    denominator_df: float
    reason: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class WeightedTestsResult:
    """Weighted lack of fit and curvature, p from a parametric bootstrap of the whole procedure.

    The p are estimates: their interval is what a finite number of draws leaves open. `unit` is "run" or "reading";
    `sd` is the fitted s(x) of one reading (see `sd_from`). The statistics and p are None where they could not be
    formed; `reason` then says why.

    Attributes
    ----------
    draws : of the bootstrap
    unit : "run" or "reading"
    lack_of_fit_df, scatter_df : degrees of freedom
    lack_of_fit_F, curvature_F : unit 1
    lack_of_fit_p, curvature_p : probabilities
    sd : s(x) of one reading, in the unit of y
    sd_from : where its scatter was seen
    reason : why there is no statistic
    notes : whole sentences
    """

    draws: int
    unit: str
    lack_of_fit_df: int
    scatter_df: int
    lack_of_fit_F: float | None = None
    lack_of_fit_p: Estimate | None = None
    curvature_F: float | None = None
    curvature_p: Estimate | None = None
    sd: LinearSdResult | None = None
    sd_from: str = ""
    reason: str = ""
    notes: tuple[str, ...] = ()


def lack_of_fit(x: Sequence[Number], y: Sequence[Number], levels: Codes) -> FTestResult:
    """Ordinary lack of fit of the straight line against the pure error of replicates.

    Parameters
    ----------
    x, y, levels : shape (n,)

    Returns
    -------
    FTestResult; without replicates, with fewer than three levels, or without any scatter `statistic` is None

    Raises
    ------
    ValueError
        Sequences of different lengths, or a value that is not finite.

    References
    ----------
    Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapter 2 (from memory); ISO 11095:1996 (from memory).
    """
    readings = CalibrationReadings.of(x, y, levels, None)
    line, level = bases(readings.x, readings.level, readings.run)
    df1 = level.shape[1]
    df2 = len(readings.x) - line.shape[1] - df1
    small = readings.small[None, :]
    if df1 < 1:
        return FTestResult(None, None, df1, df2, "Fewer than three levels: a bend cannot be seen.", LACK_OF_FIT_SOURCE)
    if df2 < 1:
        return FTestResult(None, None, df1, df2, "No replicates at any level: there is no pure error to compare with.")
    full = np.hstack([line, level])
    if _residual_sums(full, small)[0] <= 1e-24 * float(readings.small @ readings.small):
        return FTestResult(None, None, df1, df2, "The replicates agree to the last digit: there is no pure error.")
    return _f_test(float(model_F(line, full, small)[0]), df1, df2, LACK_OF_FIT_SOURCE)


def model_F(reduced: Floats, full: Floats, y: Floats) -> Floats:
    """F of what a larger model explains of data sets beyond a smaller one.

    Parameters
    ----------
    reduced, full : orthonormal bases, shapes (n, P) and (n, Q), the second spanning the first
    y : shape (studies, n), minus an offset

    Returns
    -------
    shape (studies,), unit 1, never below zero

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    F test of nested linear models (any textbook; common practice).
    """
    left, rest = (_residual_sums(basis, y) for basis in (reduced, full))
    df1, df2 = full.shape[1] - reduced.shape[1], len(full) - full.shape[1]
    return np.maximum(0.0, left - rest) / df1 / (rest / df2)


def mandel(x: Sequence[Number], y: Sequence[Number]) -> FTestResult:
    """Mandel's comparison: the ordinary straight line against the parabola.

    F = ((n - 2) s1^2 - (n - 3) s2^2) / s2^2 on 1 and n - 3 degrees of freedom.

    Parameters
    ----------
    x, y : shape (n,)

    Returns
    -------
    FTestResult; with fewer than four readings or three levels, or no scatter about the parabola, `statistic` is None

    Raises
    ------
    ValueError
        Sequences of different lengths, or a value that is not finite.

    References
    ----------
    ISO 8466-1:1990 (clause from memory).
    """
    xs = np.array([float(value) for value in x])
    if len(xs) < 4 or len(np.unique(xs)) < 3:
        return FTestResult(None, None, 1, len(xs) - 3, "Too few readings or levels for a parabola.", MANDEL_SOURCE)
    line, bend = straight_line(x, y), quadratic(x, y)
    df = bend.degrees_of_freedom
    if bend.residual_sum <= 1e-24 * line.total_sum or bend.residual_sum == 0:
        return FTestResult(None, None, 1, df, "The readings lie on a parabola to the last digit.", MANDEL_SOURCE)
    return _f_test((line.residual_sum - bend.residual_sum) / (bend.residual_sum / df), 1, df, MANDEL_SOURCE)


def weighted_tests(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Codes,
    runs: Codes | None = None,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
) -> WeightedTestsResult:
    """Weighted lack of fit and curvature with the run, where there are runs, as the unit.

    With runs, the cells are the means of run x level; each run keeps an intercept and a slope of its own. Common
    level effects (lack of fit) or a common quadratic term (curvature) are compared with the run x level scatter that
    is left, all weighted by 1 / s(x)^2. Without runs the cells are the readings and the scatter is that of the
    replicates. s(x) = a + b x is fitted by likelihood to that scatter and, where cells hold replicates, to their
    spread too: one shape, two sizes. The reference distribution repeats the whole procedure, fit of s(x) included,
    on `draws` normal data sets without lack of fit.

    Parameters
    ----------
    x, y, levels : shape (n,); x >= 0
    runs : shape (n,), or None; a single run counts as none, with a note
    draws : bootstrap data sets
    seed : of the draws; fixed, so that the same readings give the same p

    Returns
    -------
    WeightedTestsResult; beyond `MOST_WORK`, some sixty runs of eight levels, without tests and with the reason

    Raises
    ------
    ValueError
        Sequences of different lengths, or a value that is not finite.

    References
    ----------
    Davison and Hinkley, Bootstrap Methods and their Application, 1997, chapter 4 (from memory).
    """
    readings = CalibrationReadings.of(x, y, levels, runs)
    unit = "run" if readings.several else "reading"
    cells = Cells.of(readings)
    columns = (2 * len(np.unique(cells.run)) if readings.several else 2) + len(cells.level_x)
    if len(cells.x) * columns**2 > MOST_WORK:
        return WeightedTestsResult(draws, unit, 0, 0, notes=readings.notes, reason=TOO_MANY)
    designs = NestedDesigns.of(cells)
    df1, df2 = designs.lack_of_fit_df, designs.scatter_df
    blank = WeightedTestsResult(draws, unit, df1, df2, notes=(*readings.notes, *_unequal_cells(cells)))
    if df1 < 1:
        return replace(blank, reason="Fewer than three levels (in one run): a bend cannot be seen.")
    if df2 < 1:
        return replace(blank, reason=_no_scatter(unit))
    observed = designs.statistics(cells.y, cells.within)
    if not np.all(np.isfinite(observed.F)):
        return replace(blank, reason="The replicates agree to the last digit: there is no scatter to compare with.")
    beyond = designs.beyond(observed, draws, [seed])[0]
    units = len(np.unique(cells.run)) if readings.several else len(readings.x)
    p = [_bootstrap_p(int(count), draws, len(readings.x), units) for count in beyond]
    sd, sd_from = _sd_of_one_reading(cells, observed, unit)
    return replace(
        blank,
        lack_of_fit_F=float(observed.F[0, 0]),
        lack_of_fit_p=p[0],
        curvature_F=float(observed.F[0, 1]),
        curvature_p=p[1],
        sd=sd,
        sd_from=sd_from,
    )


def weighted_tests_many(readings: CalibrationReadings, *, draws: int, seeds: Sequence[int]) -> tuple[Floats, Floats]:
    """F and p of `weighted_tests` of many calibrations on the same levels and runs: lack of fit, curvature.

    Parameters
    ----------
    readings : `small` of shape (studies, n), with scatter left to compare with
    draws, seeds : int, bootstrap data sets; one seed a study

    Returns
    -------
    F, p : shape (studies, 2), unit 1

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    As `weighted_tests`: parametric bootstrap (Davison and Hinkley 1997, chapter 4; from memory).
    """
    cells = Cells.of(readings)
    designs = NestedDesigns.of(cells)
    observed = designs.statistics(cells.y, cells.within)
    return observed.F, (1 + designs.beyond(observed, draws, seeds)) / (1 + draws)


def sd_of_readings(
    x: Sequence[Number], y: Sequence[Number], levels: Codes, runs: Codes | None = None
) -> LinearSdResult | None:
    """s(x) of one reading from replicates (of the same level, in the same run); None without any replicates.

    Shapes as `weighted_tests`; the unit of y (per unit of x).

    Parameters
    ----------
    x, y, levels : shape (n,), as `weighted_tests`
    runs : shape (n,), or None

    Returns
    -------
    LinearSdResult in the unit of y (per unit of x), or None

    Raises
    ------
    ValueError
        Sequences of different lengths, or a value that is not finite.

    References
    ----------
    As `linear_sd`.

    Examples
    --------
    Seven replicates in each of two sets at one level, Berthouex and Brown 2002, Example 14.1: prints the pooled
    variance 0.13.

    >>> sets = [2.5, 2.7, 2.2, 2.2, 3.1, 2.6, 2.8], [1.6, 1.9, 1.3, 1.7, 2.1, 0.9, 1.8]
    >>> spread = sd_of_readings([1] * 14, [*sets[0], *sets[1]], [0] * 14, [0] * 7 + [1] * 7)
    >>> round(spread.at(1.0) ** 2, 2)
    0.13
    """
    cells = Cells.of_runs(CalibrationReadings.of(x, y, levels, runs))
    return cells.sd_within() if cells.within_df.sum() >= 1 else None


def _f_test(statistic: float, df1: int, df2: int, source: str) -> FTestResult:
    return FTestResult(statistic, float(special.fdtrc(df1, df2, max(0.0, statistic))), df1, df2, source=source)


def _bootstrap_p(beyond: int, draws: int, n: int, units: int) -> Estimate:
    """p = (1 + draws at or beyond) / (1 + draws), with the exact binomial interval of the share it estimates."""
    return Estimate((1 + beyond) / (1 + draws), Share(beyond, draws), n=n, units=units, source=BOOTSTRAP_SOURCE)


def _no_scatter(unit: str) -> str:
    if unit == "reading":
        return "No replicates at any level: there is no scatter to compare a bend with. Read each level at least twice."
    return "Too few runs hold three levels or more: no run x level scatter is left. Add a run over all levels."


# --- cells -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """What the weighted tests compare: means of run x level, or readings; and the spread within cells by level.

    Attributes
    ----------
    x, level, run, count : shape (C,); `count` readings in each
    y : shape (studies, C), of one calibration or of many on the same levels and runs
    level_x, within_df : shape (L,); `within` : shape (studies, L); sums of squares within cells, degrees of freedom
    """

    x: Floats
    level: Ints
    run: Ints
    count: Floats
    y: Floats
    level_x: Floats
    within: Floats
    within_df: Floats

    @classmethod
    def of(cls, readings: CalibrationReadings) -> Cells:
        """Means of run x level where there are several runs, else the readings."""
        return cls.of_runs(readings) if readings.several else cls.of_readings(readings)

    @classmethod
    def of_runs(cls, readings: CalibrationReadings) -> Cells:
        """Means of run x level."""
        x, y, level = readings.x, np.atleast_2d(readings.small), readings.level
        size = int(level.max()) + 1
        keys, inverse = np.unique(readings.run * size + level, return_inverse=True)
        count = np.bincount(inverse).astype(float)
        x_mean, y_mean = np.bincount(inverse, weights=x) / count, _sums(y, inverse, len(keys)) / count
        within = _sums((y - y_mean[:, inverse]) ** 2, level, size)
        within_df = np.asarray(np.bincount(keys % size, weights=count - 1, minlength=size), dtype=float)
        return cls(x_mean, keys % size, keys // size, count, y_mean, _level_means(x, level), within, within_df)

    @classmethod
    def of_readings(cls, readings: CalibrationReadings) -> Cells:
        """Each reading a cell, all of one run."""
        x, y, level = readings.x, np.atleast_2d(readings.small), readings.level
        size = int(level.max()) + 1
        none, one = np.zeros((len(y), size)), np.ones(len(x))
        return cls(x, level, np.zeros_like(level), one, y, _level_means(x, level), none, np.zeros(size))

    def sd_within(self) -> LinearSdResult:
        """s(x) of one reading of the first calibration, from the spread within the cells."""
        return linear_sd(self.level_x, self.within[0], self.within_df)


def _sums(values: Floats, codes: Ints, size: int) -> Floats:
    """Sums of the values of each code, shape (studies, size), from values of shape (studies, n)."""
    return values @ np.equal.outer(codes, np.arange(size)).astype(float)


def _level_means(x: Floats, level: Ints) -> Floats:
    """Mean x of each level; a blank weighed a little below zero counts as zero for the spread."""
    count = np.bincount(level)
    return np.maximum(np.bincount(level, weights=x) / np.maximum(count, 1), 0.0)


def _unequal_cells(cells: Cells) -> tuple[str, ...]:
    if len(np.unique(cells.count)) == 1:
        return ()
    return (
        "The cells of run and level hold from "
        f"{cells.count.min():.0f} to {cells.count.max():.0f} readings: each counts by its number, which is right "
        "for scatter of readings; where runs differ by more than that, fuller cells weigh too much.",
    )


def _sd_of_one_reading(cells: Cells, observed: Statistics, unit: str) -> tuple[LinearSdResult, str]:
    """s(x) of one reading: from replicates within runs where there are any, else from the scatter tested against."""
    if cells.within_df.sum() > 0 and cells.within.sum() > 0:
        return cells.sd_within(), "replicates within runs"
    constant, slope = float(observed.constant[0, 0]), float(observed.slope[0, 0])
    levels = len(np.unique(cells.level))
    df = float(len(cells.x) - levels) if unit == "reading" else float("nan")
    where = "replicates at the levels" if unit == "reading" else "the scatter of run x level about the runs' own lines"
    return LinearSdResult(constant, slope, df, levels), where


# --- designs ---------------------------------------------------------------------------------------------------------


def bases(x: Floats, level: Ints, run: Ints) -> tuple[Floats, Floats]:
    """Orthonormal bases of the runs' own lines and of the common level effects beyond them.

    Parameters
    ----------
    x, level, run : shape (C,)

    Returns
    -------
    shapes (C, P) and (C, Q)

    Raises
    ------
    None.

    References
    ----------
    Any text on linear models (projection on what columns add to others). Not `scipy.linalg.orth`: its limit is relative
    to the largest singular value, so that columns which add nothing give four of rounding (docs/libraries.md).
    """
    dummies = np.equal.outer(run, np.unique(run)).astype(float)
    line = _orthonormal(np.hstack([dummies, dummies * _scaled(x)[:, None]]))
    return line, _orthonormal(np.equal.outer(level, np.unique(level)).astype(float), line)


def _scaled(x: Floats) -> Floats:
    middle = x - x.mean()
    return middle / max(float(np.abs(middle).max()), 1e-300)


def _orthonormal(columns: Floats, against: Floats | None = None) -> Floats:
    """An orthonormal basis of what `columns` add to the orthonormal `against`."""
    if against is not None:
        columns = columns - against @ (against.T @ columns)
        columns = columns - against @ (against.T @ columns)  # twice: once leaves rounding behind
    if columns.shape[1] == 0:
        return columns
    u, size, _ = np.linalg.svd(columns, full_matrices=False)
    return u[:, size > 1e-9]


def _residual_sums(basis: Floats, y: Floats) -> Floats:
    """Sums of squares that an orthonormal basis leaves of data sets, shape (studies, n)."""
    left = y - (y @ basis) @ basis.T
    left = left - (left @ basis) @ basis.T  # twice: once leaves rounding behind
    return (left**2).sum(axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class Statistics:
    """Of B data sets: F of lack of fit and curvature, and constant and slope of s(x).

    Attributes
    ----------
    F : shape (B, 2)
    constant, slope : shape (B, 2): of the scatter of cells, of the spread within cells
    """

    F: Floats
    constant: Floats
    slope: Floats


@dataclass(frozen=True, slots=True, eq=False)
class NestedDesigns:
    """The three nested designs on one set of cells, each an orthonormal basis, applied to many data sets at once.

    Attributes
    ----------
    line : the runs' own lines
    bend : these and one common quadratic term
    full : the lines and the common level effects
    """

    cells: Cells
    line: Floats
    bend: Floats
    full: Floats

    @classmethod
    def of(cls, cells: Cells) -> NestedDesigns:
        """The designs of these cells."""
        line, level = bases(cells.x, cells.level, cells.run)
        bend = _orthonormal((_scaled(cells.x) ** 2)[:, None], line)
        return cls(cells, line, np.hstack([line, bend]), np.hstack([line, level]))

    @property
    def lack_of_fit_df(self) -> int:
        """Level effects beyond the lines."""
        return self.full.shape[1] - self.line.shape[1]

    @property
    def scatter_df(self) -> int:
        """What the level effects leave."""
        return len(self.cells.x) - self.full.shape[1]

    def statistics(self, y: Floats, within: Floats) -> Statistics:
        """F of data sets `y`, shape (B, C), sums of squares `within`, shape (B, L); NaN without scatter."""
        constant, slope = self._spread(y, within)
        if np.any(constant[:, 0] + slope[:, 0] <= 0):
            return Statistics(np.full((len(y), 2), np.nan), constant, slope)
        weights = self._weights(constant, slope)
        reduced, bent, full = (_weighted_fit(basis, weights, y)[0] for basis in (self.line, self.bend, self.full))
        bend_df = max(self.bend.shape[1] - self.line.shape[1], 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            unit = full / self.scatter_df
            F = np.stack([(reduced - full) / self.lack_of_fit_df / unit, (reduced - bent) / bend_df / unit], axis=1)
        return Statistics(F, constant, slope)

    def _spread(self, y: Floats, within: Floats) -> tuple[Floats, Floats]:
        """Constant and slope of s(x): weights, residuals and s(x) in turn, until nothing scatters or it has settled."""
        cells = self.cells
        constant, slope = np.ones((len(y), 2)), np.zeros((len(y), 2))
        if cells.within_df.sum() > 0 and bool(np.all(within.sum(axis=1) > 0)):
            shape = linear_sd_many(cells.level_x, within[:, None, :], cells.within_df[None, None, :])
            constant, slope = (np.repeat(part, 2, axis=1) for part in shape)
        by_level = np.equal.outer(cells.level, np.arange(len(cells.level_x))).astype(float)
        for _ in range(_ROUNDS):
            weights = self._weights(constant, slope)
            _, residuals, leverage = _weighted_fit(self.full, weights, y, leverages=True)
            scatter = (residuals**2 * cells.count) @ by_level
            scatter_df = np.maximum((1 - leverage) @ by_level, 0.0)
            scatter_df = np.where(scatter_df > 1e-9, scatter_df, 0.0)
            sums = np.stack([scatter, within], axis=1)
            df = np.stack([scatter_df, np.broadcast_to(cells.within_df, within.shape)], axis=1)
            constant, slope = linear_sd_many(cells.level_x, sums, df)
            if np.any(constant[:, 0] + slope[:, 0] <= 0):
                break
        return constant, slope

    def _weights(self, constant: Floats, slope: Floats) -> Floats:
        """Weights of the cells, shape (B, C), scaled to a largest of 1: only their ratios matter."""
        sd = constant[:, :1] + slope[:, :1] * self.cells.level_x[self.cells.level]
        weights = self.cells.count / sd**2
        return weights / weights.max(axis=1, keepdims=True)

    def beyond(self, observed: Statistics, draws: int, seeds: Sequence[int]) -> Ints:
        """How many of `draws` data sets without lack of fit reach the F of each data set, shape (B, 2).

        `seeds` : one a data set. In blocks that keep memory small: of data sets, or of the draws of one.
        """
        # A relative 1e-9 keeps exact ties, which rounding of the readings can make, on the side of "as large".
        top, counts = observed.F * (1 - 1e-9), np.zeros(observed.F.shape, dtype=int)
        most = max(1, 4_000_000 // self.full.size)
        together = max(1, most // draws)
        for first in range(0, len(seeds), together):
            studies = range(first, min(first + together, len(seeds)))
            random = [np.random.default_rng(seeds[study]) for study in studies]
            for start in range(0, draws, most):
                size = min(most, draws - start)
                drawn = [self._simulated(observed, i, size, rng) for i, rng in zip(studies, random, strict=True)]
                y, within = (np.concatenate(parts) for parts in zip(*drawn, strict=True))
                F = self.statistics(y, within).F.reshape(len(studies), size, 2)
                counts[studies.start : studies.stop] += (top[studies.start : studies.stop, None] <= F).sum(axis=1)
        return counts

    def _simulated(
        self, observed: Statistics, study: int, size: int, rng: np.random.Generator
    ) -> tuple[Floats, Floats]:
        """`size` data sets without lack of fit with the spread of data set `study`: shapes (size, C) and (size, L)."""
        cells = self.cells
        sd = observed.constant[study][:, None] + observed.slope[study][:, None] * cells.level_x  # (2, L)
        y = rng.standard_normal((size, len(cells.x))) * (sd[0][cells.level] / np.sqrt(cells.count))
        within, some = np.zeros((size, len(cells.level_x))), cells.within_df > 0
        within[:, some] = rng.chisquare(cells.within_df[some], (size, int(some.sum()))) * sd[1][some] ** 2
        return y, within


def _weighted_fit(
    basis: Floats, weights: Floats, y: Floats, *, leverages: bool = False
) -> tuple[Floats, Floats, Floats]:
    """Weighted residual sums (B,), residuals (B, C) and, where asked, leverages (B, C)."""
    turned = basis.T[None, :, :] * weights[:, None, :]  # (B, P, C)
    normal = turned @ basis
    coefficients = np.linalg.solve(normal, turned @ y[:, :, None])[:, :, 0]
    residuals = y - coefficients @ basis.T
    leverage = np.zeros_like(y)
    if leverages:
        leverage = np.einsum("bpc,cp->bc", np.linalg.solve(normal, turned), basis)
    return (weights * residuals**2).sum(axis=1), residuals, leverage
