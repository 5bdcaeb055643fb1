"""Is the calibration function a straight line, and does one point suffice? Tests, and departures in result units.

Readings come as parallel sequences: `x` (reference value of each reading), `y` (response), `levels` (the group each
reading belongs to, codes 0 to L - 1) and `runs` (codes 0 to R - 1, or None). Levels are ordered by code.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from validation.stats.estimate import Number, OldEstimate, centre
from validation.stats.regression import PolynomialResult, quadratic, straight_line
from validation.stats.variance_function import LinearSdResult, linear_sd, linear_sd_many

Codes = Sequence[int] | NDArray[np.int_]

LACK_OF_FIT_SOURCE = "Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapter 2 (from memory)"
MANDEL_SOURCE = "ISO 8466-1:1990 (Mandel's comparison; clause from memory)"
BOOTSTRAP_SOURCE = "Davison and Hinkley, Bootstrap Methods and their Application, 1997, chapter 4 (from memory)"
DEPARTURE_SOURCE = "readings read back through the ordinary line; Student's t over runs (common practice)"
SINGLE_POINT_SOURCE = "routine one-point calibration through zero; Student's t over runs (common practice)"
OTHER_SOURCE = (
    "readings of each run read back through the run's own calibration; Student's t over runs (common practice)"
)

DRAWS = 1999
SEED = 20_260_101
ALIKE = (
    "What the interval rests on agrees to the last digit: its scatter is hidden by the rounding, so that no interval "
    "can be formed."
)
UNEQUAL = "The runs hold unequal numbers of readings at this level; the interval counts each run the same."
_ROUNDS = 3  # s(x), weights and residuals in turn; the third round no longer moves p in the second decimal


@dataclass(frozen=True, slots=True)
class FTestResult:
    """An F test. `statistic` and `p` are None where it could not be formed; `reason` then says why."""

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
    """

    lack_of_fit_F: float | None
    lack_of_fit_p: OldEstimate | None
    curvature_F: float | None
    curvature_p: OldEstimate | None
    lack_of_fit_df: int
    scatter_df: int
    draws: int
    unit: str
    sd: LinearSdResult | None
    sd_from: str
    reason: str = ""
    notes: tuple[str, ...] = ()
    source: str = BOOTSTRAP_SOURCE


def lack_of_fit(x: Sequence[Number], y: Sequence[Number], levels: Codes) -> FTestResult:
    """Ordinary lack of fit of the straight line against the pure error of replicates.

    Parameters
    ----------
    x, y, levels : shape (n,)

    Returns
    -------
    FTestResult; without replicates, with fewer than three levels, or without any scatter `statistic` is None

    References
    ----------
    Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapter 2 (from memory); ISO 11095:1996 (from memory).
    """
    xs, small, codes = _arrays(x, y, levels)
    line, level = _bases(xs, codes, np.zeros_like(codes))
    rank = line.shape[1] + level.shape[1]
    df1, df2 = level.shape[1], len(xs) - rank
    if df1 < 1:
        return FTestResult(None, None, df1, df2, "Fewer than three levels: a bend cannot be seen.", LACK_OF_FIT_SOURCE)
    if df2 < 1:
        return FTestResult(None, None, df1, df2, "No replicates at any level: there is no pure error to compare with.")
    reduced, full = _residual_sum(line, small), _residual_sum(np.hstack([line, level]), small)
    if full <= 1e-24 * float(small @ small):
        return FTestResult(None, None, df1, df2, "The replicates agree to the last digit: there is no pure error.")
    statistic = (reduced - full) / df1 / (full / df2)
    return FTestResult(statistic, float(stats.f.sf(statistic, df1, df2)), df1, df2, source=LACK_OF_FIT_SOURCE)


