"""Repeatability and intermediate precision at one level from runs of preparations of readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, sqrt
from typing import Any

import numpy as np
from scipy import special

from validation.stats.estimate import LIMIT_FACTOR, Estimate, Number, exact_mean
from validation.stats.intervals import check_confidence, chi_square_quantile
from validation.stats.one_way import ALL_ALIKE, TOTAL_SOURCE, OneWayResult, Terms, one_way, root_of_sum

REPEATABILITY_SOURCE = (
    "ISO 5725-2 (variance within, pooled over runs); VIM 2.20, 2.21 (all from memory); chi-square interval"
)
NESTED_SOURCE = "ISO 5725-3 (nested design); interval: modified large sample, Graybill and Wang 1980 (all from memory)"
INTERMEDIATE_SOURCE = "ISO 5725-3 (from memory); VIM 2.22; " + TOTAL_SOURCE.partition("; ")[2]
PUBLISHED_SOURCE = (
    "ISO 5725-6:1994 and ISO 5725-4:1994, comparison of s_r with a known repeatability (chi-square; clauses from "
    "memory)"
)
LIMIT_SOURCE = "ISO 5725-6 (repeatability limit, 1.96 sqrt(2) s_r; from memory); interval as of s_r"

Runs = Sequence[Sequence[Sequence[Number]]]
#: Coefficients, mean squares and raised mean squares: floats, or arrays with one value a study.
SquareTerms = tuple[tuple[float, ...], tuple[Any, ...], tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class PrecisionResult:
    """Precision of a single result at one level. Standard deviations in the unit of the readings.

    Attributes
    ----------
    s_r : repeatability standard deviation; None without replicate preparations in a run
    r : repeatability limit, 1.96 sqrt(2) s_r
    s_run : standard deviation between runs (REML); None with one run or without replicates
    s_I : intermediate precision standard deviation of a single result; None with one run
    s_preparation, s_reading : the parts of s_r where preparations were read repeatedly, else None
    between : the one-way model of the preparation means
    coefficients, mean_squares, dfs : the mean squares whose weighted sum is s_I^2, untruncated
    variance_of_mean : variance of the mean of the run means, components not below zero; None with one run
    notes : what an auditor must be told about the level as a whole
    """

    s_r: Estimate | None
    r: Estimate | None
    s_run: Estimate | None
    s_I: Estimate | None
    s_preparation: float | None
    s_reading: float | None
    between: OneWayResult
    coefficients: tuple[float, ...]
    mean_squares: tuple[float, ...]
    dfs: tuple[float, ...]
    variance_of_mean: float | None
    notes: tuple[str, ...] = ()


def precision(runs: Runs) -> PrecisionResult:
    """Estimate repeatability and intermediate precision at one level.

    Parameters
    ----------
    runs : runs of independent preparations of readings; where every preparation was read once, each innermost
        sequence holds one number. Floats or exact decimals, one unit.

    Returns
    -------
    PrecisionResult

    Raises
    ------
    ValueError
        No run, an empty run or preparation, or a number that is not finite.

    References
    ----------
    ISO 5725-2:1994, 7.4 and ISO 5725-3 (nested designs); VIM (JCGM 200:2012) 2.20 to 2.23. Several readings of one
    preparation are not replicates: s_r^2 = s_preparation^2 + s_reading^2 by analysis of variance on unweighted means.

    Examples
    --------
    Travel times on six rails, Pinheiro and Bates 2000, 1.1: REML, printed 24.805 and 4.0208.

    >>> rails = [[55, 53, 54], [26, 37, 32], [78, 91, 85], [92, 100, 96], [49, 51, 50], [80, 85, 83]]
    >>> result = precision([[[time] for time in rail] for rail in rails])
    >>> round(result.s_run.value, 3), round(result.s_r.value, 4)
    (24.805, 4.0208)
    """
    if not runs or any(not run or any(not preparation for preparation in run) for run in runs):
        raise ValueError("runs must hold at least one run; each run a preparation, each preparation a reading")
    if not all(isfinite(value) for run in runs for readings in run for value in readings):
        raise ValueError("runs must hold finite numbers")
    counts = [len(readings) for run in runs for readings in run]
    if max(counts) == 1:
        return _plain(one_way([[value for readings in run for value in readings] for run in runs], group="run"))
    between = one_way([[exact_mean(readings) for readings in run] for run in runs], group="run")
    return _nested(runs, between, counts)


def _plain(between: OneWayResult) -> PrecisionResult:
    """Every preparation read once: the one-way model itself."""
    s_r = None if between.s_within is None else replace(between.s_within, source=REPEATABILITY_SOURCE)
    s_I = None if between.s_total is None else replace(between.s_total, source=INTERMEDIATE_SOURCE)
    notes = between.notes
    if s_I is not None and s_r is not None and between.s_between is not None and between.s_between.value == 0:
        of_s_I = dict.fromkeys((*s_r.notes, *between.s_between.notes, "With s_run at zero, s_I equals s_r."))
        s_I = replace(s_I, notes=tuple(of_s_I))
    if s_r is None:
        notes += (
            "No run holds two results: repeatability cannot be estimated; replicates within a run would supply it.",
        )
    coefficients: tuple[float, ...] = ()
    squares: tuple[float, ...] = ()
    dfs: tuple[float, ...] = ()
    mean_variance = None
    if between.ms_between_unweighted is not None:
        n = between.harmonic_n
        if between.ms_within is None:
            coefficients, squares, dfs = (1.0,), (between.ms_between_unweighted,), (float(between.df_between),)
            mean_variance = squares[0] / between.n_groups
        else:
            component = _component(between)
            coefficients, squares = (1 / n, 1 - 1 / n), (between.ms_between_unweighted, between.ms_within)
            dfs = (float(between.df_between), float(between.df_within))
            mean_variance = (component + between.ms_within / n) / between.n_groups
    return PrecisionResult(
        s_r, _limit(s_r), between.s_between, s_I, None, None, between, coefficients, squares, dfs, mean_variance, notes
    )


def _nested(runs: Runs, between: OneWayResult, counts: list[int]) -> PrecisionResult:
    """Preparations read repeatedly: three mean squares instead of two."""
    reading = one_way([readings for run in runs for readings in run], group="preparation")
    assert reading.ms_within is not None  # some preparation was read twice, or _plain had been taken
    notes: tuple[str, ...] = (
        "Several readings of one preparation are not replicates: s_r joins the variance between preparations within "
        "a run and the variance of the readings of one preparation.",
    )
    if len(set(counts)) > 1:
        notes += ("The preparations were read unequally often: unweighted means are used.",)
    if between.ms_within is None:
        notes += (
            "No run holds two preparations: repeatability cannot be estimated; replicate preparations within a run "
            "would supply it.",
        )
    s_r, s_preparation = _nested_repeatability(between, reading, reading.ms_within, notes)
    s_I, terms, mean_variance = _nested_intermediate(between, reading, reading.ms_within, s_r, notes)
    return PrecisionResult(
        s_r,
        _limit(s_r),
        # The component rests on means of preparations; the readings behind it are all of them.
        None if between.s_between is None else replace(between.s_between, n=reading.n),
        s_I,
        s_preparation,
        sqrt(reading.ms_within),
        between,
        *terms,
        mean_variance,
        (*notes, *between.notes),
    )


def _nested_repeatability(
    between: OneWayResult, reading: OneWayResult, mse: float, notes: tuple[str, ...]
) -> tuple[Estimate | None, float | None]:
    """s_r of single readings of different preparations, and the standard deviation between preparations."""
    if between.ms_within is None:
        return None, None
    m = reading.harmonic_n
    variance = between.ms_within - mse / m
    if variance <= 0:
        notes += ("The estimate of the variance between preparations was not positive and is set to zero.",)
    coefficients, squares, raised = within_terms(between.ms_within, mse, m)
    terms = (coefficients, squares, (float(between.df_within), float(reading.df_within)))
    value = sqrt(max(0.0, variance) + mse)
    s_r = _joined(value, terms, _floats(raised), between, reading.n, notes, NESTED_SOURCE)
    return s_r, sqrt(max(0.0, variance))


def _nested_intermediate(
    between: OneWayResult, reading: OneWayResult, mse: float, s_r: Estimate | None, notes: tuple[str, ...]
) -> tuple[Estimate | None, Terms, float | None]:
    """s_I with the mean squares behind it, and the variance of the mean of the run means."""
    unweighted = between.ms_between_unweighted
    if unweighted is None:
        return None, ((), (), ()), None
    p, m = between.n_groups, reading.harmonic_n
    coefficients, squares, raised = total_terms(unweighted, between.ms_within, mse, between.harmonic_n, m)
    if between.ms_within is None or s_r is None:
        dfs: tuple[float, ...] = (float(between.df_between), float(reading.df_within))
        value, mean_variance = sqrt(unweighted + (1 - 1 / m) * mse), unweighted / p
    else:
        dfs = (float(between.df_between), float(between.df_within), float(reading.df_within))
        mean_variance = (_component(between) + between.ms_within / between.harmonic_n) / p
        value = sqrt(_component(between) + s_r.value**2)
    if between.s_between is not None:
        notes += between.s_between.notes
        if between.s_between.value == 0:
            notes += ("With s_run at zero, s_I equals s_r.",)
    terms = (coefficients, squares, dfs)
    s_I = _joined(value, terms, _floats(raised), between, reading.n, notes, INTERMEDIATE_SOURCE)
    return s_I, terms, mean_variance


def within_terms(within: Any, mse: Any, m: float) -> SquareTerms:
    """s_r^2 as a sum of mean squares: of the means of preparations within a run, and of the readings of one.

    Parameters
    ----------
    within, mse : float or shape (studies,), the two mean squares, in the squared unit of the readings
    m : harmonic mean of the readings of a preparation

    Returns
    -------
    coefficients, mean squares, raised mean squares : as `guarded_sum_interval` takes them

    Raises
    ------
    None.

    References
    ----------
    ISO 5725-3, nested designs (from memory). The mean square within runs cannot truly be less than what the readings
    put into it: own choice for the upper end.
    """
    return (1.0, 1 - 1 / m), (within, mse), (np.maximum(within, mse / m), mse)


def total_terms(unweighted: Any, within: Any | None, mse: Any, b: float, m: float) -> SquareTerms:
    """s_I^2 as a sum of mean squares: between runs, between preparations within a run, of the readings of one.

    Parameters
    ----------
    unweighted, within, mse : float or shape (studies,), mean squares; `within` None where no run holds two preparations
    b, m : harmonic means of the preparations of a run and of the readings of a preparation

    Returns
    -------
    coefficients, mean squares, raised mean squares : as `guarded_sum_interval` takes them

    Raises
    ------
    None.

    References
    ----------
    ISO 5725-3, nested designs (from memory); raised as in `within_terms`.
    """
    if within is None:
        return (1.0, 1 - 1 / m), (unweighted, mse), (np.maximum(unweighted, mse / m), mse)
    raised = np.maximum(within, mse / m)
    coefficients = (1 / b, 1 - 1 / b, 1 - 1 / m)
    return coefficients, (unweighted, within, mse), (np.maximum(unweighted, raised), raised, mse)


def _floats(values: Sequence[Any]) -> tuple[float, ...]:
    return tuple(map(float, values))


def _component(between: OneWayResult) -> float:
    return 0.0 if between.s_between is None else between.s_between.value**2


def _joined(
    value: float,
    terms: Terms,
    raised: tuple[float, ...],
    between: OneWayResult,
    n: int,
    notes: tuple[str, ...],
    source: str,
) -> Estimate:
    """A standard deviation of `n` readings whose square is a sum of mean squares."""
    notes = notes if value > 0 else (ALL_ALIKE, *notes)
    return root_of_sum(value, terms, raised, n=n, units=between.n_groups, notes=notes, source=source)


def _limit(s_r: Estimate | None) -> Estimate | None:
    return None if s_r is None else replace(s_r.scaled(LIMIT_FACTOR), source=LIMIT_SOURCE)


@dataclass(frozen=True, slots=True)
class PublishedResult:
    """A laboratory's repeatability against a published repeatability limit.

    Attributes
    ----------
    ratio : own limit over published limit, which is s_r over the published standard deviation; unit 1
    chi_squared : degrees of freedom times the square of the ratio
    critical : upper point of chi-square at the confidence; beyond it s_r is larger than chance explains
    p : probability of a chi_squared as large as this, were the published repeatability the laboratory's own
    """

    ratio: Estimate
    chi_squared: float
    critical: float
    p: float


def against_published(s_r: Estimate, published_r: float, *, confidence: float = 0.95) -> PublishedResult:
    """Compare s_r with a published repeatability limit r.

    Parameters
    ----------
    s_r : with its degrees of freedom and, where it may be claimed, its interval, in the unit of `published_r`
    published_r : limit for the difference of two results; 1.96 sqrt(2) times the published standard deviation
    confidence : one-sided level of the test; that of the interval is the one of `s_r`

    Returns
    -------
    PublishedResult

    Raises
    ------
    ValueError
        A published limit that is not positive, or an s_r without degrees of freedom.

    References
    ----------
    ISO 5725-6:1994 and ISO 5725-4:1994 (s_r^2 / sigma_r^2 against chi-square over its degrees of freedom; clauses from
    memory). A source that prints r as 2.8 s makes the ratio 1 % too small: the published s is then r / 2.8.
    """
    check_confidence(confidence)
    if not published_r > 0:
        raise ValueError(f"published_r must be positive; got {published_r}")
    df = s_r.degrees_of_freedom
    if not df:
        raise ValueError("s_r must carry degrees of freedom")
    ratio = replace(s_r.scaled(LIMIT_FACTOR / published_r), source=PUBLISHED_SOURCE)
    chi_squared = df * ratio.value**2
    critical = float(chi_square_quantile(confidence, df))
    return PublishedResult(ratio, chi_squared, critical, float(special.chdtrc(df, chi_squared)))
