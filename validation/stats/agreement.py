"""Limits of agreement: between which two the central share of the differences of further samples lies.

One pair of limits for all levels, or a pair at each level, where mean and scatter of the differences follow it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from validation.stats.comparison import Matrix, Vector, centred_pair
from validation.stats.confidence import Affine, ConfidenceDistribution, NormalPercentile
from validation.stats.content import SingleResults
from validation.stats.estimate import Estimate, Number
from validation.stats.intervals import (
    Interval,
    check_confidence,
    joined_interval,
    mean_interval,
    sd_interval,
    t_quantile,
)
from validation.stats.paired_differences import alike, finite_sample
from validation.stats.variance_function import linear_sd_many

_AGREEMENT = "Bland and Altman 1986, Lancet i, 307; interval: non-central t, exact"
_AT_LEVEL = (
    "Bland and Altman 1999, Stat. Methods Med. Res. 8, 135, 3.2 (limits that follow the level), s(x) by likelihood; "
    "interval: Zou and Donner 2008 (both from memory)"
)
LIMITS_COVER = (
    "Limits of agreement take the differences as scattering equally at all levels: where scatter grows with the level, "
    "their 95 % intervals held the truth in 85 to 88 % of simulated comparisons, and one pair cannot be right at every "
    "level; the limits at a level follow it."
)


NO_DEGREES = (
    "So few samples tell the scatter of the differences at this level that it has less than one degree of freedom: the "
    "limit has no interval."
)
#: Two parameters each of mean and standard deviation, and one degree of freedom left.
LEAST_AT_LEVELS = 5
#: Weights and s(x) are formed in turn until s(x) moves by no more than this share; most settle in five rounds.
_SETTLED, _ROUNDS = 1e-5, 50


@dataclass(frozen=True)
class LimitDistance(ConfidenceDistribution):
    """How far a limit of agreement lies from the mean: z sd, of `n` differences.

    Attributes
    ----------
    sd : standard deviation of the differences, in their unit
    z : normal quantile, unit 1
    n : number of differences
    """

    sd: float
    z: float
    n: int

    def interval(self, level: float) -> Interval:
        low, high = NormalPercentile(0.0, self.sd, self.n, self.z).interval(level)
        # With two or three samples the exact interval need not reach the plain estimate; it is widened to it.
        return min(low, self.z * self.sd), max(high, self.z * self.sd)


def agreement_limits(values: ArrayLike, *, coverage: float = 0.95) -> tuple[Estimate, Estimate]:
    """Limits of agreement: mean -+ z s, where the central `coverage` of the differences is estimated to lie.

    Parameters
    ----------
    values : shape (n,), n >= 2, differences in one unit, taken as normally distributed
    coverage : share of differences between the limits; z is the normal quantile of it

    Returns
    -------
    low, high

    Raises
    ------
    ValueError
        Fewer than two values, or values that are all alike: limits without width would hold nothing but their rounding.

    References
    ----------
    Bland and Altman 1986, Lancet i, 307-310 (limits). Interval: sqrt(n) (mu + z sigma - mean) / s is non-central t on
    n - 1 degrees of freedom with z sqrt(n): the one-sided tolerance limits of normal data, exact, where the paper
    approximates.

    Examples
    --------
    ISO 16269-6:2014, one-sided factor k of 10 values, 95 % share at 95 % confidence (from memory): 2.911.

    >>> values = np.arange(10.0)
    >>> _, high = agreement_limits(values, coverage=0.90)
    >>> float(round((high.interval(0.90)[1] - values.mean()) / values.std(ddof=1), 3))
    2.911
    """
    d = finite_sample(values, 2)
    check_confidence(coverage)
    if alike(d):
        raise ValueError("values must scatter; all differences are alike")
    n, mean, s = d.size, float(d.mean()), float(d.std(ddof=1))
    z = t_quantile((1 + coverage) / 2, None)

    def limit(sign: float) -> Estimate:
        own = Affine(LimitDistance(s, z, n), sign, mean)
        return Estimate(
            mean + sign * z * s,
            single_differences(mean, s, n, float(n - 1), own),
            degrees_of_freedom=float(n - 1),
            n=n,
            units=n,
            notes=(LIMITS_COVER,),
            source=_AGREEMENT,
        )

    return limit(-1.0), limit(1.0)


@dataclass(frozen=True, slots=True, eq=False)
class AgreementLines:
    """Mean and standard deviation of the differences as they follow the level, of many comparisons.

    The level of a sample is the mean of both methods. The line of the mean is weighted by the fitted s(x).

    Attributes
    ----------
    levels, differences : shape (studies, n), the levels minus `offset`
    constant, growth : shape (studies,), s(x) = constant + growth * x of the differences
    weights : shape (studies, n), 1 / s(x)^2
    df : shape (studies, n), what the line of the mean leaves each sample's square
    offset : float, what was taken from the levels
    """

    levels: Matrix
    differences: Matrix
    constant: Vector
    growth: Vector
    weights: Matrix
    df: Matrix
    offset: float

    @classmethod
    def of(cls, levels: Matrix, differences: Matrix, *, offset: float = 0.0) -> AgreementLines:
        """From levels minus `offset`, and differences, each of shape (studies, n), n >= 5."""
        above = np.maximum(levels + offset, 0.0)
        sd, df = np.ones_like(levels), np.empty_like(levels)
        constant, growth = np.empty((2, len(levels), 1))
        active = np.arange(len(levels))
        for _ in range(_ROUNDS):
            weights = 1 / sd[active] ** 2
            mean, slope, away = _line(levels[active], differences[active], weights)
            left = differences[active] - mean - slope * away
            df[active] = 1 - weights * _line_variance(away, away, weights)
            fitted = linear_sd_many(above[active], left[:, None] ** 2, df[active, None])
            constant[active], growth[active] = fitted
            now = fitted[0] + fitted[1] * above[active]
            moved = np.abs(now / sd[active] - 1).max(axis=1)
            sd[active] = now
            active = active[moved > _SETTLED]
            if not active.size:
                break
        return cls(levels, differences, constant[:, 0], growth[:, 0], 1 / sd**2, df, offset)

    def at(self, level: float) -> tuple[Vector, Vector, Vector, Vector]:
        """Mean, its standard error, standard deviation of the differences and its degrees of freedom at a level.

        The degrees of freedom are those of a chi-square with the variance that Fisher's information gives s(level).
        """
        inside = level - self.offset
        mean, slope, away = _line(self.levels, self.differences, self.weights)
        to = inside - (self.levels - away)[:, :1]
        sd = self.constant + self.growth * max(level, 0.0)
        information = 2 * self.df * self.weights
        _, _, from_middle = _line(self.levels, self.differences, information)
        there = inside - (self.levels - from_middle)[:, :1]
        variance = _line_variance(there, from_middle, information)[:, 0]
        error = np.sqrt(_line_variance(to, away, self.weights)[:, 0])
        return (mean + slope * to)[:, 0], error, sd, sd**2 / (2 * variance)


def _line(x: Matrix, y: Matrix, weights: Matrix) -> tuple[Matrix, Matrix, Matrix]:
    """Weighted mean and slope of y, each (studies, 1), and x minus its weighted mean."""
    total = weights.sum(axis=1, keepdims=True)
    away = x - (weights * x).sum(axis=1, keepdims=True) / total
    mean = (weights * y).sum(axis=1, keepdims=True) / total
    return mean, (weights * away * y).sum(axis=1, keepdims=True) / (weights * away**2).sum(axis=1, keepdims=True), away


def _line_variance(at: Matrix, away: Matrix, weights: Matrix) -> Matrix:
    """Variance of a weighted line so far from the middle, from the distances of its points and their weights."""
    of_mean, of_slope = weights.sum(axis=1, keepdims=True), (weights * away**2).sum(axis=1, keepdims=True)
    return 1 / of_mean + at**2 / of_slope


@dataclass(frozen=True)
class LevelLimit(ConfidenceDistribution):
    """mean + z sd at a level, from the standard error of the mean there and the degrees of freedom of sd.

    Attributes
    ----------
    mean, error, sd : in the unit of the differences
    df : of sd, and of the mean
    z : normal quantile, unit 1; above 0
    """

    mean: float
    error: float
    sd: float
    df: float
    z: float

    def interval(self, level: float) -> Interval | None:
        check_confidence(level)
        if self.df < 1:
            return None
        low, high = limit_interval(self.mean, self.error, self.sd, self.df, z=self.z, level=level)
        return float(low), float(high)

    def notes(self, level: float) -> tuple[str, ...]:
        return (NO_DEGREES,) if self.df < 1 else ()


def limit_interval(mean: Any, error: Any, sd: Any, df: Any, *, z: float, level: float) -> tuple[Any, Any]:
    """Interval of mean + z sd.

    Parameters
    ----------
    mean, error, sd : float or shape (studies,), mean difference, its standard error, standard deviation; one unit
    df : float or shape (studies,), degrees of freedom of both, 1 or more
    z : float above 0, standard deviations above the mean, unit 1
    level : confidence of the interval

    Returns
    -------
    low, high : as `mean`

    Raises
    ------
    None.

    References
    ----------
    Zou and Donner 2008, Stat. Med. 27, 1693 (from memory): as `joined_interval`.
    """
    low, high = mean_interval(mean, error, df, level)
    return joined_interval(mean, (high - low) / 2, z, sd, sd_interval(sd, df, level))


def single_differences(
    mean: float, sd: float, samples: float, df: float, own: ConfidenceDistribution | None = None
) -> SingleResults:
    """What bounds the share of single differences within a limit.

    Parameters
    ----------
    mean, sd : of the differences, in their unit, sd above 0
    samples : that would give the mean its standard error, sd over their root
    df : degrees of freedom of sd, 1 or more
    own : interval of the limit that carries this

    Returns
    -------
    SingleResults

    Raises
    ------
    None.

    References
    ----------
    As `reach_interval`.
    """
    return SingleResults(mean, sd, samples, (1.0,), (sd**2,), (sd**2,), (df,), own)


@dataclass(frozen=True, slots=True, eq=False)
class LevelAgreement:
    """Limits of agreement of one comparison at any level.

    Attributes
    ----------
    lines : of one study
    lowest, highest : levels of the samples, in the unit of the readings
    """

    lines: AgreementLines
    lowest: float
    highest: float

    def limits(self, level: float, *, coverage: float = 0.95) -> tuple[Estimate, Estimate]:
        """Low and high: between them the central `coverage` of the differences at a level is estimated to lie.

        Without an interval where too few samples tell the scatter at that level, with a note.
        """
        check_confidence(coverage)
        z, n = t_quantile((1 + coverage) / 2, None), self.lines.levels.shape[1]
        mean, error, sd, df = (float(part[0]) for part in self.lines.at(level))
        notes = () if self.lowest <= level <= self.highest else (self._extended(level),)

        def limit(sign: float) -> Estimate:
            own = Affine(LevelLimit(sign * mean, error, sd, df, z), sign)
            results = own if df < 1 else single_differences(mean, sd, (sd / error) ** 2, df, own)
            return Estimate(
                mean + sign * z * sd, results, degrees_of_freedom=df, n=n, units=n, notes=notes, source=_AT_LEVEL
            )

        return limit(-1.0), limit(1.0)

    def _extended(self, level: float) -> str:
        return (
            f"{level:.6g} lies outside the means of both methods ({self.lowest:.6g} to {self.highest:.6g}): the limits "
            "are extended."
        )


def level_agreement(x: Sequence[Number], y: Sequence[Number]) -> LevelAgreement:
    """Limits of agreement that follow the level: mean and standard deviation of the differences are lines in it.

    Parameters
    ----------
    x, y : shape (n,), n >= 5, reference and candidate in one unit

    Returns
    -------
    LevelAgreement, in that unit; the level of a sample is the mean of both methods

    Raises
    ------
    ValueError
        n < 5, levels that are all alike, or differences that lie on a line.

    References
    ----------
    Bland and Altman 1999, Stat. Methods Med. Res. 8, 135, section 3.2 (from memory); they take s(x) from absolute
    residuals, here it is by likelihood.
    """
    xs, ys, first = centred_pair(x, y)
    if xs.size < LEAST_AT_LEVELS:
        raise ValueError(f"limits that follow the level need {LEAST_AT_LEVELS} samples or more; got {xs.size}")
    levels, differences = (xs + ys) / 2, ys - xs
    if np.ptp(levels) == 0:
        raise ValueError("limits that follow the level need samples at different levels; all are alike")
    mean, slope, away = _line(levels[None, :], differences[None, :], np.ones((1, xs.size)))
    if np.abs(differences - mean - slope * away).max() <= 1e-12 * max(np.ptp(xs), np.ptp(ys)):
        raise ValueError("the differences lie on a line to the last digit, so that rounding hides their scatter")
    offset = float(sum(first) / 2)
    found = AgreementLines.of(levels[None, :], (differences + float(first[1] - first[0]))[None, :], offset=offset)
    return LevelAgreement(found, offset + float(levels.min()), offset + float(levels.max()))