def mandel(x: Sequence[Number], y: Sequence[Number]) -> FTestResult:
    """Mandel's comparison: the ordinary straight line against the parabola.

    F = ((n - 2) s1^2 - (n - 3) s2^2) / s2^2 on 1 and n - 3 degrees of freedom.

    Parameters
    ----------
    x, y : shape (n,)

    Returns
    -------
    FTestResult; with fewer than four readings or three levels, or no scatter about the parabola, `statistic` is None

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
    statistic = (line.residual_sum - bend.residual_sum) / (bend.residual_sum / df)
    return FTestResult(statistic, float(stats.f.sf(statistic, 1, df)), 1, df, source=MANDEL_SOURCE)


def weighted_tests(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Codes,
    runs: Codes | None = None,
    *,
    confidence: float = 0.95,
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
    confidence : of the intervals of the two p, which tell what the number of draws leaves open
    draws : bootstrap data sets
    seed : of the draws; fixed, so that the same readings give the same p

    Returns
    -------
    WeightedTestsResult

    References
    ----------
    Davison and Hinkley, Bootstrap Methods and their Application, 1997, chapter 4 (from memory).
    """
    xs, small, codes = _arrays(x, y, levels)
    run_codes, notes = _run_codes(runs, len(xs))
    cells = _cells(xs, small, codes, run_codes) if run_codes is not None else _readings_as_cells(xs, small, codes)
    if len(np.unique(cells.count)) > 1:
        notes = (
            *notes,
            "The cells of run and level hold from "
            f"{cells.count.min():.0f} to {cells.count.max():.0f} readings: each counts by its number, which is right "
            "for scatter of readings; where runs differ by more than that, fuller cells weigh too much.",
        )
    unit = "reading" if run_codes is None else "run"
    line, level = _bases(cells.x, cells.level, cells.run)
    bend = _curvature_basis(cells, line)
    df1, df2 = level.shape[1], len(cells.y) - line.shape[1] - level.shape[1]
    blank = WeightedTestsResult(None, None, None, None, df1, df2, draws, unit, None, "", notes=notes)
    if df1 < 1:
        return replace(blank, reason="Fewer than three levels (in one run): a bend cannot be seen.")
    if df2 < 1:
        return replace(blank, reason=_no_scatter(unit))
    model = _Model(cells, line, bend, np.hstack([line, level]))
    observed = model.statistics(cells.y[None, :], cells.within[None, :])
    if not np.all(np.isfinite(observed.F)):
        return replace(blank, reason="The replicates agree to the last digit: there is no scatter to compare with.")
    beyond = np.zeros(2)
    for simulated in model.draws(observed, draws, seed):
        # A relative 1e-9 keeps exact ties, which rounding of the readings can make, on the side of "as large".
        beyond += (simulated.F >= observed.F * (1 - 1e-9)).sum(axis=0)
    units = len(np.unique(cells.run)) if unit == "run" else len(xs)
    p = [_bootstrap_p(int(count), draws, len(xs), units, confidence) for count in beyond]
    sd, sd_from = _sd_of_one_reading(cells, observed, unit)
    return replace(
        blank,
        lack_of_fit_F=float(observed.F[0, 0]),
        lack_of_fit_p=p[0],
        curvature_F=float(observed.F[0, 1]),
        curvature_p=p[1],
        sd=sd,
        sd_from=sd_from,
        notes=notes,
    )


def departures(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Codes,
    runs: Codes | None = None,
    *,
    confidence: float = 0.95,
    weights: Sequence[float] | None = None,
) -> tuple[OldEstimate, ...]:
    """Departure from linearity by level: mean response read back through the line, minus the level.

    The interval is a t interval over each run's own departure from its own line (runs with three or more levels, this
    one among them), turned into units of x by the slope of the common line and centred at the value. With one run it
    is that of the replicates at the level.

    Parameters
    ----------
    x, y, levels : shape (n,)
    runs : shape (n,), or None
    confidence : of the two-sided intervals
    weights : shape (n,), positive, of the common line and of the runs' own; None for ordinary lines

    Returns
    -------
    one OldEstimate a level, in the unit of x; `units` counts the runs behind the interval

    Raises
    ------
    ValueError
        Fewer than two levels, or a line of slope zero.
    """
    xs, small, codes = _arrays(x, y, levels)
    run_codes, notes = _run_codes(runs, len(xs))
    w = None if weights is None else np.asarray(weights, dtype=float)
    line = straight_line(list(xs), list(small), weights=w)
    if line.slope == 0:
        raise ValueError("the line must have a slope other than zero to be read back; got 0")
    hidden = 1e-12 * float(np.abs(xs).max())
    per_run = {} if run_codes is None else _run_departures(xs, small, codes, run_codes, line.slope, w)
    found = []
    for level in range(int(codes.max()) + 1):
        at = codes == level
        value = line.read_back(float(small[at].mean())) - float(xs[at].mean())
        own = np.array([d[level] for d in per_run.values() if level in d])
        if len(own) >= 2:
            estimate = _t_estimate(value, own, confidence, int(at.sum()), DEPARTURE_SOURCE, hidden)
            if run_codes is not None and _unequal(run_codes[at]):
                estimate = estimate.with_notes(UNEQUAL)
        else:
            # Of one run's replicates only their scatter at this level is known; that of the line is left out.
            estimate = _t_estimate(value, small[at] / line.slope, confidence, int(at.sum()), DEPARTURE_SOURCE, hidden)
            estimate = replace(estimate, units=None).with_notes(*_one_run_notes(run_codes is None, int(at.sum())))
        found.append(estimate.with_notes(*notes))
    return tuple(found)


