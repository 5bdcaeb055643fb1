"""Straight lines of several oils or fuels side by side: their slopes, and each slope over that of the reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from validation.stats.estimate import Estimate, Number, centre, check_sizes
from validation.stats.two_means import ALIKE, FIELLER, paired_ratio, ratio_of_means
from validation.stats.variance_function import linear_sd

BY_RUN = "weighted least squares in each run, Student t over runs (common practice)"
POOLED = "weighted least squares, scatter pooled over all lines (common practice)"
RATIO_POOLED = f"{FIELLER} on the slopes of one weighted fit"
ONE_RUN = (
    "There is one run only in which this line can be drawn: its slope has no interval; further runs would supply it."
)
NO_FREEDOM = "As many coefficients as readings: no scatter is left from which to form an interval."
EQUAL_WEIGHTS = "No scatter over the levels could be fitted: the lines weight all readings equally."
NOT_TOGETHER = (
    "It was read in {shared} together with the reference: what changes from run to run is then part of the "
    "ratio, and no interval is formed. Interleaved in the same runs, both would supply one."
)

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = a + b x, compared with the line of the reference.

    Attributes
    ----------
    name : of the line
    slope : unit of y per unit of x
    ratio : slope over the slope of the reference; None for the reference itself, and where no ratio exists
    intercept : the same for all lines where it is common; mean over runs, or of the one fit
    run_slopes : one a run, None where it cannot be drawn there; empty where readings were taken together
    rows, ratio_rows : positions of the readings that the slope and the ratio rest on
    """

    name: str
    slope: Estimate
    ratio: Estimate | None
    intercept: float
    run_slopes: tuple[float | None, ...]
    rows: tuple[int, ...]
    ratio_rows: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class LinesResult:
    """Straight lines side by side.

    Attributes
    ----------
    lines : in order of first appearance; one that cannot be drawn is absent
    runs : names of the runs, in order of first appearance; empty where readings were taken together
    residuals : of each reading from its fitted line, in the order given; nan where it entered no line
    notes : whole sentences for every quantity
    """

    lines: tuple[Line, ...]
    runs: tuple[str, ...]
    residuals: Array
    notes: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(line.name for line in self.lines)

    def line(self, name: str) -> Line:
        """The line of this name, which must be there."""
        return self.lines[self.names.index(name)]


@dataclass(frozen=True, slots=True)
class _Fit:
    names: tuple[str, ...]
    intercepts: Array
    slopes: Array
    unscaled: Array  # (X' W X)^-1 of the slopes
    residual_sum: float
    degrees_of_freedom: int
    total_sum: float
    residuals: Array
    entered: NDArray[np.bool_]


def level_weights(
    levels: Sequence[float] | Array, results: Sequence[Number], lines: Sequence[str]
) -> tuple[Array, tuple[str, ...]]:
    """1 / s(x)^2 for each reading, s(x) = a + b x fitted to the scatter of each line at each level.

    Parameters
    ----------
    levels, results, lines : shape (n,): level, result and line of each reading

    Returns
    -------
    weights : shape (n,), scaled to a mean of 1; equal where no scatter can be fitted
    notes : sentences where they are equal, or where the fitted scatter sits at a bound

    Raises
    ------
    ValueError
        No readings, or one that is not finite.

    References
    ----------
    As for the weights of the calibration line: Davidian and Carroll 1987 (from memory). With runs, what changes from
    run to run is part of this scatter; weights that are not quite right cost a little sharpness, and nothing else.
    """
    x = np.asarray(levels, dtype=float)
    y = centre(results, "results")[1]
    places = np.unique(x)
    sums, freedom = np.zeros(len(places)), np.zeros(len(places))
    names = np.asarray(lines, dtype=object)
    for name in dict.fromkeys(lines):
        for i, place in enumerate(places):
            cell = y[(names == name) & (x == place)]
            if len(cell) > 1:
                sums[i] += float(((cell - cell.mean()) ** 2).sum())
                freedom[i] += len(cell) - 1
    if places.min() < 0 or np.count_nonzero(freedom) < 2 or not sums.any():
        return np.ones(len(x)), (EQUAL_WEIGHTS,)
    fitted = linear_sd(places, sums, freedom)
    sd = fitted.constant + fitted.slope * x
    if sd.min() <= 0:
        return np.ones(len(x)), (EQUAL_WEIGHTS,)
    weights = 1 / sd**2
    return weights / weights.mean(), fitted.notes


