"""Robust means and standard deviations: what a few readings far out can hardly move.

They stand beside the classical estimates and show how far a result rests on single readings. Where nothing lies far
out they are less precise than the classical ones; their intervals count fewer degrees of freedom for it.

Beside statsmodels `Huber`: algorithm A is that estimate with the factor the standard prints, 1.134; the unrounded one
moves s* by 7e-4 of itself. Algorithm S has no counterpart (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from validation.stats.confidence import Component
from validation.stats.estimate import LIMIT_FACTOR, Estimate, Number, centre, check_sizes, exact_mean
from validation.stats.intervals import chi_square_quantile
from validation.stats.one_way import ALL_ALIKE, root_of_sum

Floats = NDArray[np.float64]

MEAN_SOURCE = (
    "ISO 13528:2015, annex C, algorithm A; interval: t on p - 1 with the standard error 1.25 s*/sqrt(p) (clauses from "
    "memory)"
)
WITHIN_SOURCE = (
    "ISO 5725-5, algorithm S (from memory); interval: chi-square on the degrees of freedom that its large-sample "
    "efficiency leaves"
)
BETWEEN_SOURCE = (
    "ISO 5725-5 and ISO 13528, algorithms A and S (from memory); interval: modified large sample on the degrees of "
    "freedom that their large-sample efficiency leaves"
)
MOSTLY_ALIKE = (
    "Most values agree to the last digit written, so that the robust spread is zero: it shows their rounding, and no "
    "bound can be claimed."
)
#: Algorithm A: values further than 1.5 s* from x* are moved in; the factor 1.134 makes s* right for normal data.
REACH, CORRECTION = 1.5, 1.134
#: ISO 13528: standard uncertainty of x* is 1.25 s*/sqrt(p).
ERROR_FACTOR = 1.25
#: Algorithm S caps the largest tenth of what normal data would give.
SHARE_CAPPED = 0.1
_ROUNDS = 10_000


@dataclass(frozen=True, slots=True)
class AlgorithmAResult:
    """Robust mean and standard deviation of one sample, in the unit of the values.

    Attributes
    ----------
    mean, sd : x* and s*; `sd` is zero where most values are alike
    deviation : x* minus the first value, free of the rounding of large values
    moved : how many values lie further than 1.5 s* from x*
    n : number of values
    """

    mean: float
    sd: float
    deviation: float
    moved: int
    n: int


def algorithm_a(values: Sequence[Number]) -> AlgorithmAResult:
    """Robust mean and standard deviation by algorithm A, iterated to convergence.

    Starts at the median and 1.483 times the median absolute deviation (the standard deviation where that is zero);
    moves values beyond x* +- 1.5 s* to those ends; x* is then their mean, s* 1.134 times their standard deviation.

    Parameters
    ----------
    values : shape (p,), p >= 2, floats or exact decimals in one unit

    Returns
    -------
    AlgorithmAResult, in the unit of the values

    Raises
    ------
    ValueError
        Fewer than two values, or one that is not finite.

    References
    ----------
    ISO 13528:2015, annex C (algorithm A; clause from memory). Analytical Methods Committee 1989, Analyst 114, 1693.

    Examples
    --------
    Copper in wholemeal flour, Analytical Methods Committee 1989, Analyst 114, 1693: 3.206 and 0.674.

    >>> copper = [2.9, 3.1, 3.4, 3.4, 3.7, 3.7, 2.8, 2.5, 2.4, 2.4, 2.7, 2.2, 5.28, 3.37, 3.03, 3.03, 28.95, 3.77, 3.4]
    >>> result = algorithm_a([*copper, 2.2, 3.5, 3.6, 3.7, 3.7])
    >>> round(result.mean, 3), round(result.sd, 3)
    (3.206, 0.674)
    """
    if len(values) < 2:
        raise ValueError(f"values must hold at least two numbers; got {len(values)}")
    offset, d = centre(values)
    x, s = (float(part[0]) for part in algorithm_a_many(d[None, :]))
    moved = int((np.abs(d - x) > REACH * s * (1 + 1e-9)).sum())
    return AlgorithmAResult(float(offset + Fraction(x)), s, x, moved, d.size)


def algorithm_a_many(d: Floats, *, tolerance: float = 1e-14) -> tuple[Floats, Floats]:
    """x* and s* of algorithm A for many samples of one size.

    Parameters
    ----------
    d : shape (studies, p), p >= 2, small differences from an exact offset
    tolerance : of s*, in units of s*: a last step this small ends the rounds

    Returns
    -------
    x*, s* : each of shape (studies,); s* is zero where most values are alike

    Raises
    ------
    None: the shape is the caller's to keep.

    References
    ----------
    As `algorithm_a`, which is one row of it.
    """
    x = np.median(d, axis=1)
    s = 1.483 * np.median(np.abs(d - x[:, None]), axis=1)
    s = np.where(s > 0, s, d.std(axis=1, ddof=1))
    least = 1e-13 * np.ptp(d, axis=1)
    open_ = np.arange(len(d))
    for _ in range(_ROUNDS):
        middle, reach, rows = x[open_], REACH * s[open_], d[open_]
        inside = np.clip(rows, (middle - reach)[:, None], (middle + reach)[:, None])
        update, spread = inside.mean(axis=1), CORRECTION * inside.std(axis=1, ddof=1)
        moves = np.abs(update - middle) + np.abs(spread - s[open_])
        done = (moves <= np.maximum(least[open_], tolerance * s[open_])) | (spread <= least[open_])
        x[open_], s[open_] = update, spread
        open_ = open_[~done]
        if not open_.size:
            break
    # A spread that shrinks from round to round ends there, not at zero.
    return x, np.where(s <= 10 * least, 0.0, s)


def robust_mean(values: Sequence[Number], *, reference_uncertainty: float | None = None) -> Estimate:
    """Robust mean x* of algorithm A with the interval x* +- t(p - 1) 1.25 s*/sqrt(p).

    Parameters
    ----------
    values : shape (p,), p >= 1, one value a run (or laboratory), floats or exact decimals
    reference_uncertainty : standard uncertainty common to all values, joined by root sum of squares; degrees of freedom
        then by Welch and Satterthwaite

    Returns
    -------
    Estimate; without an interval for one value, or where most values are alike

    Raises
    ------
    ValueError
        No values, one that is not finite, or a negative uncertainty.

    References
    ----------
    ISO 13528:2015, annex C and 7.7 (1.25 s*/sqrt(p); clauses from memory).
    """
    if reference_uncertainty is not None and not reference_uncertainty >= 0:
        raise ValueError(f"reference_uncertainty must not be negative; got {reference_uncertainty}")
    p = len(values)
    if p == 1:
        note = "There is one value only: its mean has no interval."
        return Estimate(float(Fraction(values[0])), n=1, units=1, notes=(note,), source=MEAN_SOURCE)
    found = algorithm_a(values)
    error, df = ERROR_FACTOR * found.sd / sqrt(p), float(p - 1)
    if error == 0:
        return Estimate(found.mean, n=p, units=p, notes=(MOSTLY_ALIKE,), source=MEAN_SOURCE)
    if reference_uncertainty:
        joined = sqrt(error**2 + reference_uncertainty**2)
        df, error = joined**4 / (error**4 / (p - 1)), joined
    return Estimate.of_mean(found.mean, error, df, n=p, units=p, source=MEAN_SOURCE)


def limit_factor(df: int) -> float:
    """eta of algorithm S: the cap on a standard deviation with `df` degrees of freedom, as a multiple of w*.

    The root of the 90 % point of chi-square over its degrees of freedom (ISO 5725-5, table; from memory).

    Parameters
    ----------
    df : int, degrees of freedom of the standard deviation, 1 or more

    Returns
    -------
    float, unit 1

    Raises
    ------
    ZeroDivisionError
        No degrees of freedom.

    References
    ----------
    ISO 5725-5:1998, table of the factors (from memory).
    """
    return sqrt(float(chi_square_quantile(1 - SHARE_CAPPED, df)) / df)


def adjustment_factor(df: int) -> float:
    """xi of algorithm S, which makes w* right for normal data (ISO 5725-5, table; from memory).

    Parameters
    ----------
    df : int, degrees of freedom of the standard deviation, 1 or more

    Returns
    -------
    float, unit 1

    Raises
    ------
    ZeroDivisionError
        No degrees of freedom.

    References
    ----------
    ISO 5725-5:1998, table of the factors (from memory).
    """
    eta = limit_factor(df)
    return 1 / sqrt(float(special.chdtr(df + 2, df * eta**2)) + SHARE_CAPPED * eta**2)


def algorithm_s(sds: ArrayLike, dfs: Sequence[int]) -> float:
    """Robust pooled standard deviation by algorithm S, iterated to convergence.

    Each standard deviation above eta w* is set to eta w*; w* is xi times the root of their mean square. Where the
    degrees of freedom differ, each entry has the eta and xi of its own and counts by them: own extension, which is
    algorithm S itself for equal ones.

    Parameters
    ----------
    sds : shape (p,), p >= 1, standard deviations in one unit, not negative
    dfs : shape (p,), their degrees of freedom, at least 1

    Returns
    -------
    w*; zero where most standard deviations are zero

    Raises
    ------
    ValueError
        Shapes that differ or are empty, a negative standard deviation, or degrees of freedom below 1.

    References
    ----------
    ISO 5725-5:1998 and ISO 13528:2015, annex C (algorithm S; clauses from memory).
    """
    w, df = np.asarray(sds, dtype=float), np.asarray(dfs)
    if w.ndim != 1 or not w.size or w.shape != df.shape or np.any(df < 1) or not np.all(w >= 0):
        raise ValueError(f"sds and dfs must be equally long, none negative, dfs from 1; got {w.tolist()}, {list(dfs)}")
    check_sizes(w, "sds")
    return float(algorithm_s_many(w[None, :], dfs)[0])


def algorithm_s_many(w: Floats, dfs: Sequence[int], *, tolerance: float = 1e-14) -> Floats:
    """w* of algorithm S for many studies of one design.

    Parameters
    ----------
    w : shape (studies, p), standard deviations in one unit, not negative
    dfs : shape (p,), their degrees of freedom, at least 1
    tolerance : of w*, in units of w*: a last step this small ends the rounds

    Returns
    -------
    w*, shape (studies,)

    Raises
    ------
    None: `algorithm_s`, which is one row of it, checks.

    References
    ----------
    As `algorithm_s`.
    """
    df = np.asarray(dfs)
    eta, xi = (np.array([factor(int(d)) for d in df]) for factor in (_eta, _xi))
    expected, largest = float((df / xi**2).sum()), w.max(axis=1)
    s = np.median(w, axis=1)
    s = np.where(s > 0, s, np.sqrt((df * w**2).sum(axis=1) / df.sum()))
    open_ = np.arange(len(w))
    for _ in range(_ROUNDS):
        before = s[open_]
        update = np.sqrt((df * np.minimum(w[open_], eta * before[:, None]) ** 2).sum(axis=1) / expected)
        s[open_] = update
        open_ = open_[(np.abs(update - before) > tolerance * before) & (update > 1e-13 * largest[open_])]
        if not open_.size:
            break
    return np.where(s <= 1e-13 * largest, 0.0, s)


_eta, _xi = lru_cache(maxsize=64)(limit_factor), lru_cache(maxsize=64)(adjustment_factor)


@lru_cache(maxsize=64)
def _capped(df: int) -> tuple[float, float]:
    """Of u = chi-square/df capped at eta^2: how fast its mean falls as the scale grows, and its variance."""
    eta = _eta(df)
    slope, top = float(special.chdtr(df + 2, df * eta**2)), eta**2
    mean = slope + SHARE_CAPPED * top
    square = (df + 2) / df * float(special.chdtr(df + 4, df * eta**2)) + SHARE_CAPPED * top**2
    return slope, square - mean**2


def effective_df_within(dfs: Sequence[int]) -> float:
    """Degrees of freedom of a classical pooled variance as precise as w* of algorithm S, for many normal runs.

    From the large-sample variance of log w*, sum(df^2 Var u) / (2 sum(df A))^2, against 1/(2 df) of the classical one.

    Parameters
    ----------
    dfs : shape (p,), int, degrees of freedom of each run, 1 or more

    Returns
    -------
    float, degrees of freedom

    Raises
    ------
    ZeroDivisionError
        No runs.

    References
    ----------
    Own: large-sample variance of an M-estimate of scale (Huber 1981, chapter 5, from memory).
    """
    parts = [(df, *_capped(int(df))) for df in dfs]
    return 2 * sum(df * slope for df, slope, _ in parts) ** 2 / sum(df**2 * variance for df, _, variance in parts)


@lru_cache(maxsize=1)
def _efficiency_a() -> float:
    """Large-sample efficiency of s* of algorithm A: Huber's proposal 2 at 1.5."""
    k = REACH
    slope, share = float(special.chdtr(3, k**2)), float(special.chdtrc(1, k**2))
    variance = 3 * float(special.chdtr(5, k**2)) + k**4 * share - (slope + k**2 * share) ** 2
    return 2 * slope**2 / variance