def single_point_bias(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Codes,
    runs: Codes | None = None,
    *,
    routine: int,
    confidence: float = 0.95,
) -> tuple[OldEstimate | None, ...]:
    """Error by level of a one-point calibration through zero at the level `routine`, on the same readings.

    A run's factor is its mean response at the routine level divided by that level; its error at a level is its mean
    response there divided by the factor, minus the level. The value is the mean over runs and its interval a t
    interval over runs. With one run the interval follows from the replicates at both levels (first-order propagation,
    Welch-Satterthwaite degrees of freedom). At the routine level the error is zero by construction.

    Parameters
    ----------
    x, y, levels : shape (n,); y as written, its zero being the zero of the routine line
    runs : shape (n,), or None
    routine : code of the routine level
    confidence : of the two-sided intervals

    Returns
    -------
    one OldEstimate a level, in the unit of x; None at a level that no usable run holds. `n` counts the readings at the
    level and, behind the factors, at the routine level of the same runs.

    Raises
    ------
    ValueError
        The routine level has x = 0 or a mean response of 0 in some run: no factor exists.
    """
    xs, _, codes = _arrays(x, y, levels)
    responses = np.array([float(value) for value in y])
    run_codes, notes = _run_codes(runs, len(xs))
    groups = np.zeros(len(xs), dtype=int) if run_codes is None else run_codes
    factors, left_out = _factors(xs, responses, codes, groups, routine)
    if left_out:
        notes = (*notes, f"{left_out} run(s) without the routine level were left out of the one-point calibration.")
    hidden = 1e-12 * float(np.abs(xs).max())
    found: list[OldEstimate | None] = []
    for level in range(int(codes.max()) + 1):
        cells = {run: (codes == level) & (groups == run) for run in sorted(factors)}
        cells = {run: at for run, at in cells.items() if at.any()}
        if not cells:
            found.append(None)
            continue
        own = np.array([responses[at].mean() / factors[run] - xs[at].mean() for run, at in cells.items()])
        base_rows = (codes == routine) & np.isin(groups, list(cells))
        n = int(sum(at.sum() for at in cells.values())) + (int(base_rows.sum()) if level != routine else 0)
        if level == routine:
            said = "Zero by construction: the routine standard itself."
            estimate = OldEstimate(0.0, (0.0, 0.0), confidence, 0.0, None, n, len(own), (said,), SINGLE_POINT_SOURCE)
        elif len(own) >= 2:
            estimate = _t_estimate(float(own.mean()), own, confidence, n, SINGLE_POINT_SOURCE, hidden)
            if len({int(at.sum()) for at in cells.values()}) > 1:
                estimate = estimate.with_notes(UNEQUAL)
        else:
            run, at = next(iter(cells.items()))
            base = (codes == routine) & (groups == run)
            estimate = _one_run_bias(float(own[0]), responses[at], responses[base], factors[run], confidence, hidden)
            estimate = estimate.with_notes(*_one_run_notes(run_codes is None, min(int(at.sum()), int(base.sum()))))
        found.append(estimate.with_notes(*notes))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class OtherCalibration:
    """A calibration that was not used, tried on the readings of the one that was.

    `name` is "one point", "two points", "straight line" or "quadratic"; `levels` are the codes of the levels it is made
    from; `errors` holds one OldEstimate a level in the unit of x, None where no run can be read back; `reason` says why
    there are none at all.
    """

    name: str
    levels: tuple[int, ...]
    errors: tuple[OldEstimate | None, ...]
    reason: str = ""