def slope_ratios_by_run(
    levels: Sequence[float] | Array,
    results: Sequence[Number],
    lines: Sequence[str],
    runs: Sequence[str],
    *,
    reference: str,
    weights: Sequence[float] | Array | None = None,
    common_intercept: bool = False,
) -> LinesResult:
    """Slopes in each run, their means, and the ratio of the means by Fieller's theorem from the paired slopes.

    All readings of a run share its calibration, which moves the slopes of all lines together: the run is the unit,
    and what a run does to both slopes falls out of their ratio.

    Parameters
    ----------
    levels, results, lines, runs : shape (n,); results as floats or exact decimals
    reference : the line that the others are compared with
    weights : shape (n,), proportional to 1 / variance; None: all 1
    common_intercept : one intercept for all lines of a run (the oil is the same), instead of one each

    Returns
    -------
    LinesResult. A ratio is formed over the runs that hold both lines; with fewer than two of them it has no interval.

    Raises
    ------
    ValueError
        Shapes differ, or the reference is not among the lines that can be drawn.

    References
    ----------
    Fieller 1954, J. R. Statist. Soc. B 16, 175; slope-ratio comparison with a common intercept: Finney, Statistical
    Method in Biological Assay, 3rd ed. 1978, chapter 7 (from memory).
    """
    x, y, offset, w = _checked(levels, results, lines, weights, runs)
    line, run = np.asarray(lines, dtype=object), np.asarray(runs, dtype=object)
    names_of_runs = tuple(dict.fromkeys(runs))
    fits = {name: _fit(x, y, line, w, run == name, common_intercept) for name in names_of_runs}
    drawn = [name for name in dict.fromkeys(lines) if any(fit and name in fit.names for fit in fits.values())]
    if reference not in drawn:
        raise ValueError(f"the reference {reference!r} has no line in any run: it needs two levels or more there")
    by_run = {name: [fit if fit and name in fit.names else None for fit in fits.values()] for name in drawn}
    slopes = {name: [_slope(fit, name) for fit in by_run[name]] for name in drawn}
    rows = {name: [_rows(fit, line, name, common_intercept) for fit in by_run[name]] for name in drawn}

    def of_name(name: str) -> Line:
        ratio, ratio_rows = (None, ()) if name == reference else _run_ratio(slopes, rows, name, reference)
        intercept = offset + _mean([_intercept(fit, name) for fit in by_run[name]])
        slope = _mean_slope(slopes[name], rows[name])
        return Line(name, slope, ratio, intercept, tuple(slopes[name]), _union(rows[name]), ratio_rows)

    return LinesResult(
        lines=tuple(of_name(name) for name in drawn),
        runs=tuple(str(name) for name in names_of_runs),
        residuals=_residuals(len(x), list(fits.values())),
        notes=_runs_left_out(slopes, names_of_runs, drawn, reference),
    )


def _residuals(n: int, fits: Sequence[_Fit | None]) -> Array:
    residuals = np.full(n, np.nan)
    for fit in fits:
        if fit is not None:
            residuals[fit.entered] = fit.residuals
    return residuals


def slope_ratios(
    levels: Sequence[float] | Array,
    results: Sequence[Number],
    lines: Sequence[str],
    *,
    reference: str,
    weights: Sequence[float] | Array | None = None,
    common_intercept: bool = False,
) -> LinesResult:
    """The same from independent readings without runs: one weighted fit, scatter pooled over all lines.

    Parameters
    ----------
    levels, results, lines : shape (n,); results as floats or exact decimals
    reference, weights, common_intercept : as for `slope_ratios_by_run`

    Returns
    -------
    LinesResult. `units` of an estimate is the smallest number of readings that a line holds at a level. Without
    intervals where no scatter is left.

    Raises
    ------
    ValueError
        Shapes differ, or the reference is not among the lines that can be drawn.

    References
    ----------
    Fieller 1954, J. R. Statist. Soc. B 16, 175; Finney 1978, chapter 7 (from memory).

    Examples
    --------
    With one line it is that line's own: calibration of a thermometer, JCGM 100:2008 (GUM), H.3: prints the slope
    0.00218, u 0.00067.

    >>> t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    >>> correction = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    >>> slope = slope_ratios(t, correction, ["thermometer"] * 11, reference="thermometer").lines[0].slope
    >>> round(slope.value, 5), round(slope.standard_uncertainty, 5)
    (0.00218, 0.00067)
    """
    x, y, offset, w = _checked(levels, results, lines, weights, None)
    line = np.asarray(lines, dtype=object)
    fit = _fit(x, y, line, w, np.ones(len(x), dtype=bool), common_intercept)
    if fit is None or reference not in fit.names:
        raise ValueError(f"the reference {reference!r} has no line: it needs two levels or more")
    home = fit.names.index(reference)
    units = [_replicates(x[fit.entered & (line == name)]) for name in fit.names]
    rows = [_rows(fit, line, name, common_intercept) for name in fit.names]

    def of_name(i: int) -> Line:
        slope = _pooled_slope(fit, i, len(rows[i]), units[i])
        both = () if i == home else _union([rows[i], rows[home]])
        ratio = None if i == home else _pooled_ratio(fit, i, home, len(both), min(units[i], units[home]))
        return Line(fit.names[i], slope, ratio, offset + float(fit.intercepts[i]), (), rows[i], both)

    return LinesResult(tuple(of_name(i) for i in range(len(rows))), (), _residuals(len(x), [fit]))


