"""Deming's line: errors in both methods, of one ratio at every level.

Beside the libraries: `scipy.odr` finds the line to 8e-6 and leaves scipy with 1.19 (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import isfinite, sqrt
from typing import Any

import numpy as np

from validation.stats.comparison import Matrix, Vector, centred_pair
from validation.stats.estimate import Estimate, Number

_DEMING = "Deming 1943, straight line with errors in both variables; interval: jackknife, t on n - 2 (both from memory)"
ON_THE_LINE = (
    "The samples lie on the line to the last digit: their scatter is hidden by the rounding; no interval is formed."
)
SWINGS = (
    "Without one or other of the samples the slope changes its sign: candidate and reference do not vary together, so "
    "that the line is not determined; no interval is given."
)
#: Attained by nominal 95 % in simulated comparisons of 10 to 40 samples from 0.5 to 10: the table of docs/coverage.md.
JACKKNIFE_COVERS = (
    "The jackknife takes the samples as equals: where scatter grows with the level, its 95 % interval of the slope "
    "held the truth in 86 to 93 % of simulated comparisons of 10 to 40 samples, most of them low, that of the "
    "difference in 90 to 94 %."
)


@dataclass(frozen=True, slots=True)
class DemingResult:
    """Slope and intercept of candidate on reference with errors in both methods.

    `ratio`: error variance of the candidate over that of the reference; `residual_sd`: scatter of y - a - b x.

    Attributes
    ----------
    slope, intercept : of unit 1, and in the unit of the values
    ratio : error variance of the candidate over that of the reference, unit 1
    residual_sd : of y - a - b x, in the unit of the values
    """

    slope: Estimate
    intercept: Estimate
    ratio: float
    residual_sd: float


def deming(x: Sequence[Number], y: Sequence[Number], *, ratio: float = 1.0) -> DemingResult:
    """Straight line with errors in both variables of known variance ratio.

    Parameters
    ----------
    x, y : shape (n,), n >= 3, reference and candidate in one unit
    ratio : error variance of y over that of x, positive

    Returns
    -------
    DemingResult, intervals by the jackknife, t on n - 2

    Raises
    ------
    ValueError
        n < 3, a ratio not positive, or values that do not determine a line.

    References
    ----------
    Deming 1943, Statistical Adjustment of Data; Linnet 1990, Stat. Med. 9, 1463 (jackknife; from memory).

    Examples
    --------
    Pearson 1901, Phil. Mag. 2, 559: the line of closest fit to ten points, y = 5.784 - 0.546 x (from memory).

    >>> x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    >>> y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    >>> line = deming(x, y)
    >>> round(line.slope.value, 3), round(line.intercept.value, 3)
    (-0.546, 5.784)
    """
    xs, ys, shift = centred_pair(x, y)
    slopes, centred = (part[0] for part in _deming_fits(xs[None, :], ys[None, :], ratio))
    residuals = ys - centred[0] - slopes[0] * xs
    obstacle = no_interval(slopes, residuals, ys)
    return DemingResult(
        slope=_jackknifed(slopes, obstacle),
        intercept=_jackknifed(centred + float(shift[1]) - slopes * float(shift[0]), obstacle),
        ratio=ratio,
        residual_sd=sqrt(float((residuals**2).sum()) / (xs.size - 2)),
    )


def difference_at(level: float, x: Sequence[Number], y: Sequence[Number], *, ratio: float = 1.0) -> Estimate:
    """Predicted difference candidate minus reference at a level of the reference: a + (b - 1) level, Deming's line.

    Parameters
    ----------
    level : in the unit of x
    x, y, ratio : as in `deming`

    Returns
    -------
    Estimate with the jackknife interval of the prediction itself, t on n - 2. It is noted where `level` lies outside
    the reference values.

    Raises
    ------
    ValueError
        As `deming`.

    References
    ----------
    Linnet 1990, Stat. Med. 9, 1463 (jackknife; from memory).
    """
    xs, ys, shift = centred_pair(x, y)
    slopes, intercepts = (part[0] for part in _deming_fits(xs[None, :], ys[None, :], ratio))
    inside = float(Fraction(level) - shift[0])
    offset = float(shift[1] - shift[0])
    obstacle = no_interval(slopes, ys - intercepts[0] - slopes[0] * xs, ys)
    estimate = _jackknifed(offset + intercepts + (slopes - 1) * inside, obstacle)
    if not xs.min() <= inside <= xs.max():
        low, high = float(shift[0]) + float(xs.min()), float(shift[0]) + float(xs.max())
        return estimate.with_notes(
            f"{level:.6g} lies outside the reference values ({low:.6g} to {high:.6g}): the line is extended."
        )
    return estimate


def _deming_slope(sxx: Any, sxy: Any, syy: Any, ratio: float) -> Any:
    difference = syy - ratio * sxx
    return (difference + np.sqrt(difference**2 + 4 * ratio * sxy**2)) / (2 * sxy)


def _deming_fits(x: Matrix, y: Matrix, ratio: float) -> tuple[Matrix, Matrix]:
    """Slopes and intercepts of comparisons x, y of shape (studies, n): from all points, then without each in turn.

    Each of shape (studies, n + 1).
    """
    if not (isfinite(ratio) and ratio > 0):
        raise ValueError(f"ratio must be a positive number; got {ratio}")
    n = x.shape[1]
    mx, my = (v.mean(axis=1, keepdims=True) for v in (x, y))
    dx, dy = x - mx, y - my
    sxx, sxy, syy = _sums_of_products(dx, dy)
    if np.any(sxy == 0):
        raise ValueError("x and y must vary together for a line; with or without one pair they do not")
    slopes = _deming_slope(sxx, sxy, syy, ratio)
    # Without a point the mean moves away from it.
    mx, my = (np.hstack([m, m - d / (n - 1)]) for m, d in ((mx, dx), (my, dy)))
    return slopes, my - slopes * mx


def _sums_of_products(dx: Matrix, dy: Matrix) -> Matrix:
    """Of deviations from the mean, shape (studies, n): xx, xy and yy of all points, then without each in turn.

    Shape (3, studies, n + 1). A sum loses n / (n - 1) of the point's own product; where that leaves next to nothing,
    it is formed from the other points.
    """
    n = dx.shape[1]
    products = np.stack([dx * dx, dx * dy, dy * dy])
    whole = products.sum(axis=2, keepdims=True)
    left = whole - n / (n - 1) * products
    xx, xy, yy = left
    little = (xx < 0.01 * whole[0]) | (yy < 0.01 * whole[2]) | (np.abs(xy) < 1e-9 * np.sqrt(np.abs(xx * yy)))
    for study, point in np.argwhere(little):
        x, y = (np.delete(d[study], point) for d in (dx, dy))
        x, y = x - x.mean(), y - y.mean()
        left[:, study, point] = x @ x, x @ y, y @ y
    return np.concatenate([whole, left], axis=2)


def _jackknife_error(fits: Matrix) -> Vector:
    """Standard error from estimates with all points, first, and without each in turn: the last axis."""
    left_out = fits[..., 1:]
    n = left_out.shape[-1]
    squares = ((left_out - left_out.mean(axis=-1, keepdims=True)) ** 2).sum(axis=-1)
    return np.sqrt((n - 1) / n * squares)


def deming_many(x: Matrix, y: Matrix, *, level: float, ratio: float = 1.0) -> tuple[Matrix, Matrix]:
    """The lines of `deming` and the differences of `difference_at` of many comparisons of as many samples.

    Parameters
    ----------
    x, y : shape (studies, n), n >= 3, reference and candidate, one unit
    level : float, where the difference is predicted, unit of x
    ratio : as in `deming`

    Returns
    -------
    values, errors : shape (3, studies): slope, intercept, difference, and their jackknife standard errors

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    As `deming`: Linnet 1990, Stat. Med. 9, 1463 (jackknife; from memory).
    """
    slopes, intercepts = _deming_fits(x, y, ratio)
    fits = np.stack([slopes, intercepts, intercepts + (slopes - 1) * level])
    return fits[:, :, 0], _jackknife_error(fits)


def no_interval(slopes: Vector, residuals: Vector, y: Vector) -> str:
    """Why a jackknifed line has no interval: residuals that are the rounding of doubles, or slopes of both signs.

    Parameters
    ----------
    slopes : shape (n + 1,), from all samples and without each in turn, unit 1
    residuals, y : shape (n,), of the line of all, and the candidate's results, one unit

    Returns
    -------
    str, a whole sentence; empty where there is an interval

    Raises
    ------
    None.

    References
    ----------
    Own limits.
    """
    if np.abs(residuals).max() <= 1e-12 * np.ptp(y):
        return ON_THE_LINE
    return SWINGS if slopes.min() < 0 < slopes.max() else ""


def _jackknifed(fits: Vector, obstacle: str) -> Estimate:
    """An estimate from all n points, and those from all but one: shape (n + 1,)."""
    value, n = float(fits[0]), fits.size - 1
    if obstacle:
        return Estimate(value, n=n, units=n, notes=(obstacle,), source=_DEMING)
    error = float(_jackknife_error(fits))
    return Estimate.of_mean(value, error, float(n - 2), n=n, units=n, notes=(JACKKNIFE_COVERS,), source=_DEMING)