def other_calibrations(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Codes,
    runs: Codes | None = None,
    *,
    routine: int | None,
    ends: tuple[int, int],
    confidence: float = 0.95,
) -> tuple[OtherCalibration, ...]:
    """Error by level that other calibrations would have made on the same readings.

    Each run is calibrated by itself, as a run of routine is: by one point through zero at the level `routine`, by the
    straight line through the means of the two levels `ends`, by the ordinary line and by the ordinary parabola through
    all its readings. Its mean response at each level is read back and the level taken off; the value is the mean over
    runs with a t interval over runs, one run gives none. A calibration is tried on the readings that made it: at its
    own points it errs less than it would on new ones, at one or two points not at all.

    Parameters
    ----------
    x, y, levels : shape (n,); y as written, its zero being that of the one-point calibration
    runs : shape (n,), or None
    routine : code of the level of the one-point calibration; None leaves that one out
    ends : codes of the two levels of the two-point calibration
    confidence : of the two-sided intervals

    Returns
    -------
    the calibrations in the order named above

    References
    ----------
    Read-back by the root of c0 + c1 x + c2 x^2 = y on the branch that holds the straight line (common practice).
    """
    xs, _, codes = _arrays(x, y, levels)
    responses = np.array([float(value) for value in y])
    run_codes, notes = _run_codes(runs, len(xs))
    groups = np.zeros(len(xs), dtype=int) if run_codes is None else run_codes
    everything = tuple(range(int(codes.max()) + 1))
    made: list[tuple[str, tuple[int, ...], int]] = [("one point", (routine,), 1)] if routine is not None else []
    made += [
        ("two points", tuple(sorted(set(ends))), 2),
        ("straight line", everything, 2),
        ("quadratic", everything, 3),
    ]
    found, hidden = [], 1e-12 * float(np.abs(xs).max())
    for name, held, least in made:
        own = [_own_errors(xs, responses, codes, groups == run, held, least) for run in np.unique(groups)]
        usable = [errors for errors in own if errors]
        reason = "" if usable else f"No run holds the {least} level(s) that it takes, with responses to read back by."
        estimates = (_over_runs(usable, codes, level, held, confidence, hidden) for level in everything)
        errors = tuple(None if estimate is None else estimate.with_notes(*notes) for estimate in estimates)
        found.append(OtherCalibration(name, held, errors, reason))
    return tuple(found)


def sd_of_readings(
    x: Sequence[Number], y: Sequence[Number], levels: Codes, runs: Codes | None = None
) -> LinearSdResult | None:
    """s(x) of one reading from replicates (of the same level, in the same run); None without any replicates.

    Shapes as `departures`; the unit of y (per unit of x).
    """
    xs, small, codes = _arrays(x, y, levels)
    run_codes, _ = _run_codes(runs, len(xs))
    groups = np.zeros(len(xs), dtype=int) if run_codes is None else run_codes
    cells = _cells(xs, small, codes, groups)
    if cells.within_df.sum() < 1:
        return None
    return linear_sd(cells.level_x, cells.within, cells.within_df)


# --- cells -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Cells:
    """Cells as the tests see them, and the spread within them by level."""

    x: NDArray[np.float64]  # (C,)
    y: NDArray[np.float64]  # (C,)
    level: NDArray[np.int_]  # (C,)
    run: NDArray[np.int_]  # (C,)
    count: NDArray[np.float64]  # (C,) readings in each
    level_x: NDArray[np.float64]  # (L,)
    within: NDArray[np.float64]  # (L,) sums of squares within cells
    within_df: NDArray[np.float64]  # (L,)