def _checked(
    levels: Sequence[float] | Array,
    results: Sequence[Number],
    lines: Sequence[str],
    weights: Sequence[float] | Array | None,
    runs: Sequence[str] | None,
) -> tuple[Array, Array, float, Array]:
    x = np.asarray(levels, dtype=float)
    shapes = {len(x), len(results), len(lines), *([] if runs is None else [len(runs)])}
    shapes |= set() if weights is None else {len(weights)}
    if len(shapes) != 1:
        raise ValueError(f"levels, results, lines, runs and weights must have one length; got {sorted(shapes)}")
    offset, y = centre(results, "results")
    w = np.ones(len(x)) if weights is None else np.asarray(weights, dtype=float)
    check_sizes(x, "levels")
    if not (w > 0).all():
        raise ValueError("levels must be finite and weights positive")
    return x, y, float(offset), w


def _fit(x: Array, y: Array, line: NDArray, w: Array, rows: NDArray[np.bool_], common: bool) -> _Fit | None:
    """One weighted fit of all lines that these rows can draw; None where they can draw none."""
    names = [
        name
        for name in dict.fromkeys(line[rows])
        if (np.any(x[rows & (line == name)] != 0) if common else len(np.unique(x[rows & (line == name)])) > 1)
    ]
    if not names:
        return None
    entered = rows & (np.isin(line, names) | (common & (x == 0)))
    of, at = line[entered], x[entered]
    indicators = np.column_stack([of == name for name in names]).astype(float)
    scale = float(np.abs(at).max())
    constants = np.ones((len(at), 1)) if common else indicators
    design = np.hstack([constants, indicators * (at / scale)[:, None]])
    root = np.sqrt(w[entered] / w[entered].mean())
    weighted = design * root[:, None]
    inverse, rank = linalg.pinv(weighted, return_rank=True)
    if rank < design.shape[1]:
        return None
    coefficients = inverse @ (y[entered] * root)
    first = constants.shape[1]
    residuals = y[entered] - design @ coefficients
    centred = y[entered] - np.average(y[entered], weights=root**2)
    return _Fit(
        names=tuple(names),
        intercepts=np.repeat(coefficients[:1], len(names)) if common else coefficients[:first],
        slopes=coefficients[first:] / scale,
        unscaled=(inverse @ inverse.T)[first:, first:] / scale**2,
        residual_sum=float(((residuals * root) ** 2).sum()),
        degrees_of_freedom=len(at) - design.shape[1],
        total_sum=float(((centred * root) ** 2).sum()),
        residuals=residuals,
        entered=entered,
    )


def _slope(fit: _Fit | None, name: str) -> float | None:
    return None if fit is None else float(fit.slopes[fit.names.index(name)])


def _intercept(fit: _Fit | None, name: str) -> float | None:
    return None if fit is None else float(fit.intercepts[fit.names.index(name)])


def _rows(fit: _Fit | None, line: NDArray, name: str, common: bool) -> tuple[int, ...]:
    """Readings that the line of this name rests on: its own; with a common intercept those of the other names too."""
    if fit is None:
        return ()
    return tuple(int(i) for i in np.flatnonzero(fit.entered if common else fit.entered & (line == name)))


def _union(groups: Sequence[Sequence[int]]) -> tuple[int, ...]:
    return tuple(sorted({row for group in groups for row in group}))


def _mean(values: Sequence[float | None]) -> float:
    known = [value for value in values if value is not None]
    return sum(known) / len(known)


