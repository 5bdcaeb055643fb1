"""How far readings depart from a calibration function, and what other calibrations would have made of them.

Readings come as parallel sequences: `x` (reference value of each reading), `y` (response), `levels` (the group each
reading belongs to, codes 0 to L - 1) and `runs` (codes 0 to R - 1, or None). Levels are ordered by code.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from validation.stats.calibration_readings import CalibrationReadings, Codes, Floats, Ints
from validation.stats.estimate import Estimate, Number, check_sizes
from validation.stats.lines import weighted_lines
from validation.stats.regression import PolynomialResult, quadratic, straight_line
from validation.stats.two_means import with_variances

DEPARTURE_SOURCE = "mean of the runs' departures from their own lines; Student's t over runs (common practice)"
COMMON_LINE_SOURCE = "readings read back through the ordinary line; Student's t over replicates (common practice)"
SINGLE_POINT_SOURCE = "routine one-point calibration through zero; Student's t over runs (common practice)"
OTHER_SOURCE = (
    "readings of each run read back through the run's own calibration; Student's t over runs (common practice)"
)

ALIKE = (
    "What the interval rests on agrees to the last digit: its scatter is hidden by the rounding, so that no interval "
    "can be formed."
)
UNEQUAL = "The runs hold unequal numbers of readings at this level; value and interval count each run the same."

COMMON_LINE = (
    "The value is that of all readings at this level against the line through all readings, not a mean of runs."
)


def departures(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Codes,
    runs: Codes | None = None,
    *,
    weights: Sequence[float] | None = None,
) -> tuple[Estimate, ...]:
    """Departure from linearity by level, in units of x.

    The value is the mean of the runs' own departures: a run's mean response at the level, minus its own line there
    (least squares through its readings), divided by the slope of the line through all readings. It estimates what a
    run departs by on average, whatever its own intercept and slope; every run counts the same. The interval is
    Student's t over the same numbers. Runs with three or more levels enter. Where such runs hold the same levels as
    often as one another, the value equals the mean response read back through the common line, minus the level.

    A level that fewer than two such runs hold has that last value, with the interval of its replicates.

    Parameters
    ----------
    x, y, levels : shape (n,)
    runs : shape (n,), or None
    weights : shape (n,), positive, of the common line and of the runs' own; None for ordinary lines

    Returns
    -------
    one Estimate a level, in the unit of x; `n` counts the readings at the level that entered, `units` their runs, None
    where the interval is that of replicates

    Raises
    ------
    ValueError
        Fewer than two levels, or a line of slope zero.

    References
    ----------
    Common practice. Student's t over groups of unequal scatter holds its level at 5 %, at 10 % from 2 to 14 groups:
    Bakirov and Szekely 2005; Ibragimov and Mueller 2010, J. Bus. Econ. Stat. 28, 453 (from memory).
    """
    readings = CalibrationReadings.of(x, y, levels, runs)
    w = np.ones(len(readings.x)) if weights is None else np.asarray(weights, dtype=float)
    line = straight_line(list(readings.x), list(readings.small), weights=w)
    if line.slope == 0:
        raise ValueError("the line must have a slope other than zero to be read back; got 0")
    own = _run_departures(readings, line.slope, w) if readings.several else {}
    of_runs = {level: runs for level, runs in own.items() if len(runs) > 1}
    return tuple(
        (
            _departure_of_runs(readings, level, of_runs[level])
            if level in of_runs
            else _departure_of_replicates(readings, level, line)
        ).with_notes(*readings.notes)
        for level in readings.levels
    )


def single_point_bias(
    x: Sequence[Number], y: Sequence[Number], levels: Codes, runs: Codes | None = None, *, routine: int
) -> tuple[Estimate | None, ...]:
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

    Returns
    -------
    one Estimate a level, in the unit of x; None at a level that no usable run holds. `n` counts the readings at the
    level and, behind the factors, at the routine level of the same runs.

    Raises
    ------
    ValueError
        The routine level has x = 0 or a mean response of 0 in some run: no factor exists.

    References
    ----------
    Common practice (one standard through zero); for one run JCGM 100:2008, 5.1.2 and G.4.1 (from memory).

    Examples
    --------
    Worked by hand: a run that reads 5.5 at level 5 has the factor 1.1; its 9.9 at level 10 is read as 9, an error of
    -1. A run that reads 4.5 and 9 has the factor 0.9 and no error.

    >>> errors = single_point_bias([5, 10, 5, 10], [5.5, 9.9, 4.5, 9.0], [0, 1, 0, 1], [0, 0, 1, 1], routine=0)
    >>> [round(error.value, 12) for error in errors]
    [0.0, -0.5]
    """
    readings = CalibrationReadings.of(x, y, levels, runs)
    factors = _factors(readings, routine)
    notes, lacking = readings.notes, len(np.unique(readings.run)) - len(factors)
    if lacking:
        without = "1 run" if lacking == 1 else f"{lacking} runs"
        verb = "was" if lacking == 1 else "were"
        notes = (*notes, f"{without} without the routine level {verb} left out of the one-point calibration.")
    estimates = (_single_point(readings, factors, level, routine) for level in readings.levels)
    return tuple(None if estimate is None else estimate.with_notes(*notes) for estimate in estimates)