def _arrays(
    x: Sequence[Number], y: Sequence[Number], levels: Codes
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int_]]:
    if not len(x) == len(y) == len(levels):
        raise ValueError(f"x, y and levels must be equally long; got {len(x)}, {len(y)} and {len(levels)}")
    _, small = centre(y, "y")
    xs = np.array([float(value) for value in x])
    if not np.all(np.isfinite(xs)):
        raise ValueError("x must be finite")
    return xs, small, np.asarray(levels, dtype=int)


def _run_codes(runs: Codes | None, n: int) -> tuple[NDArray[np.int_] | None, tuple[str, ...]]:
    """Run codes, or None where the readings come from one run or none is named; with the sentence that says so."""
    if runs is None:
        return None, ("No run is named: the readings are taken as one run.",)
    codes = np.asarray(runs, dtype=int)
    if len(codes) != n:
        raise ValueError(f"runs must have one entry a reading; got {len(codes)} for {n}")
    if len(np.unique(codes)) < 2:
        return None, ("One run only: what differs between runs is not in these figures.",)
    return codes, ()


def _level_means(x: NDArray[np.float64], level: NDArray[np.int_]) -> NDArray[np.float64]:
    """Mean x of each level; a blank weighed a little below zero counts as zero for the spread."""
    count = np.bincount(level)
    return np.maximum(np.bincount(level, weights=x) / np.maximum(count, 1), 0.0)