def effective_df_between(p: int) -> float:
    """Degrees of freedom of a classical standard deviation as precise as s* of p values, for many normal values.

    Parameters
    ----------
    p : int, number of values, 2 or more

    Returns
    -------
    float, degrees of freedom

    Raises
    ------
    None.

    References
    ----------
    Own: large-sample variance of Huber's proposal 2 (Huber 1981, chapter 6, from memory).
    """
    return _efficiency_a() * (p - 1)


@dataclass(frozen=True, slots=True)
class RobustPrecisionResult:
    """Robust precision of a single result at one level; None where the design does not supply it.

    Attributes
    ----------
    s_r, r, s_run, s_I : in the unit of the readings, as in `PrecisionResult`
    """

    s_r: Estimate | None
    r: Estimate | None
    s_run: Estimate | None
    s_I: Estimate | None


@dataclass(frozen=True, slots=True)
class _Stage:
    """A mean square of robust origin with the degrees of freedom that its efficiency leaves."""

    square: float
    df: float


def robust_precision(runs: Sequence[Sequence[Sequence[Number]]]) -> RobustPrecisionResult:
    """Repeatability by algorithm S over runs, the spread of run means by algorithm A, and what follows from the two.

    s_run^2 = s*^2 - s_r^2/n, not below zero; s_I^2 = s_run^2 + s_r^2, as for the classical estimates. Intervals are the
    chi-square and modified-large-sample ones, on the degrees of freedom that the large-sample efficiency leaves.

    Parameters
    ----------
    runs : runs of independent preparations of readings, floats or exact decimals, one unit, as in `precision`

    Returns
    -------
    RobustPrecisionResult

    Raises
    ------
    ValueError
        No run, an empty run or preparation, or a number that is not finite.

    References
    ----------
    ISO 5725-5:1998; ISO 13528:2015, annex C (clauses from memory). Unequal runs: harmonic mean of their sizes.
    """
    if not runs or any(not run or any(not readings for readings in run) for run in runs):
        raise ValueError("runs must hold at least one run; each run a preparation, each preparation a reading")
    means = [[exact_mean(readings) for readings in run] for run in runs]
    preparations = [readings for run in runs for readings in run]
    n, p = sum(map(len, preparations)), len(runs)
    within, reading = _pooled(means), _pooled(preparations)
    m = len(preparations) / sum(1 / len(readings) for readings in preparations)
    s_r = _repeatability(within, reading, m, n, p)
    s_run, s_I = _over_runs(means, within, reading, m, n) if p > 1 else (None, None)
    return RobustPrecisionResult(s_r, None if s_r is None else s_r.scaled(LIMIT_FACTOR), s_run, s_I)


