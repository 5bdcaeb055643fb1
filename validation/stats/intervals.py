"""Two-sided intervals of means, ratios, standard deviations and sums of mean squares, at any level of confidence.

Functions on numbers; those of mean squares take arrays with one value a study as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Interval = tuple[float, float]
#: One study's number, or an array of one number a study: the interval functions take both.
Studies = float | NDArray[np.float64]


def check_confidence(confidence: float) -> None:
    """Refuse a level of confidence outside (0, 1).

    Parameters
    ----------
    confidence : float, unit 1

    Returns
    -------
    None

    Raises
    ------
    ValueError
        Not a finite number between 0 and 1.

    References
    ----------
    None: it is a check.
    """
    if not (isfinite(confidence) and 0 < confidence < 1):
        raise ValueError(f"confidence must lie between 0 and 1; got {confidence}")


def t_quantile(p: float, df: Any) -> Any:
    """Quantile of Student's t; of the normal distribution where `df` is None or infinite.

    Parameters
    ----------
    p : float, probability between 0 and 1
    df : float or array, degrees of freedom above 0; None or infinite for the normal distribution

    Returns
    -------
    float or array, unit 1

    Raises
    ------
    None; NaN outside these ranges.

    References
    ----------
    `scipy.special.stdtrit` and `ndtri`: the digits of `scipy.stats`, without its checks of arguments.

    Examples
    --------
    Method detection limit, 40 CFR 136, Appendix B: prints 3.143 for the one-sided 99 % point of t on 6, 2.326 for the
    normal one.

    >>> round(t_quantile(0.99, 6), 3), round(t_quantile(0.99, None), 3)
    (3.143, 2.326)
    """
    if np.ndim(df):
        return special.stdtrit(df, p)
    return float(special.ndtri(p) if df is None or df == np.inf else special.stdtrit(df, p))


def weighted_t(p: float, variances: Sequence[float], dfs: Sequence[float]) -> float:
    """Quantile that Cochran and Cox put in the place of Student's t where an estimate has parts of several variances.

    The mean of the parts' own quantiles, each weighted by its variance: between the largest and the smallest of them.

    Parameters
    ----------
    p : float, probability between 0 and 1
    variances : shape (k,), 0 or more, not all zero
    dfs : shape (k,), degrees of freedom above 0; infinite for a part that is known

    Returns
    -------
    float, unit 1

    Raises
    ------
    None; NaN outside these ranges.

    References
    ----------
    Cochran and Cox, Experimental Designs, 1950 (from memory); it tends to be conservative: Lee and Gurland 1975, J.
    Amer. Statist. Assoc. 70, 933 (from memory). What it holds: docs/lots.md.
    """
    quantiles = np.array([t_quantile(p, df) for df in dfs])
    return float(np.average(quantiles, weights=variances))


def chi_square_quantile(p: Any, df: Any) -> Any:
    """Quantile of chi-square; `df` above zero, a number or an array.

    Parameters
    ----------
    p : float, probability between 0 and 1; or an array of them
    df : float, degrees of freedom above 0; or an array of them

    Returns
    -------
    float or array, unit 1

    Raises
    ------
    None; NaN outside these ranges.

    References
    ----------
    `scipy.special.gammaincinv`.
    """
    return 2 * special.gammaincinv(np.asarray(df, dtype=float) / 2, p)


def f_quantile(p: float, df1: float, df2: float) -> float:
    """Quantile of Fisher's F.

    Parameters
    ----------
    p : float, probability between 0 and 1
    df1, df2 : float, degrees of freedom of numerator and denominator, above 0

    Returns
    -------
    float, unit 1

    Raises
    ------
    None; NaN outside these ranges.

    References
    ----------
    `scipy.special.fdtri`.
    """
    return float(special.fdtri(df1, df2, p))


def mean_interval(value: Any, error: Any, df: Any, confidence: float) -> tuple[Any, Any]:
    """value -+ t times `error`; the normal quantile where `df` is None.

    Parameters
    ----------
    value, error : float or shape (studies,), a mean or coefficient and its standard error, one unit
    df : float or array, degrees of freedom above 0; None for the normal quantile
    confidence : level of the interval

    Returns
    -------
    low, high : as `value`

    Raises
    ------
    None; NaN outside these ranges.

    References
    ----------
    Student's t (any textbook; common practice).
    """
    half = t_quantile((1 + confidence) / 2, df) * error
    return value - half, value + half


def sd_interval(s: Any, df: Any, confidence: float) -> tuple[Any, Any]:
    """Two-sided chi-square interval of a standard deviation with `df` degrees of freedom (ISO 2854, from memory).

    Parameters
    ----------
    s : float or shape (studies,), standard deviation, or a constant times one
    df : float or shape (studies,), its degrees of freedom, above 0
    confidence : level of the interval

    Returns
    -------
    (low, high), floats in the unit of s

    Raises
    ------
    ZeroDivisionError
        Degrees of freedom so few that a quantile is zero in double precision.

    References
    ----------
    ISO 2854 (from memory).
    """
    low, high = tails(confidence)
    root = np.sqrt if np.ndim(df) else sqrt
    return s * root(df / chi_square_quantile(high, df)), s * root(df / chi_square_quantile(low, df))


def sum_of_mean_squares_interval(
    coefficients: Sequence[float], mean_squares: Sequence[Any], dfs: Sequence[float], *, confidence: float
) -> tuple[Any, Any]:
    """Two-sided modified-large-sample interval of a sum of mean squares, all coefficients non-negative.

    Parameters
    ----------
    coefficients, mean_squares, dfs : shape (k,), one entry a mean square; a mean square may itself be an array with
        one value a study, and then the ends are arrays
    confidence : level of the interval

    Returns
    -------
    (low, high) in the unit of the mean squares

    Raises
    ------
    ValueError
        A coefficient below zero, or a confidence outside (0, 1).

    References
    ----------
    Graybill and Wang 1980, J. Am. Stat. Assoc. 75, 869; Burdick and Graybill 1992, 3.2 (from memory).
    """
    check_confidence(confidence)
    if np.any(np.asarray(coefficients) < 0):
        raise ValueError("coefficients must not be negative; use between_component_interval for a difference")
    g, h = _g_and_h(np.asarray(dfs, dtype=float), confidence)
    terms = np.asarray(coefficients, dtype=float) * np.asarray(mean_squares, dtype=float).T
    exponent = np.frexp(terms.max(axis=-1, keepdims=True))[1]
    terms = np.ldexp(terms, -exponent)  # a power of two takes no digit, and keeps squares from leaving the doubles
    total = terms.sum(axis=-1)
    below, above = (np.sqrt(((factor * terms) ** 2).sum(axis=-1)) for factor in (g, h))
    ends = np.maximum(0.0, total - below), total + above
    return np.ldexp(ends[0], exponent[..., 0]), np.ldexp(ends[1], exponent[..., 0])


def between_component_interval(
    ms_between: Studies, ms_within: Studies, df_between: float, df_within: float, n: float, *, confidence: float
) -> tuple[Any, Any]:
    """Two-sided modified-large-sample interval of (ms_between - ms_within) / n, ends not below zero.

    Parameters
    ----------
    ms_between, ms_within, df_between, df_within : the two mean squares and their degrees of freedom; the mean squares
        may be arrays with one value a study, and then the ends are arrays
    n : readings a group; the harmonic mean, with the unweighted mean square between, where counts differ
    confidence : level of the interval

    Returns
    -------
    (low, high), in the squared unit of the readings, none below zero

    Raises
    ------
    ValueError
        A confidence outside (0, 1).

    References
    ----------
    Ting, Burdick, Graybill, Jeyaratnam and Lu 1990, J. Stat. Comput. Simul. 35, 135; Burdick and Graybill 1992, 3.3
    and 4.3 (from memory).
    """
    check_confidence(confidence)
    (g1, g2), (h1, h2) = _g_and_h(np.array([df_between, df_within], dtype=float), confidence)
    low_tail, high_tail = tails(confidence)
    f_high = f_quantile(high_tail, df_between, df_within)
    f_low = f_quantile(low_tail, df_between, df_within)
    g12 = ((f_high - 1) ** 2 - g1**2 * f_high**2 - h2**2) / f_high
    h12 = ((1 - f_low) ** 2 - h1**2 * f_low**2 - g2**2) / f_low
    exponent = np.frexp(np.maximum(ms_between, ms_within) / n)[1]  # as above
    a, b = np.ldexp(ms_between / n, -exponent), np.ldexp(ms_within / n, -exponent)
    below = (g1 * a) ** 2 + (h2 * b) ** 2 + g12 * a * b
    above = (h1 * a) ** 2 + (g2 * b) ** 2 + h12 * a * b
    low, high = a - b - np.sqrt(np.maximum(0.0, below)), a - b + np.sqrt(np.maximum(0.0, above))
    return np.ldexp(np.maximum(0.0, low), exponent), np.ldexp(np.maximum(0.0, high), exponent)


def guarded_component_interval(
    ms_between: Studies, ms_within: Studies, df_between: float, df_within: float, n: float, *, confidence: float
) -> tuple[Any, Any]:
    """The interval of `between_component_interval`, its upper end never below that at a lower point of F.

    Where the group means agree better than the scatter within the groups explains, the upper end falls towards zero,
    and below the lower alpha / 2 point of F it is zero: a bound that any limit meets, by luck of the draw. It is held
    at the one for a ratio of mean squares at the lower alpha point of F, alpha = 1 - confidence. The interval only
    covers more, and only where the component is too small for the design to see. (Own choice: held at equal mean
    squares, which is safer still, it covers a component of a quarter of the variance within in 98 % instead of 95 %.)

    Parameters and unit as `between_component_interval`.

    Parameters
    ----------
    ms_between, ms_within, df_between, df_within, n, confidence : as `between_component_interval`

    Returns
    -------
    (low, high), in the squared unit of the readings, none below zero

    Raises
    ------
    ValueError
        A confidence outside (0, 1).

    References
    ----------
    Own choice on the interval of Ting et al. 1990, with its simulated coverage in docs/coverage.md.
    """
    low, _ = between_component_interval(ms_between, ms_within, df_between, df_within, n, confidence=confidence)
    floor = min(1.0, f_quantile(1 - confidence, df_between, df_within))
    raised = np.maximum(ms_between, floor * ms_within)
    _, high = between_component_interval(raised, ms_within, df_between, df_within, n, confidence=confidence)
    return low, high


def guarded_sum_interval(
    coefficients: Sequence[float],
    mean_squares: Sequence[Any],
    raised: Sequence[Any],
    dfs: Sequence[float],
    *,
    confidence: float,
) -> tuple[Any, Any]:
    """The interval of `sum_of_mean_squares_interval`, its upper end from the mean squares `raised` to equality.

    Parameters
    ----------
    coefficients, mean_squares, raised, dfs : shape (k,); `raised` holds each mean square or, where it is smaller than
        the stage below explains, what that stage explains: a component below zero cannot narrow the bound of a sum
    confidence : level of the interval

    Returns
    -------
    (low, high), in the unit of the mean squares

    Raises
    ------
    ValueError
        A coefficient below zero, or a confidence outside (0, 1).

    References
    ----------
    Own choice on the interval of Graybill and Wang 1980, with its simulated coverage in docs/coverage.md.
    """
    low, _ = sum_of_mean_squares_interval(coefficients, mean_squares, dfs, confidence=confidence)
    _, high = sum_of_mean_squares_interval(coefficients, raised, dfs, confidence=confidence)
    return low, high


def root_interval(value: Any, squares: tuple[Any, Any]) -> tuple[Any, Any]:
    """Ends of a variance as ends of a standard deviation, widened to the estimate where it lies outside.

    Parameters
    ----------
    value : float or shape (studies,), the standard deviation
    squares : two ends of the variance, none below 0, shaped as `value`

    Returns
    -------
    low, high : in the unit of the standard deviation

    Raises
    ------
    None.

    References
    ----------
    Own choice: a truncated estimate outside its interval only makes it cover more.
    """
    return np.minimum(value, np.sqrt(squares[0])), np.maximum(value, np.sqrt(squares[1]))


def joined_interval(mean: Any, half: Any, factor: Any, s: Any, ends: tuple[Any, Any]) -> tuple[Any, Any]:
    """Interval of mean + factor * s from mean -+ half and the `ends` of s, widened to s where it lies outside.

    Parameters
    ----------
    mean, half : float or shape (studies,), a mean and the half-width of its interval, one unit
    factor : float, above 0
    s, ends : a standard deviation and its interval, in the unit of the mean

    Returns
    -------
    low, high : in the unit of the mean

    Raises
    ------
    None.

    References
    ----------
    Zou and Donner 2008, Stat. Med. 27, 1693 (from memory).
    """
    below, above = s - np.minimum(ends[0], s), np.maximum(ends[1], s) - s
    value = mean + factor * s
    return value - np.sqrt(half**2 + (factor * below) ** 2), value + np.sqrt(half**2 + (factor * above) ** 2)


def satterthwaite(coefficients: Sequence[float], mean_squares: Sequence[Any], dfs: Sequence[float]) -> Any:
    """Degrees of freedom of a sum of mean squares (Satterthwaite 1946, Biometrics 2, 110); None where all are zero.

    Parameters
    ----------
    coefficients, mean_squares, dfs : shape (k,), floats; mean squares in one unit, or arrays with one value a study;
        degrees of freedom above 0

    Returns
    -------
    float, or None where all terms are zero; an array where the mean squares are arrays

    Raises
    ------
    None.

    References
    ----------
    Satterthwaite 1946, Biometrics 2, 110 (from memory).
    """
    terms = np.asarray(coefficients, dtype=float) * np.asarray(mean_squares, dtype=float).T
    # A power of two takes no digit, and keeps the squares of mean squares from leaving the doubles.
    terms = np.ldexp(terms, -np.frexp(np.abs(terms).max(axis=-1, keepdims=True))[1])
    bottom = (terms**2 / np.asarray(dfs, dtype=float)).sum(axis=-1)
    if terms.ndim > 1:
        return terms.sum(axis=-1) ** 2 / bottom
    return float(terms.sum()) ** 2 / float(bottom) if bottom > 0 else None


@dataclass(frozen=True, slots=True)
class FiellerResult:
    """Fieller's set for a ratio of two means.

    Attributes
    ----------
    interval : its two ends; None where the set is not an interval
    g : t^2 times the variance of the denominator over its square; the set is an interval where g < 1
    standard_uncertainty : of the ratio, to first order
    """

    interval: tuple[float, float] | None
    g: float
    standard_uncertainty: float


def fieller(
    numerator: float,
    denominator: float,
    covariance: ArrayLike,
    *,
    degrees_of_freedom: float,
    confidence: float = 0.95,
) -> FiellerResult:
    """Fieller's set of `fieller_set` at Student's t of `confidence`.

    Parameters
    ----------
    numerator, denominator : the two means; the denominator not zero
    covariance : shape (2, 2), of the two means, numerator first
    degrees_of_freedom : behind the covariance, above 0
    confidence : level of the two-sided interval

    Returns
    -------
    FiellerResult

    Raises
    ------
    ValueError
        The denominator is zero, or the degrees of freedom are not above zero.

    References
    ----------
    Fieller 1954, J. R. Statist. Soc. B 16, 175.
    """
    check_confidence(confidence)
    if not degrees_of_freedom > 0:
        raise ValueError(f"degrees_of_freedom must exceed 0; got {degrees_of_freedom}")
    return fieller_set(numerator, denominator, covariance, t_quantile((1 + confidence) / 2, degrees_of_freedom))


def fieller_set(numerator: float, denominator: float, covariance: ArrayLike, t: float) -> FiellerResult:
    """Every ratio rho for which numerator - rho * denominator lies within `t` standard errors of zero.

    Parameters
    ----------
    numerator, denominator : the two means; the denominator not zero
    covariance : shape (2, 2), of the two means, numerator first
    t : float above 0, quantile of the standardised difference

    Returns
    -------
    FiellerResult. Where the denominator itself is compatible with zero (g >= 1), the set is everything outside two
    ends, or every number: no interval is given then.

    Raises
    ------
    ValueError
        The denominator is zero.

    References
    ----------
    Fieller 1954, J. R. Statist. Soc. B 16, 175; written out as by Franz 2007, arXiv:0710.2024, equation for the
    general case (clause from memory).
    """
    if denominator == 0:
        raise ValueError("the denominator must not be zero; got 0")
    (v_nn, v_nd), (_, v_dd) = np.asarray(covariance, dtype=float).tolist()
    ratio = numerator / denominator
    # In units of the denominator, so that large readings cost no digits.
    r_nn, r_nd, r_dd = (v / denominator**2 for v in (v_nn, v_nd, v_dd))
    error = sqrt(max(0.0, r_nn - 2 * ratio * r_nd + ratio**2 * r_dd))
    g = t**2 * r_dd
    if g >= 1:
        return FiellerResult(None, g, error)
    # The discriminant of the quadratic, without the difference of nearly equal squares.
    inner = error**2 - t**2 * (r_nn * r_dd - r_nd**2)
    if inner < 0:
        return FiellerResult(None, g, error)
    half = t * sqrt(inner)
    middle = ratio - t**2 * r_nd
    return FiellerResult(((middle - half) / (1 - g), (middle + half) / (1 - g)), g, error)


def tails(confidence: float) -> Interval:
    """The two probabilities between which the two-sided interval lies.

    Parameters
    ----------
    confidence : float between 0 and 1

    Returns
    -------
    (low, high), probabilities

    Raises
    ------
    None.

    References
    ----------
    None: (1 - confidence) / 2 and its complement.
    """
    return (1 - confidence) / 2, (1 + confidence) / 2


def _g_and_h(dfs: NDArray[np.float64], confidence: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Burdick and Graybill's G = 1 - df/chi2(upper) and H = df/chi2(lower) - 1."""
    low, high = tails(confidence)
    return 1 - dfs / chi_square_quantile(high, dfs), dfs / chi_square_quantile(low, dfs) - 1