def _cells(x: NDArray[np.float64], y: NDArray[np.float64], level: NDArray[np.int_], run: NDArray[np.int_]) -> _Cells:
    """Means of run x level."""
    size = int(level.max()) + 1
    keys, inverse = np.unique(run * size + level, return_inverse=True)
    count = np.bincount(inverse).astype(float)
    x_mean, y_mean = (np.bincount(inverse, weights=v) / count for v in (x, y))
    within = np.asarray(np.bincount(level, weights=(y - y_mean[inverse]) ** 2, minlength=size), dtype=float)
    cell_level = keys % size
    within_df = np.asarray(np.bincount(cell_level, weights=count - 1, minlength=size), dtype=float)
    return _Cells(x_mean, y_mean, cell_level, keys // size, count, _level_means(x, level), within, within_df)


def _readings_as_cells(x: NDArray[np.float64], y: NDArray[np.float64], level: NDArray[np.int_]) -> _Cells:
    none: NDArray[np.float64] = np.zeros(int(level.max()) + 1)
    one: NDArray[np.float64] = np.ones(len(x))
    return _Cells(x, y, level, np.zeros_like(level), one, _level_means(x, level), none, none)


# --- designs ---------------------------------------------------------------------------------------------------------


def _orthonormal(columns: NDArray[np.float64], against: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """An orthonormal basis of what `columns` add to the orthonormal `against`."""
    if against is not None:
        columns = columns - against @ (against.T @ columns)
        columns = columns - against @ (against.T @ columns)  # twice: once leaves rounding behind
    if columns.shape[1] == 0:
        return columns
    u, size, _ = np.linalg.svd(columns, full_matrices=False)
    return u[:, size > 1e-9]


def _bases(
    x: NDArray[np.float64], level: NDArray[np.int_], run: NDArray[np.int_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bases of the runs' own lines and of the common level effects beyond them."""
    dummies = np.equal.outer(run, np.unique(run)).astype(float)
    scaled = (x - x.mean()) / max(float(np.abs(x - x.mean()).max()), 1e-300)
    line = _orthonormal(np.hstack([dummies, dummies * scaled[:, None]]))
    return line, _orthonormal(np.equal.outer(level, np.unique(level)).astype(float), line)


def _curvature_basis(cells: _Cells, line: NDArray[np.float64]) -> NDArray[np.float64]:
    """The common quadratic term beyond the runs' own lines."""
    scaled = (cells.x - cells.x.mean()) / max(float(np.abs(cells.x - cells.x.mean()).max()), 1e-300)
    return np.hstack([line, _orthonormal((scaled**2)[:, None], line)])


def _residual_sum(basis: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    left = y - basis @ (basis.T @ y)
    left = left - basis @ (basis.T @ left)
    return float(left @ left)


# --- weighted tests --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Statistics:
    """Of B data sets: F of lack of fit and curvature, and the sizes and shape of s(x)."""

    F: NDArray[np.float64]  # (B, 2)
    constant: NDArray[np.float64]  # (B, 2): of the scatter of cells, of the spread within cells
    slope: NDArray[np.float64]  # (B, 2)


@dataclass(frozen=True, slots=True)
class _Model:
    """The three nested designs on one set of cells, applied to many data sets at once."""

    cells: _Cells
    line: NDArray[np.float64]
    bend: NDArray[np.float64]
    full: NDArray[np.float64]

    def statistics(self, y: NDArray[np.float64], within: NDArray[np.float64]) -> _Statistics:
        """F statistics of data sets `y`, shape (B, C), with sums of squares `within`, shape (B, L)."""
        cells, size = self.cells, len(self.cells.level_x)
        constant, slope = np.ones((len(y), 2)), np.zeros((len(y), 2))
        has_within = cells.within_df.sum() > 0 and bool(np.all(within.sum(axis=1) > 0))
        if has_within:
            shape = linear_sd_many(cells.level_x, within[:, None, :], cells.within_df[None, None, :])
            constant, slope = (np.repeat(part, 2, axis=1) for part in shape)
        for _ in range(_ROUNDS):
            weights = self._weights(constant, slope)
            _, residuals, leverage = _weighted_fit(self.full, weights, y, leverages=True)
            by_level = np.equal.outer(cells.level, np.arange(size)).astype(float)
            scatter = (residuals**2 * cells.count) @ by_level
            scatter_df = np.maximum((1 - leverage) @ by_level, 0.0)
            scatter_df = np.where(scatter_df > 1e-9, scatter_df, 0.0)
            sums = np.stack([scatter, within], axis=1)
            df = np.stack([scatter_df, np.broadcast_to(cells.within_df, within.shape)], axis=1)
            constant, slope = linear_sd_many(cells.level_x, sums, df)
            if np.any(constant[:, 0] + slope[:, 0] <= 0):
                return _Statistics(np.full((len(y), 2), np.nan), constant, slope)
        weights = self._weights(constant, slope)
        reduced, bent, full = (_weighted_fit(basis, weights, y)[0] for basis in (self.line, self.bend, self.full))
        df1, df2 = self.full.shape[1] - self.line.shape[1], len(cells.y) - self.full.shape[1]
        bend_df = max(self.bend.shape[1] - self.line.shape[1], 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            F = np.stack([(reduced - full) / df1 / (full / df2), (reduced - bent) / bend_df / (full / df2)], axis=1)
        return _Statistics(F, constant, slope)

    def _weights(self, constant: NDArray[np.float64], slope: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weights of the cells, shape (B, C), scaled to a largest of 1: only their ratios matter."""
        sd = constant[:, :1] + slope[:, :1] * self.cells.level_x[self.cells.level]
        weights = self.cells.count / sd**2
        return weights / weights.max(axis=1, keepdims=True)

    def draws(self, observed: _Statistics, draws: int, seed: int):
        """Statistics of `draws` data sets without lack of fit, in blocks that keep memory small."""
        cells, rng = self.cells, np.random.default_rng(seed)
        sd = observed.constant[0][:, None] + observed.slope[0][:, None] * cells.level_x  # (2, L)
        cell_sd = sd[0][cells.level] / np.sqrt(cells.count)
        block = int(max(1, min(draws, 4_000_000 // self.full.size)))
        for start in range(0, draws, block):
            size = min(block, draws - start)
            y = rng.standard_normal((size, len(cells.y))) * cell_sd
            within = np.zeros((size, len(cells.level_x)))
            some = cells.within_df > 0
            within[:, some] = rng.chisquare(cells.within_df[some], (size, int(some.sum()))) * sd[1][some] ** 2
            yield self.statistics(y, within)


def _weighted_fit(
    basis: NDArray[np.float64], weights: NDArray[np.float64], y: NDArray[np.float64], *, leverages: bool = False
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Weighted residual sums (B,), residuals (B, C) and, where asked, leverages (B, C)."""
    turned = basis.T[None, :, :] * weights[:, None, :]  # (B, P, C)
    normal = turned @ basis
    coefficients = np.linalg.solve(normal, turned @ y[:, :, None])[:, :, 0]
    residuals = y - coefficients @ basis.T
    leverage = np.zeros_like(y)
    if leverages:
        leverage = np.einsum("bpc,cp->bc", np.linalg.solve(normal, turned), basis)
    return (weights * residuals**2).sum(axis=1), residuals, leverage


def _bootstrap_p(beyond: int, draws: int, n: int, units: int, confidence: float) -> OldEstimate:
    """p = (1 + draws at or beyond) / (1 + draws), with the exact binomial interval of the share it estimates."""
    tail = (1 - confidence) / 2
    low = float(stats.beta.ppf(tail, beyond, draws - beyond + 1)) if beyond > 0 else 0.0
    high = float(stats.beta.ppf(1 - tail, beyond + 1, draws - beyond)) if beyond < draws else 1.0
    return OldEstimate((1 + beyond) / (1 + draws), (low, high), confidence, None, None, n, units, (), BOOTSTRAP_SOURCE)


def _no_scatter(unit: str) -> str:
    if unit == "reading":
        return "No replicates at any level: there is no scatter to compare a bend with. Read each level at least twice."
    return "Too few runs hold three levels or more: no run x level scatter is left. Add a run over all levels."


def _sd_of_one_reading(cells: _Cells, observed: _Statistics, unit: str) -> tuple[LinearSdResult, str]:
    """s(x) of one reading: from replicates within runs where there are any, else from the scatter tested against."""
    if cells.within_df.sum() > 0 and cells.within.sum() > 0:
        return linear_sd(cells.level_x, cells.within, cells.within_df), "replicates within runs"
    constant, slope = float(observed.constant[0, 0]), float(observed.slope[0, 0])
    seen = len(np.unique(cells.level))
    df = float(len(cells.y) - seen) if unit == "reading" else float("nan")
    where = "replicates at the levels" if unit == "reading" else "the scatter of run x level about the runs' own lines"
    return LinearSdResult(constant, slope, df, seen), where


# --- departures ------------------------------------------------------------------------------------------------------


def _run_departures(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    level: NDArray[np.int_],
    run: NDArray[np.int_],
    common_slope: float,
    weights: NDArray[np.float64] | None = None,
) -> dict[int, dict[int, float]]:
    """For each run of three levels or more, its departure from its own line by level, in units of x."""
    found: dict[int, dict[int, float]] = {}
    for code in np.unique(run):
        own = run == code
        present = np.unique(level[own])
        if len(present) < 3 or len(np.unique(x[own])) < 3:
            continue
        own_weights = None if weights is None else weights[own]
        line: PolynomialResult = straight_line(list(x[own]), list(y[own]), weights=own_weights)
        residuals, levels = line.residuals, level[own]
        found[int(code)] = {int(at): float(residuals[levels == at].mean()) / common_slope for at in present}
    return found


def _unequal(codes: NDArray[np.int_]) -> bool:
    """Whether the codes occur unequally often."""
    return len(set(np.unique(codes, return_counts=True)[1].tolist())) > 1


def _t_estimate(
    value: float, own: NDArray[np.float64], confidence: float, n: int, source: str, hidden: float
) -> OldEstimate:
    """`value` with the t interval of the mean of `own`; without an interval where `own` holds one number, or where its
    standard error is below `hidden`, which rounding alone leaves.
    """
    if len(own) < 2:
        return OldEstimate(value, n=n, units=len(own), source=source)
    error = float(own.std(ddof=1)) / sqrt(len(own))
    if error <= hidden:
        return OldEstimate(value, n=n, units=len(own), notes=(ALIKE,), source=source)
    half = float(stats.t.ppf((1 + confidence) / 2, len(own) - 1)) * error
    return OldEstimate(
        value, (value - half, value + half), confidence, error, float(len(own) - 1), n, len(own), source=source
    )


def _one_run_notes(no_runs: bool, replicates: int) -> tuple[str, ...]:
    if replicates < 2:
        return ("A single reading and a single run: no interval can be formed. Repeat the level in further runs.",)
    if no_runs:
        return ("The interval shows the scatter of replicates of one run only.",)
    return ("Fewer than two usable runs hold this level: the interval shows the scatter of replicates only.",)


def _factors(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    level: NDArray[np.int_],
    run: NDArray[np.int_],
    routine: int,
) -> tuple[dict[int, float], int]:
    """Response per unit of x at the routine level by run, and how many runs lack that level."""
    factors: dict[int, float] = {}
    codes = [int(code) for code in np.unique(run)]
    for code in codes:
        at = (run == code) & (level == routine)
        if not at.any():
            continue
        if x[at].mean() == 0 or y[at].mean() == 0:
            raise ValueError("the routine level must have a level and a mean response other than zero; got 0")
        factors[code] = float(y[at].mean() / x[at].mean())
    return factors, len(codes) - len(factors)


def _one_run_bias(
    value: float,
    at: NDArray[np.float64],
    base: NDArray[np.float64],
    factor: float,
    confidence: float,
    hidden: float,
) -> OldEstimate:
    """One run's error with the interval that replicates at the level and at the routine level give."""
    n = len(at) + len(base)
    if len(at) < 2 or len(base) < 2:
        return OldEstimate(value, n=n, units=1, source=SINGLE_POINT_SOURCE)
    relative = at.mean() / base.mean()
    parts = np.array([at.var(ddof=1) / len(at), relative**2 * base.var(ddof=1) / len(base)]) / factor**2
    variance = float(parts.sum())
    if variance <= hidden**2:
        return OldEstimate(value, n=n, units=1, notes=(ALIKE,), source=SINGLE_POINT_SOURCE)
    df = variance**2 / float(parts[0] ** 2 / (len(at) - 1) + parts[1] ** 2 / (len(base) - 1))
    half = float(stats.t.ppf((1 + confidence) / 2, df)) * sqrt(variance)
    return OldEstimate(
        value, (value - half, value + half), confidence, sqrt(variance), df, n, 1, source=SINGLE_POINT_SOURCE
    )


# --- other calibrations on the same readings -------------------------------------------------------------------------


def _own_errors(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    level: NDArray[np.int_],
    own: NDArray[np.bool_],
    held: Sequence[int],
    least: int,
) -> dict[int, float]:
    """Error by level of one run, calibrated by its readings at the levels `held`; empty where that is not possible."""
    rows = own & np.isin(level, held)
    present = np.unique(level[rows])
    if len(present) < least:
        return {}
    if least == 1:
        point = float(x[rows].mean())
        constant, slope, bend = 0.0, float(y[rows].mean()) / point if point else 0.0, 0.0
    elif len(np.unique(x[rows])) < least:
        return {}
    else:
        fit = (quadratic if least == 3 else straight_line)(list(x[rows]), list(y[rows]))
        constant, slope, bend = (*(float(value) for value in fit.coefficients), 0.0)[:3]
    errors = {}
    for code in np.unique(level[own]):
        at = own & (level == code)
        back = _read_back(float(y[at].mean()), constant, slope, bend)
        if back is not None:
            errors[int(code)] = back - float(x[at].mean())
    return errors


def _read_back(y: float, constant: float, slope: float, bend: float) -> float | None:
    """The root on the branch that becomes the straight line as the bend goes to zero; None beyond the vertex."""
    under = slope**2 - 4 * bend * (constant - y)
    if slope == 0 or under < 0:
        return None
    # This form of the root loses no digits where the bend is small.
    return 2 * (y - constant) / (slope + np.copysign(sqrt(under), slope))


def _over_runs(
    own: Sequence[dict[int, float]],
    codes: NDArray[np.int_],
    level: int,
    held: Sequence[int],
    confidence: float,
    hidden: float,
) -> OldEstimate | None:
    """Mean error over the runs that can be read back at a level."""
    errors = np.array([errors[level] for errors in own if level in errors])
    if not len(errors):
        return None
    n = int((codes == level).sum())
    if len(held) <= 2 and level in held:
        said = "Zero by construction: the calibration is made from this level."
        return OldEstimate(0.0, (0.0, 0.0), confidence, 0.0, None, n, len(errors), (said,), OTHER_SOURCE)
    return _t_estimate(float(errors.mean()), errors, confidence, n, OTHER_SOURCE, hidden)