@dataclass(frozen=True, slots=True)
class OtherCalibration:
    """A calibration that was not used, tried on the readings of the one that was.

    `name` is "one point", "two points", "straight line" or "quadratic"; `levels` are the codes of the levels it is made
    from; `errors` holds one Estimate a level in the unit of x, None where no run can be read back; `reason` says why
    there are none at all.

    Attributes
    ----------
    name : "one point", "two points", "straight line" or "quadratic"
    levels : codes of the levels that it is made from
    errors : shape (L,), in the unit of x
    reason : why there are no errors at all; empty where there are
    """

    name: str
    levels: tuple[int, ...]
    errors: tuple[Estimate | None, ...]
    reason: str = ""


def other_calibrations(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Codes,
    runs: Codes | None = None,
    *,
    routine: int | None,
    ends: tuple[int, int],
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

    Returns
    -------
    the calibrations in the order named above

    Raises
    ------
    ValueError
        Sequences of different lengths, or a value that is not finite.

    References
    ----------
    Read-back by the root of c0 + c1 x + c2 x^2 = y on the branch that holds the straight line (common practice).
    """
    readings = CalibrationReadings.of(x, y, levels, runs)
    everything = tuple(readings.levels)
    one_point = [] if routine is None else [("one point", (routine,), 1)]
    made = [
        *one_point,
        ("two points", tuple(sorted(set(ends))), 2),
        ("straight line", everything, 2),
        ("quadratic", everything, 3),
    ]
    return tuple(_tried(readings, name, points, coefficients) for name, points, coefficients in made)


def _student(value: float, own: Floats, n: int, source: str, rounding: float) -> Estimate:
    """`value` with the t interval of the mean of `own`; without an interval where `own` holds one number, or where its
    standard error is below `rounding`.
    """
    units = len(own)
    check_sizes(own, "values over runs")
    if units < 2:
        return Estimate(value, n=n, units=units, source=source)
    error = float(_error(own))
    if error <= rounding:
        return Estimate(value, n=n, units=units, notes=(ALIKE,), source=source)
    return Estimate.of_mean(value, error, float(units - 1), n=n, units=units, source=source)


def _by_construction(why: str, n: int, units: int, source: str) -> Estimate:
    """Zero without any uncertainty."""
    return Estimate.of_mean(0.0, 0.0, None, n=n, units=units, notes=(f"Zero by construction: {why}.",), source=source)


def _unequal(counts: Sequence[int] | Ints) -> tuple[str, ...]:
    return (UNEQUAL,) if len(set(map(int, counts))) > 1 else ()


def _of_one_run(several: bool, replicates: int) -> str:
    """What the interval of a level shows that fewer than two usable runs hold."""
    if replicates < 2:
        return "A single reading and a single run: no interval can be formed. Repeat the level in further runs."
    if several:
        return "Fewer than two usable runs hold this level: the interval shows the scatter of replicates only."
    return "The interval shows the scatter of replicates of one run only."


# --- departures ------------------------------------------------------------------------------------------------------


def _departure_of_runs(readings: CalibrationReadings, level: int, of_runs: dict[int, Any]) -> Estimate:
    """Mean of the runs' own departures at a level, with the t interval of the same numbers."""
    at, own = readings.level == level, np.array([float(departure[0]) for departure in of_runs.values()])
    counts = [int((at & (readings.run == run)).sum()) for run in of_runs]
    estimate = _student(float(own.mean()), own, sum(counts), DEPARTURE_SOURCE, readings.rounding)
    return estimate.with_notes(*_unequal(counts), *_without_line(len(np.unique(readings.run[at])) - len(own)))


def _departure_of_replicates(readings: CalibrationReadings, level: int, line: PolynomialResult) -> Estimate:
    """The mean of all readings at a level, read back through the common line, minus the level."""
    at = readings.level == level
    value, n = line.read_back(float(readings.small[at].mean())) - float(readings.x[at].mean()), int(at.sum())
    # Of one run's replicates only their scatter at this level is known; that of the line is left out.
    estimate = _student(value, readings.small[at] / line.slope, n, COMMON_LINE_SOURCE, readings.rounding)
    notes = [COMMON_LINE] if readings.several else []
    return replace(estimate, units=None).with_notes(_of_one_run(readings.several, n), *notes)


def _without_line(runs: int) -> tuple[str, ...]:
    """What must be said of so many runs that hold the level and too few others."""
    if not runs:
        return ()
    return (
        f"{'1 run' if runs == 1 else f'{runs} runs'} of fewer than three levels, without a line to depart from, "
        f"{'was' if runs == 1 else 'were'} left out.",
    )


def _run_departures(readings: CalibrationReadings, common_slope: Any, weights: Floats) -> dict[int, dict[int, Any]]:
    """By level and run of three levels or more: its departure from its own line, in units of x."""
    departures: dict[int, dict[int, Any]] = {}
    for run in readings.with_lines:
        own = readings.in_run(run)
        residuals = weighted_lines(own.x, np.atleast_2d(own.small), weights[readings.run == run]).residuals
        for level in np.unique(own.level).tolist():
            departures.setdefault(level, {})[run] = residuals[:, own.level == level].mean(axis=1) / common_slope
    return departures


def departures_many(readings: CalibrationReadings) -> tuple[Floats, Floats, Ints]:
    """The departures of `departures` from ordinary lines, of many calibrations on the same levels and runs.

    Parameters
    ----------
    readings : `small` of shape (studies, n); runs may hold unequal numbers of readings and lack levels, but two runs or
        more of three levels hold every level

    Returns
    -------
    values, errors : shape (studies, L), in the unit of x
    runs : shape (L,), how many are behind them

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    As `departures`.
    """
    weights = np.ones(len(readings.x))
    of_runs = _run_departures(readings, weighted_lines(readings.x, readings.small, weights).slope, weights)
    own = [np.array(list(of_runs[level].values())) for level in readings.levels]  # (runs, studies) a level
    values, errors = ([part(one) for one in own] for part in (lambda one: one.mean(axis=0), _error))
    return np.stack(values, axis=1), np.stack(errors, axis=1), np.array([len(one) for one in own])


def _error(own: Floats) -> Any:
    """Standard error of the mean over the first axis."""
    return own.std(axis=0, ddof=1) / np.sqrt(len(own))


# --- one-point calibration -------------------------------------------------------------------------------------------


def single_point_many(readings: CalibrationReadings, routine: int) -> tuple[Floats, Floats, int]:
    """The errors of `single_point_bias` of many calibrations on the same levels and runs.

    Parameters
    ----------
    readings : `response` of shape (studies, n); every run, of two or more, holds every level
    routine : int, code of the routine level, where values and errors are zero but for rounding

    Returns
    -------
    values, errors : shape (studies, L), in the unit of x; and the number of runs behind the errors

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    As `single_point_bias` (common practice, no source).
    """
    factors = _factors(readings, routine)
    own = np.array(
        [
            [_own_error(readings, (readings.level == at) & (readings.run == run), factor) for at in readings.levels]
            for run, factor in factors.items()
        ]
    )  # (runs, L, studies)
    return own.mean(axis=0).T, _error(own).T, len(own)


def _own_error(readings: CalibrationReadings, at: NDArray[np.bool_], factor: Any) -> Any:
    """Error of the readings `at` of a run with this factor."""
    return readings.response[..., at].mean(axis=-1) / factor - readings.x[at].mean()


def _factors(readings: CalibrationReadings, routine: int) -> dict[int, Any]:
    """Response per unit of x at the routine level, of each run that holds it."""
    factors: dict[int, Any] = {}
    for run in np.unique(readings.run):
        at = (readings.run == run) & (readings.level == routine)
        if not at.any():
            continue
        x, y = readings.x[at].mean(), readings.response[..., at].mean(axis=-1)
        if x == 0 or np.any(y == 0):
            raise ValueError("the routine level must have a level and a mean response other than zero; got 0")
        factors[int(run)] = y / x
    return factors


def _single_point(readings: CalibrationReadings, factors: dict[int, Any], level: int, routine: int) -> Estimate | None:
    """Mean error over the runs that hold both levels; None where none does."""
    y = readings.response
    cells = {run: (readings.level == level) & (readings.run == run) for run in factors}
    cells = {run: at for run, at in cells.items() if at.any()}
    if not cells:
        return None
    counts = [int(at.sum()) for at in cells.values()]
    bases = {run: (readings.level == routine) & (readings.run == run) for run in cells}
    if level == routine:
        return _by_construction("the routine standard itself", sum(counts), len(cells), SINGLE_POINT_SOURCE)
    own = np.array([_own_error(readings, at, factors[run]) for run, at in cells.items()])
    n = sum(counts) + int(sum(base.sum() for base in bases.values()))
    if len(own) >= 2:
        return _student(float(own.mean()), own, n, SINGLE_POINT_SOURCE, readings.rounding).with_notes(*_unequal(counts))
    ((run, at),) = cells.items()
    estimate = _single_point_of_one_run(float(own[0]), y[at], y[bases[run]], float(factors[run]), readings.rounding)
    return estimate.with_notes(_of_one_run(readings.several, min(int(at.sum()), int(bases[run].sum()))))


def _single_point_of_one_run(value: float, at: Floats, base: Floats, factor: float, rounding: float) -> Estimate:
    """One run's error with the interval that replicates at the level and at the routine level give."""
    n = len(at) + len(base)
    if len(at) < 2 or len(base) < 2:
        return Estimate(value, n=n, units=1, source=SINGLE_POINT_SOURCE)
    relative = at.mean() / base.mean()
    parts = np.array([at.var(ddof=1) / len(at), relative**2 * base.var(ddof=1) / len(base)]) / factor**2
    variance = float(parts.sum())
    if variance <= rounding**2:
        return Estimate(value, n=n, units=1, notes=(ALIKE,), source=SINGLE_POINT_SOURCE)
    plain = Estimate(value, n=n, units=1, source=SINGLE_POINT_SOURCE)
    return with_variances(plain, parts.tolist(), [len(at) - 1.0, len(base) - 1.0])


# --- other calibrations on the same readings -------------------------------------------------------------------------


def _tried(readings: CalibrationReadings, name: str, points: tuple[int, ...], coefficients: int) -> OtherCalibration:
    """The calibration of each run by its readings at the levels `points`, by a function of so many coefficients."""
    of_runs = [_own_errors(readings.in_run(run), points, coefficients) for run in np.unique(readings.run)]
    usable = [errors for errors in of_runs if errors]
    levels = "level" if coefficients == 1 else f"{coefficients} levels"
    reason = "" if usable else f"No run holds the {levels} that it takes, with responses to read back by."
    errors = tuple(_over_runs(readings, usable, level, points) for level in readings.levels)
    return OtherCalibration(name, points, errors, reason)


def _own_errors(run: CalibrationReadings, points: Sequence[int], coefficients: int) -> dict[int, float]:
    """Error by level of one run; empty where it cannot be calibrated so."""
    rows = np.isin(run.level, points)
    x, y = run.x[rows], run.response[rows]
    if len(np.unique(run.level[rows])) < coefficients or len(np.unique(x)) < coefficients:
        return {}
    constant, slope, bend = _function(x, y, coefficients)
    errors = {}
    for level in np.unique(run.level):
        at = run.level == level
        back = _read_back(float(run.response[at].mean()), constant, slope, bend)
        if back is not None:
            errors[int(level)] = back - float(run.x[at].mean())
    return errors


def _function(x: Floats, y: Floats, coefficients: int) -> tuple[float, float, float]:
    """Constant, slope and bend: of the line through zero and the means, of the ordinary line, of the parabola."""
    if coefficients == 1:
        point = float(x.mean())
        return 0.0, float(y.mean()) / point if point else 0.0, 0.0
    fit = (quadratic if coefficients == 3 else straight_line)(list(x), list(y))
    constant, slope, *bend = (float(value) for value in fit.coefficients)
    return constant, slope, bend[0] if bend else 0.0


def _read_back(y: float, constant: float, slope: float, bend: float) -> float | None:
    """The root on the branch that becomes the straight line as the bend goes to zero; None beyond the vertex."""
    under = slope**2 - 4 * bend * (constant - y)
    if slope == 0 or under < 0:
        return None
    # This form of the root loses no digits where the bend is small.
    return 2 * (y - constant) / (slope + np.copysign(sqrt(under), slope))


def _over_runs(
    readings: CalibrationReadings, of_runs: Sequence[dict[int, float]], level: int, points: Sequence[int]
) -> Estimate | None:
    """Mean error over the runs that can be read back at a level."""
    errors = np.array([of_run[level] for of_run in of_runs if level in of_run])
    if not len(errors):
        return None
    n = int((readings.level == level).sum())
    if len(points) <= 2 and level in points:
        why = "the calibration is made from this level"
        return _by_construction(why, n, len(errors), OTHER_SOURCE).with_notes(*readings.notes)
    estimate = _student(float(errors.mean()), errors, n, OTHER_SOURCE, readings.rounding)
    return estimate.with_notes(*readings.notes)
