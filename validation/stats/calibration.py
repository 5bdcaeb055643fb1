"""How far readings depart from a calibration function, and what other calibrations would have made of them.

Readings come as parallel sequences: `x` (reference value of each reading), `y` (response), `levels` (the group each
reading belongs to, codes 0 to L - 1) and `runs` (codes 0 to R - 1, or None). Levels are ordered by code.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from validation.stats.calibration_readings import CalibrationReadings, Codes, Floats, Ints
from validation.stats.estimate import Estimate, Number
from validation.stats.lines import weighted_lines
from validation.stats.regression import quadratic, straight_line

DEPARTURE_SOURCE = "readings read back through the ordinary line; Student's t over runs (common practice)"
SINGLE_POINT_SOURCE = "routine one-point calibration through zero; Student's t over runs (common practice)"
OTHER_SOURCE = (
    "readings of each run read back through the run's own calibration; Student's t over runs (common practice)"
)

ALIKE = (
    "What the interval rests on agrees to the last digit: its scatter is hidden by the rounding, so that no interval "
    "can be formed."
)
UNEQUAL = "The runs hold unequal numbers of readings at this level; the interval counts each run the same."


def departures(
    x: Sequence[Number],
    y: Sequence[Number],
    levels: Codes,
    runs: Codes | None = None,
    *,
    weights: Sequence[float] | None = None,
) -> tuple[Estimate, ...]:
    """Departure from linearity by level: mean response read back through the line, minus the level.

    The interval is a t interval over each run's own departure from its own line (runs with three or more levels, this
    one among them), turned into units of x by the slope of the common line and centred at the value. With one run it
    is that of the replicates at the level.

    Parameters
    ----------
    x, y, levels : shape (n,)
    runs : shape (n,), or None
    weights : shape (n,), positive, of the common line and of the runs' own; None for ordinary lines

    Returns
    -------
    one Estimate a level, in the unit of x; `units` counts the runs behind the interval

    Raises
    ------
    ValueError
        Fewer than two levels, or a line of slope zero.

    References
    ----------
    Common practice (reading back through the line); t interval over runs.
    """
    readings = CalibrationReadings.of(x, y, levels, runs)
    w = np.ones(len(readings.x)) if weights is None else np.asarray(weights, dtype=float)
    line = straight_line(list(readings.x), list(readings.small), weights=w)
    if line.slope == 0:
        raise ValueError("the line must have a slope other than zero to be read back; got 0")
    of_runs = list(_run_departures(readings, line.slope, w)) if readings.several else []
    estimates = []
    for level in readings.levels:
        at = readings.level == level
        value, n = line.read_back(float(readings.small[at].mean())) - float(readings.x[at].mean()), int(at.sum())
        own = np.array([float(of_run[level][0]) for of_run in of_runs if level in of_run])
        if len(own) >= 2:
            estimate = _student(value, own, n, DEPARTURE_SOURCE, readings.rounding)
            counts = np.unique(readings.run[at], return_counts=True)[1]
            estimate = estimate.with_notes(*_unequal(counts))
        else:
            # Of one run's replicates only their scatter at this level is known; that of the line is left out.
            estimate = _student(value, readings.small[at] / line.slope, n, DEPARTURE_SOURCE, readings.rounding)
            estimate = replace(estimate, units=None).with_notes(_of_one_run(readings.several, n))
        estimates.append(estimate.with_notes(*readings.notes))
    return tuple(estimates)


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


def _run_departures(readings: CalibrationReadings, common_slope: Any, weights: Floats) -> Iterator[dict[int, Any]]:
    """Of each run of three levels or more, its departure from its own line by level, in units of x."""
    for run in np.unique(readings.run):
        own = readings.in_run(run)
        present = np.unique(own.level)
        if len(present) < 3 or len(np.unique(own.x)) < 3:
            continue
        residuals = weighted_lines(own.x, np.atleast_2d(own.small), weights[readings.run == run]).residuals
        yield {int(at): residuals[:, own.level == at].mean(axis=1) / common_slope for at in present}


def departures_many(readings: CalibrationReadings) -> tuple[Floats, Floats, int]:
    """The departures of `departures` from ordinary lines, of many calibrations on the same levels and runs.

    Parameters
    ----------
    readings : `small` of shape (studies, n); every run, of two or more, holds every level, of three or more

    Returns
    -------
    values, errors : shape (studies, L), in the unit of x; and the number of runs behind the errors

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    As `departures`: Student t over the runs' own lines (common practice, no source).
    """
    weights = np.ones(len(readings.x))
    line = weighted_lines(readings.x, readings.small, weights)
    of_runs = list(_run_departures(readings, line.slope, weights))
    values = np.stack([line.residuals[:, readings.level == at].mean(axis=1) for at in readings.levels], axis=1)
    own = np.array([[of_run[at] for at in readings.levels] for of_run in of_runs])  # (runs, L, studies)
    return values / line.slope[:, None], _error(own).T, len(own)


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
    df = variance**2 / float(parts[0] ** 2 / (len(at) - 1) + parts[1] ** 2 / (len(base) - 1))
    return Estimate.of_mean(value, sqrt(variance), df, n=n, units=1, source=SINGLE_POINT_SOURCE)


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
