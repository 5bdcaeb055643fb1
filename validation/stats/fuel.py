"""Spread of the response factors over fuels: an uncertainty component wherever the customers' fuel is not known."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

import numpy as np

from validation.stats.estimate import Estimate, check_sizes

SOURCE = "relative standard deviation, chi-square interval (common practice)"
ONE_FUEL = "There is one fuel only: the spread over fuels cannot be told; further fuels would supply it."
ALIKE = "The slopes of the fuels agree to the last digit: no spread could be found."


def relative_spread(slopes: Sequence[float], *, n: int = 0) -> Estimate | None:
    """Standard deviation of the slopes over fuels, divided by their mean.

    Parameters
    ----------
    slopes : shape (k,), one a fuel
    n : readings that entered, for the record

    Returns
    -------
    Estimate with k - 1 degrees of freedom; None for one fuel, or where the slopes average to zero or less. The
    interval is that of a standard deviation of normal values with the mean taken as known, close enough below a
    spread of 0.3; it holds for fuels drawn at random, which fuels of an experiment seldom are.

    Raises
    ------
    ValueError
        No slopes, or one that is not finite.

    References
    ----------
    Common practice; interval: chi-square (ISO 2854, from memory).

    Examples
    --------
    Five voltages, Hahn and Meeker, Statistical Intervals, 1991, chapter 3 (from memory): prints s 1.31 and mean 50.10,
    so that the relative spread is 0.0262.

    >>> round(relative_spread([51.4, 49.5, 48.7, 49.3, 51.6]).value, 4)
    0.0262
    """
    values = np.asarray(slopes, dtype=float)
    if values.size == 0:
        raise ValueError("slopes must hold at least one number; got none")
    check_sizes(values, "slopes")
    k, middle = values.size, float(values.mean())
    if k == 1 or middle <= 0:
        return None
    spread = float(values.std(ddof=1)) / middle
    if spread <= 1e-13:
        return Estimate.of_sd(0.0, k - 1, n=n, units=k, notes=(ALIKE,), source=SOURCE)
    return Estimate.of_sd(spread, k - 1, n=n, units=k, source=SOURCE)


def scatter_share(slopes: Sequence[float], standard_errors: Sequence[float]) -> float:
    """The spread that the scatter of the slopes alone would show: root mean square of their standard errors, relative.

    Parameters
    ----------
    slopes, standard_errors : shape (k,), k >= 1, one a fuel

    Returns
    -------
    float, unit 1

    Raises
    ------
    ValueError
        Shapes differ, or the slopes average to zero.

    References
    ----------
    Common practice, no source.
    """
    if len(slopes) != len(standard_errors) or not slopes or sum(slopes) == 0:
        raise ValueError("slopes and standard_errors must pair up, and the slopes not average to zero")
    check_sizes([*slopes, *standard_errors], "slopes and standard_errors")
    middle = sum(slopes) / len(slopes)
    return sqrt(sum(error**2 for error in standard_errors) / len(slopes)) / abs(middle)