def _pooled(groups: Sequence[Sequence[Number]]) -> _Stage | None:
    """Algorithm S over the groups that hold two values or more."""
    centred = [centre(values)[1] for values in groups if len(values) > 1]
    if not centred:
        return None
    dfs = [d.size - 1 for d in centred]
    return _Stage(algorithm_s([float(d.std(ddof=1)) for d in centred], dfs) ** 2, effective_df_within(dfs))


def _repeatability(within: _Stage | None, reading: _Stage | None, m: float, n: int, p: int) -> Estimate | None:
    if within is None:
        return None
    if reading is None:
        s = sqrt(within.square)
        return Estimate.of_sd(s, within.df, n=n, units=p, notes=() if s > 0 else (ALL_ALIKE,), source=WITHIN_SOURCE)
    value = sqrt(max(0.0, within.square - reading.square / m) + reading.square)
    stages = ((1.0, within), (1 - 1 / m, reading))
    raised = (max(within.square, reading.square / m), reading.square)
    return replace(_joined(value, stages, raised, n, p), source=WITHIN_SOURCE)


def _over_runs(
    means: Sequence[Sequence[Fraction]],
    within: _Stage | None,
    reading: _Stage | None,
    m: float,
    n: int,
) -> tuple[Estimate | None, Estimate]:
    """s_run and s_I; without replicates s_I alone."""
    p = len(means)
    spread = algorithm_a([exact_mean(run) for run in means]).sd
    b = p / sum(1 / len(run) for run in means)
    between = _Stage(b * spread**2, effective_df_between(p))
    read = () if reading is None else ((1 - 1 / m, reading),)
    last = () if reading is None else (reading.square,)
    if within is None:
        floor = 0.0 if reading is None else reading.square / m
        value = sqrt(between.square + sum(share * stage.square for share, stage in read))
        return None, _joined(value, ((1.0, between), *read), (max(between.square, floor), *last), n, p)
    variance = max(0.0, (between.square - within.square) / b)
    s_run = sqrt(variance)
    scatter = between.square > 0 or within.square > 0
    distribution = Component(s_run, between.square, within.square, between.df, within.df, b) if scatter else None
    own = max(0.0, within.square - reading.square / m) + reading.square if reading is not None else within.square
    at_least = within.square if reading is None else max(within.square, reading.square / m)
    stages = ((1 / b, between), (1 - 1 / b, within), *read)
    s_I = _joined(sqrt(variance + own), stages, (max(between.square, at_least), at_least, *last), n, p)
    return Estimate(s_run, distribution, n=n, units=p, source=BETWEEN_SOURCE), s_I


def _joined(
    value: float, stages: Sequence[tuple[float, _Stage]], raised: tuple[float, ...], n: int, p: int
) -> Estimate:
    """A standard deviation whose square is a sum of mean squares."""
    shares, squares, dfs = zip(*((share, stage.square, stage.df) for share, stage in stages), strict=True)
    notes = () if value > 0 else (ALL_ALIKE,)
    return root_of_sum(value, (shares, squares, dfs), raised, n=n, units=p, notes=notes, source=BETWEEN_SOURCE)
