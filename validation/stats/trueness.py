"""Bias against reference values: at one level, and as a joint line over levels.

The line of a run is numpy's `polyfit`. T squared is one line here; statsmodels `test_mvmean` gives the same to the
last digit, but not the critical value of the joint region (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import hypot, inf, isfinite, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from validation.stats.estimate import Estimate, Number, centre, check_sizes, exact_mean
from validation.stats.intervals import check_confidence, f_quantile, satterthwaite
from validation.stats.lines import weighted_lines

BIAS_SOURCE = "VIM 2.18; ISO 5725-4 (bias of one laboratory; both from memory); Student t over run means"
LINE_SOURCE = "weighted straight line in each run, Student t over runs (common practice)"
REGION_SOURCE = "Hotelling's T squared over runs (Hotelling 1931, from memory)"
RUNS_ALIKE = (
    "The run means agree to the last digit: their rounding hides how far they differ, so no interval can be formed. "
    "Readings with more digits would supply it."
)
LINES_ALIKE = "The lines of the runs agree to the last digit: their rounding hides how far they differ."


def bias(errors: Sequence[Sequence[Number]], *, reference_uncertainty: float | None = None) -> Estimate:
    """Mean of the run means of result minus reference value, at one level.

    Parameters
    ----------
    errors : runs of readings, each result minus its reference value (floats or exact decimals), one unit
    reference_uncertainty : standard uncertainty of the reference value, common to all readings; joined to the
        standard error by root sum of squares, degrees of freedom by Welch and Satterthwaite

    Returns
    -------
    Estimate in the unit of the errors; without an interval where there is one run, or where the run means do not
    differ at all and no uncertainty of the reference value is known

    Raises
    ------
    ValueError
        No run, an empty run, or a negative uncertainty.

    References
    ----------
    VIM (JCGM 200:2012) 2.18; JCGM 100:2008, G.4.1 (effective degrees of freedom).

    Examples
    --------
    Five runs of three results, USP general chapter <1010>, appendix B: prints the grand mean 100.96.

    >>> runs = [
    ...     [100.7, 101.05, 101.15],
    ...     [99.46, 99.37, 99.59],
    ...     [99.96, 100.17, 101.01],
    ...     [101.8, 102.16, 102.44],
    ...     [101.91, 102.0, 101.67],
    ... ]
    >>> round(bias([[result - 100 for result in run] for run in runs]).value, 2)
    0.96
    """
    if not errors or any(len(run) == 0 for run in errors):
        raise ValueError("errors must hold at least one run, and each run at least one reading")
    if reference_uncertainty is not None and not reference_uncertainty >= 0:
        raise ValueError(f"reference_uncertainty must not be negative; got {reference_uncertainty}")
    if not all(isfinite(value) for run in errors for value in run):
        raise ValueError("errors must hold finite numbers")
    means = [exact_mean(run) for run in errors]
    _, differences = centre(means)
    p, n = len(means), sum(len(run) for run in errors)
    value = float(sum(means, Fraction(0)) / p)
    if p == 1:
        note = "There is one run only: the bias has no interval; further runs would supply it."
        return Estimate(value, n=n, units=1, notes=(note,), source=BIAS_SOURCE)
    error = float(differences.std(ddof=1)) / sqrt(p)
    df = float(p - 1)
    notes: tuple[str, ...] = ()
    if reference_uncertainty:
        check_sizes(reference_uncertainty, "reference_uncertainty")
        df = satterthwaite((1.0, 1.0), (error**2, reference_uncertainty**2), (df, inf)) or inf
        error = hypot(error, reference_uncertainty)
        notes = (
            "The standard uncertainty of the reference value is joined to the standard error of the mean by root sum "
            "of squares; degrees of freedom by Welch and Satterthwaite.",
        )
    if error == 0:
        return Estimate(value, n=n, units=p, notes=(RUNS_ALIKE,), source=BIAS_SOURCE)
    if len({len(run) for run in errors}) > 1:
        notes = ("The runs hold unequal numbers of readings; each run mean counts the same.", *notes)
    of_error = df if np.isfinite(df) else None
    return Estimate.of_mean(value, error, of_error, n=n, units=p, notes=notes, source=BIAS_SOURCE)


@dataclass(frozen=True, slots=True)
class BiasLineResult:
    """Straight line of the error on the level, averaged over runs.

    Attributes
    ----------
    constant : error at level zero, unit of the errors
    proportional : change of the error per unit of level, unit 1
    intercepts, slopes : one of each run, in the order given
    covariance : shape (2, 2), of the two means
    t_squared : Hotelling's T squared of the point (0, 0); None with fewer than three runs
    critical : its critical value at `confidence`; the joint region holds every line with T squared not above it
    zero_inside : whether the line without constant and proportional bias lies inside the joint region
    """

    constant: Estimate
    proportional: Estimate
    intercepts: tuple[float, ...]
    slopes: tuple[float, ...]
    covariance: tuple[tuple[float, float], tuple[float, float]]
    t_squared: float | None
    critical: float | None
    zero_inside: bool | None
    source: str = REGION_SOURCE


def bias_line(
    levels: Sequence[ArrayLike],
    errors: Sequence[ArrayLike],
    weights: Sequence[ArrayLike],
    *,
    confidence: float = 0.95,
    n: int = 0,
) -> BiasLineResult:
    """Constant and proportional bias from one weighted line a run.

    All readings of a run share its calibration, so the run is the unit: the interval is Student's t over the runs'
    intercepts and slopes, right whatever the weights.

    Parameters
    ----------
    levels, errors, weights : one array a run, shape (k,), k >= 3: reference value, mean error, weight of each level
    confidence : level of the joint region
    n : readings that entered, for the record

    Returns
    -------
    BiasLineResult; the constant in the unit of the errors, the proportional part of unit 1

    Raises
    ------
    ValueError
        Fewer than two runs, or a run with fewer than three distinct levels.

    References
    ----------
    Straight line: Draper and Smith, Applied Regression Analysis, weighted least squares. Joint region: Hotelling
    1931, Ann. Math. Stat. 2, 360 (both from memory).
    """
    check_confidence(confidence)
    if len(levels) < 2:
        raise ValueError(f"a joint line needs at least two runs; got {len(levels)}")
    for name, values in (("levels", levels), ("errors", errors)):
        check_sizes(np.concatenate([np.asarray(run, dtype=float) for run in values]), name)
    if not all(np.all(np.asarray(run) > 0) for run in weights):
        raise ValueError("weights must be positive")
    lines = np.array([_line(x, y, w) for x, y, w in zip(levels, errors, weights, strict=True)])
    runs = len(lines)
    means = lines.mean(axis=0)
    covariance = np.cov(lines, rowvar=False, ddof=1) / runs
    estimates = []
    for value, variance in zip(means.tolist(), np.diag(covariance).tolist(), strict=True):
        error = sqrt(max(0.0, variance))
        if error == 0:
            estimates.append(Estimate(value, n=n, units=runs, notes=(LINES_ALIKE,), source=LINE_SOURCE))
        else:
            estimates.append(Estimate.of_mean(value, error, float(runs - 1), n=n, units=runs, source=LINE_SOURCE))
    t_squared = critical = inside = None
    if runs > 2 and np.linalg.matrix_rank(covariance, hermitian=True) == 2:
        t_squared = float(means @ np.linalg.solve(covariance, means))
        critical = 2 * (runs - 1) / (runs - 2) * f_quantile(confidence, 2, runs - 2)
        inside = t_squared <= critical
    (a, b), (c, d) = covariance.tolist()
    return BiasLineResult(
        estimates[0],
        estimates[1],
        tuple(lines[:, 0].tolist()),
        tuple(lines[:, 1].tolist()),
        ((a, b), (c, d)),
        t_squared,
        critical,
        inside,
    )


def _line(x: ArrayLike, y: ArrayLike, w: ArrayLike) -> NDArray[np.float64]:
    """Intercept and slope by weighted least squares."""
    x, y, w = (np.asarray(values, dtype=float) for values in (x, y, w))
    if np.unique(x).size < 3:
        raise ValueError(f"each run must span at least three levels; got {np.unique(x).size}")
    line = weighted_lines(x, y[None, :], w)
    return np.array([line.intercept[0], line.slope[0]])
