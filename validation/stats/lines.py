"""Weighted straight lines through many data sets at once, in doubles; `regression` fits one in exact arithmetic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Straight lines y = a + b x; every array holds one value a data set.

    Attributes
    ----------
    intercept, slope : a and b
    residual_sd : root of the weighted residual mean square
    residuals : shape (studies, n), y minus the fitted value
    total_sum : weighted sum of squares of y about its weighted mean
    x_mean, x_sum_of_squares, weight_sum : weighted mean of x, sum of squares about it, sum of the weights
    degrees_of_freedom : n - 2
    """

    intercept: Floats
    slope: Floats
    residual_sd: Floats
    residuals: Floats
    total_sum: Floats
    x_mean: Floats
    x_sum_of_squares: Floats
    weight_sum: Floats
    degrees_of_freedom: int

    @property
    def n(self) -> int:
        """Readings of a data set."""
        return self.residuals.shape[1]

    @property
    def variance_at_zero(self) -> Floats:
        """Variance of the fitted response at x = 0, which is that of the intercept."""
        return self.residual_sd**2 * (1 / self.weight_sum + self.x_mean**2 / self.x_sum_of_squares)

    @property
    def slope_error(self) -> Floats:
        """Standard error of the slope."""
        return self.residual_sd / np.sqrt(self.x_sum_of_squares)


def weighted_lines(x: ArrayLike, y: ArrayLike, weights: ArrayLike | None = None) -> Lines:
    """Fit the line of every data set by (weighted) least squares.

    Parameters
    ----------
    x : shape (n,), at two levels or more
    y : shape (studies, n); large responses come as small differences from an exact offset
    weights : shape (n,) or (studies, n), positive, proportional to 1 / variance; None for ordinary lines

    Returns
    -------
    Lines, one value a study in every array

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapters 1 and 9 (from memory).

    Examples
    --------
    Thermometer of JCGM 100:2008, H.3: prints y1 = -0.1712 and y2 = 0.002 18 about t0 = 20 (from memory).

    >>> t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    >>> b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    >>> line = weighted_lines([temperature - 20 for temperature in t], [b])
    >>> round(float(line.intercept[0]), 4), round(float(line.slope[0]), 5)
    (-0.1712, 0.00218)
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    w = np.broadcast_to(1.0 if weights is None else np.asarray(weights, dtype=float), ys.shape)
    total = w.sum(axis=1)
    x_mean, y_mean = (w * xs).sum(axis=1) / total, (w * ys).sum(axis=1) / total
    dx, dy = xs - x_mean[:, None], ys - y_mean[:, None]
    sxx = (w * dx**2).sum(axis=1)
    slope, residuals = np.zeros(len(ys)), dy
    for _ in range(2):  # the second time adds the digits that the first has lost
        step = (w * dx * residuals).sum(axis=1) / sxx
        slope, residuals = slope + step, residuals - step[:, None] * dx
    df = len(xs) - 2
    variance = (w * residuals**2).sum(axis=1) / df if df > 0 else np.zeros(len(ys))
    return Lines(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        residual_sd=np.sqrt(variance),
        residuals=residuals,
        total_sum=(w * dy**2).sum(axis=1),
        x_mean=x_mean,
        x_sum_of_squares=sxx,
        weight_sum=total,
        degrees_of_freedom=df,
    )