def _mean_slope(slopes: Sequence[float | None], rows: Sequence[Sequence[int]]) -> Estimate:
    of_runs = np.array([value for value in slopes if value is not None])
    p, n, value = len(of_runs), len(_union(rows)), float(of_runs.mean())
    if p == 1:
        return Estimate(value, n=n, units=1, notes=(ONE_RUN,), source=BY_RUN)
    error = float(of_runs.std(ddof=1)) / sqrt(p)
    if error <= 1e-13 * abs(value):
        return Estimate(value, n=n, units=p, notes=(ALIKE,), source=BY_RUN)
    return Estimate.of_mean(value, error, float(p - 1), n=n, units=p, source=BY_RUN)


Rows = dict[str, list[tuple[int, ...]]]


def _run_ratio(
    slopes: dict[str, list[float | None]], rows: Rows, name: str, reference: str
) -> tuple[Estimate | None, tuple[int, ...]]:
    """The ratio over the runs that hold both lines, and the readings behind it."""
    pairs = list(zip(slopes[name], slopes[reference], strict=True))
    shared = [i for i, pair in enumerate(pairs) if None not in pair]
    if len(shared) > 1:
        used = _union([rows[key][i] for key in (name, reference) for i in shared])
        top, bottom = ([float(slopes[key][i] or 0.0) for i in shared] for key in (name, reference))
        if _vanishes(sum(bottom), [*top, *bottom]):
            return None, ()
        return paired_ratio(top, bottom, n=len(used), what="slope ratio"), used
    used = _union([*rows[name], *rows[reference]])
    top_mean, bottom_mean = _mean(slopes[name]), _mean(slopes[reference])
    if _vanishes(bottom_mean, [top_mean]):
        return None, ()
    note = NOT_TOGETHER.format(shared="one run" if shared else "no run")
    plain = Estimate(top_mean / bottom_mean, n=len(used), units=len(shared) or None, notes=(note,), source=BY_RUN)
    return plain, used


def _vanishes(value: float, beside: Sequence[float] | Array) -> bool:
    """Whether a slope is zero but for the rounding of a fit."""
    return abs(value) <= 1e-13 * max(abs(float(other)) for other in beside)


def _runs_left_out(
    slopes: dict[str, list[float | None]], runs: Sequence[str], names: Sequence[str], reference: str
) -> tuple[str, ...]:
    """Runs that do not serve a line, named once each."""
    notes = []
    for name in names:
        lacking = [str(run) for run, value in zip(runs, slopes[name], strict=True) if value is None]
        if lacking:
            place = f"{name} (the reference)" if name == reference else str(name)
            notes.append(f"No line of {place} can be drawn in run {', '.join(lacking)}: such a run is left out there.")
    return tuple(notes)


def _replicates(levels: Array) -> int:
    """The smallest number of readings at a level."""
    return int(np.unique(levels, return_counts=True)[1].min()) if len(levels) else 0


def _scatter(fit: _Fit) -> float | None:
    """Residual variance, None where none is left or nothing but rounding."""
    if fit.degrees_of_freedom < 1 or fit.residual_sum <= 1e-24 * fit.total_sum:
        return None
    return fit.residual_sum / fit.degrees_of_freedom


def _pooled_slope(fit: _Fit, i: int, n: int, units: int) -> Estimate:
    value, variance = float(fit.slopes[i]), _scatter(fit)
    if variance is None:
        note = NO_FREEDOM if fit.degrees_of_freedom < 1 else ALIKE
        return Estimate(value, n=n, units=units, notes=(note,), source=POOLED)
    error = sqrt(variance * float(fit.unscaled[i, i]))
    return Estimate.of_mean(value, error, float(fit.degrees_of_freedom), n=n, units=units, source=POOLED)


def _pooled_ratio(fit: _Fit, i: int, home: int, n: int, units: int) -> Estimate | None:
    top, bottom = float(fit.slopes[i]), float(fit.slopes[home])
    if _vanishes(bottom, fit.slopes):
        return None
    variance = _scatter(fit)
    if variance is None:
        note = NO_FREEDOM if fit.degrees_of_freedom < 1 else ALIKE
        return Estimate(top / bottom, n=n, units=units, notes=(note,), source=RATIO_POOLED)
    covariance = variance * fit.unscaled[np.ix_([i, home], [i, home])]
    df = float(fit.degrees_of_freedom)
    return ratio_of_means(top, bottom, covariance, df, n=n, units=units, source=RATIO_POOLED)
