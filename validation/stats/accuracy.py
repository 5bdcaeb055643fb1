"""Where the error of a future single result lies: expectation limits, and what bounds the share within a limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from validation.stats.confidence import SumOfMeanSquares
from validation.stats.content import CONTENT_SOURCE, SingleResults
from validation.stats.estimate import Estimate
from validation.stats.intervals import check_confidence, satterthwaite, t_quantile
from validation.stats.mean_squares import Components, Floats
from validation.stats.precision import PrecisionResult

SOURCE = "Mee 1984, Technometrics 26, 251; Hubert et al. 2007, J. Pharm. Biomed. Anal. 45, 70 (both from memory)"
NO_INTERVAL = (
    "A tolerance limit is itself the end of an interval for a future result; it carries no interval of its own."
)


@dataclass(frozen=True, slots=True)
class ToleranceResult:
    """Limits in the unit of the errors; `factor` multiplies s_I, `degrees_of_freedom` are Satterthwaite's.

    Attributes
    ----------
    low, high : the limits, in the unit of the errors, without an interval; their distribution bounds the share of
        single results within a limit
    results : that distribution
    factor : of s_I, unit 1
    degrees_of_freedom : Satterthwaite's
    s_I : in the unit of the errors
    run_size : readings a run; the harmonic mean where they differ
    """

    low: Estimate
    high: Estimate
    results: SingleResults
    factor: float
    degrees_of_freedom: float
    s_I: float
    run_size: float


def tolerance_limits(precision: PrecisionResult, bias: float, *, beta: float = 0.95) -> ToleranceResult:
    """Limits that hold on average the share `beta` of the errors of future single results of future runs.

    Parameters
    ----------
    precision : precision of the errors at the level, from two runs or more
    bias : mean of the run means of the errors, the centre of the limits
    beta : expected share inside

    Returns
    -------
    ToleranceResult. With equal runs of n readings, R = s_run^2 / s_r^2, this is bias +- t * s_I * sqrt(1 + 1/(p n B^2))
    with B^2 = (R + 1)/(n R + 1) and degrees of freedom (R + 1)^2 / ((R + 1/n)^2/(p - 1) + (1 - 1/n)/(p n)).

    Raises
    ------
    ValueError
        One run only, or readings that do not scatter at all: limits of no width would hold nothing but their rounding.

    References
    ----------
    Mee 1984, Technometrics 26, 251; Hubert et al. 2007, J. Pharm. Biomed. Anal. 45, 70 (both from memory). Unequal
    runs: the harmonic mean of the run sizes takes the place of n.

    Examples
    --------
    With one reading a run they are the prediction interval of one further reading: five voltages, Hahn and Meeker,
    Statistical Intervals, 1991, chapter 3 (from memory), prints 46.1 to 54.1.

    >>> from validation.stats.precision import precision
    >>> volts = [51.4, 49.5, 48.7, 49.3, 51.6]
    >>> limits = tolerance_limits(precision([[[volt]] for volt in volts]), 50.1)
    >>> round(limits.low.value, 1), round(limits.high.value, 1)
    (46.1, 54.1)
    """
    check_confidence(beta)
    s_I, mean_variance = precision.s_I, precision.variance_of_mean
    if s_I is None or mean_variance is None:
        raise ValueError("tolerance limits need at least two runs; got one")
    if s_I.value == 0:
        raise ValueError("tolerance limits need readings that scatter; all errors are alike")
    df = _degrees_of_freedom(precision)
    factor = float(_factor(beta, df, mean_variance, s_I.value**2))
    notes: tuple[str, ...] = (NO_INTERVAL, *s_I.notes)
    if not precision.between.balanced:
        notes += (
            f"The runs hold unequal numbers of readings: the effective run size {precision.between.harmonic_n:.4g}, "
            "the harmonic mean, takes the place of n.",
        )
    results = single_results(precision, bias)
    low, high = (
        Estimate(
            bias + sign * factor * s_I.value,
            results,
            degrees_of_freedom=df,
            n=s_I.n,
            units=s_I.units,
            notes=notes,
            source=SOURCE,
        )
        for sign in (-1, 1)
    )
    return ToleranceResult(low, high, results, factor, df, s_I.value, precision.between.harmonic_n)


def single_results(precision: PrecisionResult, centre: float) -> SingleResults:
    """How future single results lie, from the mean squares behind s_I.

    Parameters
    ----------
    precision : precision of the errors at a level, from two runs or more, with scatter
    centre : mean of the run means of the errors, in their unit

    Returns
    -------
    SingleResults

    Raises
    ------
    ValueError
        No s_I, or readings that do not scatter.

    References
    ----------
    As `reach_interval`.
    """
    s_I, squares = precision.s_I, precision.mean_squares
    if s_I is None or s_I.value == 0:
        raise ValueError("precision must have an s_I above zero")
    raised = s_I.distribution.raised if isinstance(s_I.distribution, SumOfMeanSquares) else squares
    terms = precision.coefficients, squares, raised, precision.dfs
    return SingleResults(centre, s_I.value, precision.between.n_groups, *terms)


def content_limits(limits: ToleranceResult, *, content: float = 0.95, confidence: float = 0.95) -> tuple[Estimate, ...]:
    """Limits about the bias that hold the share `content` of future single results, with this confidence.

    Parameters
    ----------
    limits : of the level
    content : share inside
    confidence : that the share is reached

    Returns
    -------
    low, high : in the unit of the errors, without an interval

    Raises
    ------
    ValueError
        A content or confidence outside (0, 1), or a confidence of one half or less.

    References
    ----------
    Howe 1969, J. Am. Stat. Assoc. 64, 610: z sqrt(1 + 1/n) times the upper bound of the standard deviation; with runs
    that bound is Graybill and Wang's of the variance of a result and of the mean of the runs together (own choice).

    Examples
    --------
    NIST/SEMATECH e-Handbook, 7.2.6.3 (from memory): 43 readings, 90 % with 99 % confidence: k = 2.217.

    >>> round(SingleResults(0.0, 1.0, 43, (1.0,), (1.0,), (1.0,), (42.0,)).content_half_width(0.90, 0.99), 3)
    2.217
    """
    half = limits.results.content_half_width(content, confidence)
    return tuple(
        replace(end, value=limits.results.centre + sign * half, distribution=None, source=CONTENT_SOURCE)
        for sign, end in ((-1, limits.low), (1, limits.high))
    )


def tolerance_limits_many(components: Components, *, beta: float = 0.95) -> tuple[Floats, Floats]:
    """The limits of `tolerance_limits` of many studies of one design.

    Parameters
    ----------
    components : of the errors of each study, in runs of single readings of preparations, unit of the readings
    beta : expected share inside, a probability

    Returns
    -------
    low, high : each of shape (studies,), in the unit of the errors

    Raises
    ------
    ValueError
        A share outside (0, 1).

    References
    ----------
    As `tolerance_limits`: Mee 1984, Technometrics 26, 251 (from memory).
    """
    check_confidence(beta)
    squares = components.squares
    (coefficients, (above, below), _, dfs) = components.total_terms
    df = _satterthwaite(coefficients, (above, below), dfs, squares.harmonic_n, components.between)
    half = _factor(beta, df, components.variance_of_mean, components.total) * np.sqrt(components.total)
    middle = squares.means.mean(axis=1)
    return middle - half, middle + half


def _factor(beta: float, df: Any, mean_variance: Any, total: Any) -> Any:
    """What multiplies s_I: of a future result, the uncertainty of the mean included."""
    return t_quantile((1 + beta) / 2, df) * np.sqrt(1 + mean_variance / total)


def _degrees_of_freedom(precision: PrecisionResult) -> float:
    component = None if precision.s_run is None else precision.s_run.value**2
    terms = precision.coefficients, precision.mean_squares, precision.dfs
    df = _satterthwaite(*terms, precision.between.harmonic_n, component)
    return float(sum(precision.dfs)) if df is None else float(df)


def _satterthwaite(
    coefficients: Sequence[float], mean_squares: Sequence[Any], dfs: Sequence[float], n: float, component: Any
) -> Any:
    """Satterthwaite's, from the mean squares with a negative run component raised to zero, as Hubert et al. do."""
    if len(mean_squares) > 1 and component is not None:
        mean_squares = (n * component + mean_squares[1], *mean_squares[1:])
    return satterthwaite(coefficients, mean_squares, dfs)
