"""Two methods on the same samples: differences, limits of agreement, lines with errors in both methods.

Throughout, x is the reference method and y the candidate; a difference is candidate minus reference.

Beside the libraries: the slope of scipy's `theilslopes` averaged 0.971 in simulated comparisons with equal errors and
true slope 1, Passing and Bablok's 1.002; `scipy.odr` finds Deming's line to 8e-6 and York's to 6e-7 and leaves scipy
with 1.19 (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import isfinite, lcm, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from validation.stats.confidence import Affine, ConfidenceDistribution, NormalPercentile
from validation.stats.content import SingleResults
from validation.stats.estimate import Estimate, Number, centre
from validation.stats.intervals import Interval, check_confidence, t_quantile
from validation.stats.variance_function import LinearSdResult, linear_sd

#: Pairwise slopes of more samples would fill the memory: of these there are two million, in some hundred MiB.
MOST_SAMPLES = 2000
_DIFFERENCE = "mean of paired differences, interval: t (any handbook)"
_SCATTER = "standard deviation of paired differences, interval: chi-square"
_AGREEMENT = "Bland and Altman 1986, Lancet i, 307; interval: non-central t, exact"
_DEMING = "Deming 1943, straight line with errors in both variables; interval: jackknife, t on n - 2 (both from memory)"
_PASSING_BABLOK = (
    "Passing and Bablok 1983, J. Clin. Chem. Clin. Biochem. 21, 709; limits by Kendall's rank (from memory)"
)
_YORK = (
    "York et al. 2004, Am. J. Phys. 72, 367; ISO/TS 28037:2010, 7 (clause from memory); uncertainties taken as known, "
    "interval: normal; where the points scatter beyond them, scaled, interval: t on n - 2"
)

ALIKE = (
    "All differences are alike as written: their scatter is hidden by the rounding, so that no interval can be formed. "
    "Results with more digits would supply it."
)
ON_THE_LINE = (
    "The samples lie on the line to the last digit: their scatter is hidden by the rounding; no interval is formed."
)
TIED_LIMITS = (
    "Both limits of the Passing-Bablok slope fall on one tied slope: rounding hides its interval; none is given."
)
TOO_FEW = "There are too few samples for limits of the Passing-Bablok line by Kendall's rank."
VERTICAL = "A limit of the Passing-Bablok slope is vertical: no interval is given."
TWO_SIGNS = (
    "The limits of the Passing-Bablok intercept are those of the lines with the limits of the slope, which bound it "
    "where all results of the reference have one sign; here they do not, and none are given."
)
#: Attained by nominal 95 % in simulated comparisons of 10 to 40 samples from 0.5 to 10: the table of docs/coverage.md.
JACKKNIFE_COVERS = (
    "The jackknife takes the samples as equals: where scatter grows with the level, its 95 % interval of the slope "
    "held the truth in 87 to 92 % of simulated comparisons of 10 to 40 samples, that of the difference in 91 to 94 %."
)
LIMITS_COVER = (
    "Limits of agreement take the differences as scattering equally at all levels: where scatter grows with the level, "
    "their 95 % intervals held the truth in 85 to 88 % of simulated comparisons."
)
SD_COVERS = (
    "Chi-square takes the differences as scattering equally at all levels: where scatter grows with the level, the "
    "95 % interval of this standard deviation held the truth in 80 to 85 % of simulated comparisons."
)
INTERCEPT_COVERS = (
    "These limits of the intercept are the published ones, of the lines with the limits of the slope: at 95 % they "
    "held the truth in 85 to 87 % of simulated comparisons with equal scatter, in 92 to 94 % where it grew."
)
YORK_COVERS = (
    "Where samples have a part of their own that their uncertainties leave out (2 % of the content), the 95 % interval "
    "held the truth in 92 to 93 % of simulated comparisons."
)
SLOPE_COVERS = (
    "Where scatter grows with the level, the 95 % limits of this slope held the truth in 91 to 93 % of simulated "
    "comparisons."
)
#: Beyond this point of chi-squared the points scatter more than their uncertainties explain. Common practice.
_SCATTER_ALPHA = 0.05


Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]
#: Lower and upper ends, one of each a study.
Limits = tuple[NDArray[np.float64], NDArray[np.float64]]


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


@dataclass(frozen=True, slots=True)
class PassingBablokResult:
    """Slope and intercept from the pairwise slopes; how many of those there are, and by how many the median shifts.

    Attributes
    ----------
    slope, intercept : of unit 1, and in the unit of the values
    slopes : number of pairwise slopes
    shift : how many of them lie below -1
    """

    slope: Estimate
    intercept: Estimate
    slopes: int
    shift: int


@dataclass(frozen=True, slots=True)
class YorkResult:
    """Slope and intercept of the weighted line.

    Attributes
    ----------
    covariance : of intercept and slope, unscaled
    chi_squared, degrees_of_freedom : weighted sum of squared residuals, and n - 2
    scatter_factor : sqrt(chi_squared / degrees_of_freedom)
    """

    slope: Estimate
    intercept: Estimate
    covariance: float
    chi_squared: float
    degrees_of_freedom: int
    scatter_factor: float


def differences(x: Sequence[Number], y: Sequence[Number]) -> NDArray[np.float64]:
    """Candidate minus reference, each formed exactly and rounded once.

    Parameters
    ----------
    x, y : shape (n,), n >= 1, reference and candidate in one unit

    Returns
    -------
    shape (n,), y minus x

    Raises
    ------
    ValueError
        No values, or different numbers of them.

    References
    ----------
    Any handbook (paired differences).
    """
    if len(x) != len(y) or not len(x):
        raise ValueError(f"x and y must hold the same number of values, at least one; got {len(x)} and {len(y)}")
    return np.array([float(Fraction(b) - Fraction(a)) for a, b in zip(x, y, strict=True)])


def mean_difference(values: ArrayLike) -> Estimate:
    """Mean of paired differences; at level 1 - 2 alpha its interval is that of two one-sided tests.

    Parameters
    ----------
    values : shape (n,), n >= 1, differences in one unit; with n = 1, or where all are alike, there is no interval

    Returns
    -------
    Estimate in the unit of the values, t interval on n - 1

    Raises
    ------
    ValueError
        No values, or one that is not finite.

    References
    ----------
    Student's t for paired observations (any handbook). Schuirmann 1987 for two one-sided tests (from memory).
    """
    d = _finite(values, 1)
    value = float(d.mean())
    if d.size == 1:
        note = "There is one sample only: the mean difference carries no interval."
        return Estimate(value, n=1, units=1, notes=(note,), source=_DIFFERENCE)
    if alike(d):
        return Estimate(value, n=d.size, units=d.size, notes=(ALIKE,), source=_DIFFERENCE)
    error = float(d.std(ddof=1)) / sqrt(d.size)
    return Estimate.of_mean(value, error, float(d.size - 1), n=d.size, units=d.size, source=_DIFFERENCE)


def alike(values: ArrayLike) -> bool:
    """Whether the values differ by no more than the rounding of doubles.

    Parameters
    ----------
    values : shape (n,), n >= 1, floats in one unit

    Returns
    -------
    bool

    Raises
    ------
    ValueError
        No values.

    References
    ----------
    Own limit: 1e-13 of the largest value, some hundred times the rounding of a double.
    """
    d = np.asarray(values, dtype=float)
    return bool(np.ptp(d) <= 1e-13 * np.abs(d).max())


def sd_difference(values: ArrayLike) -> Estimate:
    """Standard deviation of paired differences. Shape (n,), n >= 2; without an interval where all are alike.

    Parameters
    ----------
    values : shape (n,), n >= 2, differences in one unit

    Returns
    -------
    Estimate in the unit of the values, chi-square interval on n - 1

    Raises
    ------
    ValueError
        Fewer than two values, or one that is not finite.

    References
    ----------
    Bland and Altman 1986, Lancet i, 307; interval: chi-square (ISO 2854, from memory).
    """
    d = _finite(values, 2)
    s, note = (0.0, ALIKE) if alike(d) else (float(d.std(ddof=1)), SD_COVERS)
    return Estimate.of_sd(s, d.size - 1, n=d.size, units=d.size, notes=(note,), source=_SCATTER)


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
    """
    d = _finite(values, 2)
    check_confidence(coverage)
    if alike(d):
        raise ValueError("values must scatter; all differences are alike")
    n, mean, s = d.size, float(d.mean()), float(d.std(ddof=1))
    z = t_quantile((1 + coverage) / 2, None)

    def limit(sign: float) -> Estimate:
        own = Affine(LimitDistance(s, z, n), sign, mean)
        return Estimate(
            mean + sign * z * s,
            SingleResults(mean, s, n, (1.0,), (s**2,), (s**2,), (float(n - 1),), own),
            degrees_of_freedom=float(n - 1),
            n=n,
            units=n,
            notes=(LIMITS_COVER,),
            source=_AGREEMENT,
        )

    return limit(-1.0), limit(1.0)


@dataclass(frozen=True, slots=True)
class ReplicateVariance:
    """Variance of replicates of one method, pooled over samples.

    `mean_reciprocal` is the mean of 1 / (number of replicates): the share of the variance that a sample's mean keeps.

    Attributes
    ----------
    variance : in the squared unit of the readings; None without replicates
    degrees_of_freedom : behind it
    mean_reciprocal : unit 1
    """

    variance: float | None
    degrees_of_freedom: int
    mean_reciprocal: float

    @property
    def of_means(self) -> float | None:
        """Variance of the means over replicates, averaged over the samples."""
        return None if self.variance is None else self.variance * self.mean_reciprocal


def replicate_variance(samples: Sequence[Sequence[Number]]) -> ReplicateVariance:
    """Pool the variance of replicates over samples.

    Parameters
    ----------
    samples : shape (m,), each of one or more readings of one method, in one unit

    Returns
    -------
    ReplicateVariance, in the squared unit of the readings; its variance is None without replicates

    Raises
    ------
    ValueError
        A sample without a reading, or a number that is not finite.

    References
    ----------
    Bland and Altman 1986, Lancet i, 307-310, "repeatability": each variance counts by its degrees of freedom.
    """
    squares, df = 0.0, 0
    for readings in samples:
        _, d = centre(readings)
        squares += float(((d - d.mean()) ** 2).sum())
        df += d.size - 1
    reciprocal = float(np.mean([1 / len(readings) for readings in samples]))
    return ReplicateVariance(squares / df if df else None, df, reciprocal)


def error_variance_ratio(candidate: ReplicateVariance, reference: ReplicateVariance) -> tuple[float, tuple[str, ...]]:
    """Ratio of the error variances of the samples' means, for Deming's line.

    Parameters
    ----------
    candidate, reference : pooled replicates of the two methods, in one squared unit

    Returns
    -------
    ratio : candidate over reference; 1 where a method has no replicates, or replicates that do not scatter
    notes : what must be known of it, in whole sentences

    Raises
    ------
    None.

    References
    ----------
    Linnet 1990, Stat. Med. 9, 1463 (ratio from replicates; from memory).
    """
    if candidate.of_means and reference.of_means:
        ratio = candidate.of_means / reference.of_means
        if candidate.mean_reciprocal == reference.mean_reciprocal:
            return ratio, ()
        return ratio, (
            "The methods have different numbers of replicates: the ratio is that of the variances of their means.",
        )
    lacking = [name for name, v in (("candidate", candidate), ("reference", reference)) if not v.degrees_of_freedom]
    if lacking:
        reason = f"There are no replicates of the {' and the '.join(lacking)} method"
    else:
        reason = "The replicates of a method do not scatter at all"
    return 1.0, (f"{reason}: the ratio of the error variances is taken as 1.",)


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
    """
    xs, ys, shift = _centred_pair(x, y)
    slopes, centred = (part[0] for part in _deming_fits(xs[None, :], ys[None, :], ratio))
    residuals = ys - centred[0] - slopes[0] * xs
    exact = _on_the_line(residuals, ys)
    return DemingResult(
        slope=_jackknifed(slopes, exact),
        intercept=_jackknifed(centred + float(shift[1]) - slopes * float(shift[0]), exact),
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
    xs, ys, shift = _centred_pair(x, y)
    slopes, intercepts = (part[0] for part in _deming_fits(xs[None, :], ys[None, :], ratio))
    inside = float(Fraction(level) - shift[0])
    offset = float(shift[1] - shift[0])
    exact = _on_the_line(ys - intercepts[0] - slopes[0] * xs, ys)
    estimate = _jackknifed(offset + intercepts + (slopes - 1) * inside, exact)
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


def _on_the_line(residuals: NDArray[np.float64], y: NDArray[np.float64]) -> bool:
    """Whether the residuals are the rounding of doubles."""
    return bool(np.abs(residuals).max() <= 1e-12 * np.ptp(y))


def _jackknifed(fits: Vector, exact: bool) -> Estimate:
    """An estimate from all n points, and those from all but one: shape (n + 1,)."""
    value, n = float(fits[0]), fits.size - 1
    if exact:
        return Estimate(value, n=n, units=n, notes=(ON_THE_LINE,), source=_DEMING)
    error = float(_jackknife_error(fits))
    return Estimate.of_mean(value, error, float(n - 2), n=n, units=n, notes=(JACKKNIFE_COVERS,), source=_DEMING)


def passing_bablok(x: Sequence[Number], y: Sequence[Number]) -> PassingBablokResult:
    """Line from the shifted median of all pairwise slopes; needs no error model, only methods that rise together.

    Parameters
    ----------
    x, y : shape (n,), n >= 3, in one unit

    Returns
    -------
    PassingBablokResult. At a level where a limit's rank lies outside the slopes, a limit is vertical, or both limits
    tie, there is no interval, with a note; that of the intercept is missing also where x takes both signs.

    Raises
    ------
    ValueError
        n < 3 or beyond `MOST_SAMPLES`, or a median slope that is vertical or does not exist.

    References
    ----------
    Passing and Bablok 1983 (formulas from memory). Pairs that coincide are left out, slopes of exactly -1 too; slopes
    below -1 are counted in the shift; a pair with equal x has an infinite slope of the sign of its difference in y.
    Ties are found in exact arithmetic. The ranks of the limits are rounded to the nearest.
    """
    if len(x) < 3 or len(x) != len(y):
        raise ValueError(f"x and y must hold the same number of values, at least 3; got {len(x)} and {len(y)}")
    if len(x) > MOST_SAMPLES:
        raise ValueError(f"the slopes of all pairs are taken of {MOST_SAMPLES} samples or fewer; got {len(x)}")
    n = len(x)
    exact_x, exact_y = (tuple(str(Fraction(value)) for value in values) for values in (x, y))
    slopes, shift = _pairwise_slopes(exact_x, exact_y)
    count = slopes.size
    middle = [rank - 1 for rank in _middle_ranks(count, shift)]
    if not count or middle[-1] >= count or not np.isfinite(slopes[middle]).all():
        raise ValueError("the pairwise slopes have no finite median; the methods do not rise together")
    slope = float(np.mean(slopes[middle]))
    intercept = _median_intercept(exact_x, exact_y, slope)
    of_slope = RankSlope(exact_x, exact_y)
    return PassingBablokResult(
        slope=Estimate(slope, of_slope, n=n, units=n, source=_PASSING_BABLOK),
        intercept=Estimate(intercept, RankIntercept(intercept, of_slope), n=n, units=n, source=_PASSING_BABLOK),
        slopes=count,
        shift=shift,
    )


@dataclass(frozen=True)
class RankSlope(ConfidenceDistribution):
    """The Passing-Bablok slope by Kendall's rank, from the points themselves: exact numbers, such as "123/100".

    Not from the slopes: of 1,000 points there are 499,500.

    Attributes
    ----------
    x, y : shape (n,), exact numbers as text
    """

    x: tuple[str, ...]
    y: tuple[str, ...]

    def interval(self, level: float) -> Interval | None:
        return self._limits(level)[0]

    def notes(self, level: float) -> tuple[str, ...]:
        return (self._limits(level)[1] or SLOPE_COVERS,)

    def _limits(self, level: float) -> tuple[Interval | None, str]:
        """The interval, or why there is none."""
        check_confidence(level)
        slopes, shift = _pairwise_slopes(self.x, self.y)
        count = slopes.size
        low, high = _limit_ranks(len(self.x), count, shift, level)
        if low < 1 or high > count:
            return None, TOO_FEW
        ends = (float(slopes[low - 1]), float(slopes[high - 1]))
        if not (isfinite(ends[0]) and isfinite(ends[1])):
            return None, VERTICAL
        return (None, TIED_LIMITS) if ends[0] == ends[1] else (ends, "")


@dataclass(frozen=True)
class RankIntercept(ConfidenceDistribution):
    """The Passing-Bablok intercept: medians of y - b x with the limits of the slope for b.

    Attributes
    ----------
    value : the estimate, in the unit of the values
    slope : of the same points
    """

    value: float
    slope: RankSlope

    def interval(self, level: float) -> Interval | None:
        limits = self.slope.interval(level)
        if limits is None or self._two_signs:
            return None
        ends = [_median_intercept(self.slope.x, self.slope.y, b) for b in limits]
        return min(*ends, self.value), max(*ends, self.value)

    def notes(self, level: float) -> tuple[str, ...]:
        if self.slope.interval(level) is None:
            return self.slope.notes(level)
        return (TWO_SIGNS if self._two_signs else INTERCEPT_COVERS,)

    @property
    def _two_signs(self) -> bool:
        xs = [Fraction(value) for value in self.slope.x]
        return min(xs) < 0 < max(xs)


def _middle_ranks(count: int, shift: Any) -> tuple[Any, ...]:
    """Ranks, from 1, of the sorted slopes whose mean is the shifted median; `shift` a number, or one a study."""
    upper = count // 2 + shift + 1
    return (upper,) if count % 2 else (upper - 1, upper)


def _limit_ranks(n: int, count: int, shift: Any, level: float) -> tuple[Any, Any]:
    """Ranks, from 1, of the slopes that are the limits at `level`, by Kendall's rank, rounded to the nearest."""
    reach = t_quantile((1 + level) / 2, None) * sqrt(n * (n - 1) * (2 * n + 5) / 18)
    rank = int(np.floor((count - reach) / 2 + 0.5))
    return rank + shift, count - rank + 1 + shift


def passing_bablok_many(x: Matrix, y: Matrix, *, level: float) -> tuple[Vector, Vector, Limits, Limits]:
    """The lines of `passing_bablok` of many comparisons of as many samples, in doubles: without ties, x above zero.

    Parameters
    ----------
    x, y : shape (studies, n), n >= 3, no two results of a method alike, one unit
    level : of the limits; a limit whose rank lies outside the slopes is the outermost slope

    Returns
    -------
    slope, intercept, and the limits of each; every array of shape (studies,)

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    Passing and Bablok 1983 (formulas from memory).
    """
    first, second = np.triu_indices(x.shape[1], 1)
    slopes = np.sort((y[:, second] - y[:, first]) / (x[:, second] - x[:, first]), axis=1)
    count, shift = slopes.shape[1], (slopes < -1).sum(axis=1)

    def at(rank: NDArray[np.int_]) -> Vector:
        return np.take_along_axis(slopes, np.clip(rank, 1, count)[:, None] - 1, 1)[:, 0]

    slope = np.mean([at(rank) for rank in _middle_ranks(count, shift)], axis=0)
    low, high = (at(rank) for rank in _limit_ranks(x.shape[1], count, shift, level))
    intercept, *ends = (np.median(y - b[:, None] * x, axis=1) for b in (slope, low, high))
    return slope, intercept, (low, high), (np.minimum.reduce([*ends, intercept]), np.maximum.reduce([*ends, intercept]))


def _median_intercept(x: tuple[str, ...], y: tuple[str, ...], slope: float) -> float:
    xs, ys = (np.array([float(Fraction(value)) for value in values]) for values in (x, y))
    return float(np.median(ys - slope * xs))


@lru_cache(maxsize=16)
def _pairwise_slopes(x: tuple[str, ...], y: tuple[str, ...]) -> tuple[NDArray[np.float64], int]:
    """Sorted slopes of all pairs, and how many are below -1; coincident pairs and slopes of -1 are left out."""
    px, py = _exact_steps(x, y)
    keep = ((px != 0) | (py != 0)) & (px + py != 0)
    px, py = px[keep], py[keep]
    slopes = np.empty(px.size)
    vertical = np.asarray(px == 0, dtype=bool)
    slopes[~vertical] = np.asarray(py[~vertical] / px[~vertical], dtype=float)
    slopes[vertical] = np.where(np.asarray(py[vertical] > 0, dtype=bool), np.inf, -np.inf)
    return np.sort(slopes), int(np.sum(slopes < -1))


def _exact_steps(x: Sequence[str], y: Sequence[str]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Differences of all pairs i < j of x and of y, in whole numbers of one step: they are equal where they tie.

    Doubles hold them where none is beyond 2^53, and round their quotient once, as Python does that of whole numbers.
    """
    fractions = [[Fraction(value) for value in values] for values in (x, y)]
    step = lcm(*(value.denominator for values in fractions for value in values))
    whole = [[int((value - values[0]) * step) for value in values] for values in fractions]
    fits = all(max(values) - min(values) <= 2**53 for values in whole)
    first, second = np.triu_indices(len(x), 1)
    dx, dy = (array[second] - array[first] for array in (np.array(v, dtype=float if fits else object) for v in whole))
    return dx, dy


def york(x: Sequence[Number], y: Sequence[Number], u_x: ArrayLike, u_y: ArrayLike) -> YorkResult:
    """Weighted straight line with a standard uncertainty for each x and each y, uncorrelated.

    Parameters
    ----------
    x, y : shape (n,), n >= 3, in one unit
    u_x, u_y : shape (n,), positive standard uncertainties of x and y

    Returns
    -------
    YorkResult. Uncertainties are the unscaled ones, which take u_x and u_y as known, evaluated at the adjusted points,
    unless the points scatter more than that explains (chi-squared beyond its 95 % point on n - 2): then they are scaled
    by the scatter factor and the interval is Student's t, for an interval that ignores visible scatter misleads.

    Raises
    ------
    ValueError
        n < 3, lengths that differ, an uncertainty that is not positive, or no convergence.

    References
    ----------
    York, Evensen, Lopez Martinez and De Basabe Delgado 2004, Am. J. Phys. 72, 367; ISO/TS 28037:2010, 7.

    Examples
    --------
    Pearson's data with York's weights, York et al. 2004, Table II: slope -0.4805, intercept 5.4799.

    >>> x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    >>> y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    >>> w_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    >>> w_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    >>> line = york(x, y, w_x**-0.5, w_y**-0.5)
    >>> round(line.slope.value, 4), round(line.intercept.value, 4)
    (-0.4805, 5.4799)
    """
    xs, ys, shift = _centred_pair(x, y)
    w_x, w_y = (1 / _positive(u, xs.size, name) ** 2 for u, name in ((u_x, "u_x"), (u_y, "u_y")))
    offsets = float(shift[0]), float(shift[1])
    fits = YorkFits.of(xs[None, :], ys[None, :], w_x, w_y, offsets=offsets)
    slope, u_slope, intercept, u_intercept, origin, chi_squared = (
        float(part[0])
        for part in (fits.slope, fits.u_slope, fits.intercept, fits.u_intercept, fits.origin, fits.chi_squared)
    )
    df, factor = fits.degrees_of_freedom, float(fits.scatter_factor[0])
    estimate = _scattered if fits.scattered[0] else _known
    return YorkResult(
        slope=estimate(slope, u_slope, factor, xs.size),
        intercept=estimate(intercept, u_intercept, factor, xs.size),
        covariance=-origin * u_slope**2,
        chi_squared=chi_squared,
        degrees_of_freedom=df,
        scatter_factor=factor,
    )


@dataclass(frozen=True, slots=True, eq=False)
class YorkFits:
    """The lines of `york` through many comparisons whose samples have the same uncertainties; one value a study.

    Attributes
    ----------
    slope, intercept, u_slope, u_intercept : with the unscaled uncertainties
    origin : weighted mean of the adjusted x
    chi_squared, degrees_of_freedom : weighted sum of squared residuals, and n - 2
    """

    slope: Vector
    intercept: Vector
    u_slope: Vector
    u_intercept: Vector
    origin: Vector
    chi_squared: Vector
    degrees_of_freedom: int

    @classmethod
    def of(
        cls, x: Matrix, y: Matrix, w_x: Vector, w_y: Vector, *, offsets: tuple[float, float] = (0.0, 0.0)
    ) -> YorkFits:
        """From x and y of shape (studies, n), minus `offsets`, and weights 1 / u^2 of shape (n,).

        Raises
        ------
        ValueError
            No convergence, or values that do not determine a line.
        """
        slope = _york_slope(x, y, w_x, w_y)
        weights, mx, my, beta = _york_step(x, y, w_x, w_y, slope)
        adjusted = mx + beta
        adjusted_mean = _averages(adjusted, weights)
        u_slope = 1 / np.sqrt((weights * (adjusted - adjusted_mean) ** 2).sum(axis=1))
        origin = adjusted_mean[:, 0] + offsets[0]
        residuals = y - my - slope[:, None] * (x - mx)
        return cls(
            slope=slope,
            intercept=my[:, 0] - slope * mx[:, 0] + offsets[1] - slope * offsets[0],
            u_slope=u_slope,
            u_intercept=np.sqrt(1 / weights.sum(axis=1) + (origin * u_slope) ** 2),
            origin=origin,
            chi_squared=(weights * residuals**2).sum(axis=1),
            degrees_of_freedom=x.shape[1] - 2,
        )

    @property
    def scatter_factor(self) -> Vector:
        """Scatter about the line over what the uncertainties explain."""
        return np.sqrt(self.chi_squared / self.degrees_of_freedom)

    @property
    def scattered(self) -> NDArray[np.bool_]:
        """Whether the points scatter more than their uncertainties explain."""
        return special.chdtrc(self.degrees_of_freedom, self.chi_squared) < _SCATTER_ALPHA

    def interval(self, value: Vector, u: Vector, level: float) -> Limits:
        """Of slope or intercept, scaled by the scatter where that shows; as the estimates of `york`."""
        t, z = (t_quantile((1 + level) / 2, df) for df in (self.degrees_of_freedom, None))
        half = np.where(self.scattered, t * self.scatter_factor, z) * u
        return value - half, value + half


def _york_slope(x: Matrix, y: Matrix, w_x: Vector, w_y: Vector) -> Vector:
    """Iterated until every study has settled, each left alone once it has."""
    dx = x - x.mean(axis=1, keepdims=True)
    slope = (dx * y).sum(axis=1) / (dx**2).sum(axis=1)
    settled = np.zeros(len(x), dtype=bool)
    for _ in range(500):
        weights, mx, my, beta = _york_step(x, y, w_x, w_y, slope)
        bottom = (weights * beta * (x - mx)).sum(axis=1)
        if np.any(bottom == 0):
            raise ValueError("x and y must vary together for a line; they do not")
        update = np.where(settled, slope, (weights * beta * (y - my)).sum(axis=1) / bottom)
        settled |= np.abs(update - slope) <= 1e-14 * np.maximum(1.0, np.abs(update))
        slope = update
        if settled.all():
            return slope
    raise ValueError("the weighted line did not converge; the uncertainties may differ too widely")


def _york_step(x: Matrix, y: Matrix, w_x: Vector, w_y: Vector, slope: Vector) -> tuple[Matrix, Matrix, Matrix, Matrix]:
    """Weights at these slopes, weighted means of x and y, each (studies, 1), and the adjusted x minus their mean."""
    b = slope[:, None]
    weights = w_x * w_y / (w_x + b**2 * w_y)
    mx, my = _averages(x, weights), _averages(y, weights)
    return weights, mx, my, weights * ((x - mx) / w_y + b * (y - my) / w_x)


def _averages(values: Matrix, weights: Matrix) -> Matrix:
    return (weights * values).sum(axis=1, keepdims=True) / weights.sum(axis=1, keepdims=True)


def _known(value: float, u: float, factor: float, n: int) -> Estimate:
    note = (
        f"The uncertainty takes the points' uncertainties as known; scaled by their scatter about the line "
        f"(factor {factor:.3g}) it would be {u * factor:.3g}."
    )
    return Estimate.of_mean(value, u, None, n=n, units=n, notes=(note, YORK_COVERS), source=_YORK)


def _scattered(value: float, u: float, factor: float, n: int) -> Estimate:
    note = (
        f"The points scatter about the line {factor:.3g} times as much as their uncertainties explain: the uncertainty "
        f"is scaled by that factor (unscaled {u:.3g}), and the interval is Student's t on n - 2."
    )
    return Estimate.of_mean(value, u * factor, float(n - 2), n=n, units=n, notes=(note, YORK_COVERS), source=_YORK)


def spread_of_replicates(samples: Sequence[Sequence[Number]]) -> LinearSdResult:
    """s(x) = a + b x of one method, fitted to the replicates of its samples.

    Parameters
    ----------
    samples : shape (m,) of readings of one method, in one unit; single readings carry nothing. A mean below zero counts
        as level zero.

    Returns
    -------
    LinearSdResult, in the unit of the readings

    Raises
    ------
    ValueError
        Fewer than two degrees of freedom among the replicates, or replicates that never differ.

    References
    ----------
    As `linear_sd`.
    """
    levels, squares, dfs = [], [], []
    for readings in samples:
        offset, d = centre(readings)
        levels.append(max(0.0, float(offset) + float(d.mean())))
        squares.append(float(((d - d.mean()) ** 2).sum()))
        dfs.append(float(d.size - 1))
    if sum(dfs) < 2:
        raise ValueError(f"s(x) needs two degrees of freedom among replicates; got {sum(dfs):.0f}")
    if sum(squares) == 0:
        raise ValueError("s(x) needs replicates that differ; all are equal")
    if max(levels) == 0:
        raise ValueError("s(x) needs a level above zero; none is")
    return linear_sd(levels, squares, dfs)


@dataclass(frozen=True, slots=True)
class SampleScatter:
    """Scatter of the differences beside what the replicates explain; standard deviations in the unit of the readings.

    Attributes
    ----------
    observed : standard deviation of the differences
    expected : what the replicates of both methods explain of it
    sample_specific : what is left over, 0 where nothing is
    single : standard deviation of differences of single readings instead of means
    F, p : (observed / expected)^2 and its upper tail, degrees of freedom of the observed variance and Satterthwaite's
    """

    observed: float
    expected: float
    sample_specific: float
    single: float
    F: float | None
    p: float | None
    source: str = "Bland and Altman 1986 (correction for replicates); F with Satterthwaite's degrees of freedom"


def sample_scatter(
    variance: float,
    degrees_of_freedom: int,
    candidate: ReplicateVariance,
    reference: ReplicateVariance,
    *,
    slope: float = 1.0,
) -> SampleScatter | None:
    """Compare the variance of differences with the replicates; None where a method has no replicates.

    Parameters
    ----------
    variance : of the differences, or of the residuals y - a - b x about a line, squared unit of the readings
    degrees_of_freedom : behind it: n - 1 of differences, n - 2 of residuals
    candidate, reference : pooled replicates of the two methods, in the same squared unit
    slope : b of that line, which multiplies the errors of the reference; 1 for differences

    Returns
    -------
    SampleScatter in the unit of the readings, or None

    Raises
    ------
    None.

    References
    ----------
    Bland and Altman 1986, Lancet i, 307-310, "measuring agreement using repeated measurements".
    """
    if candidate.variance is None or reference.variance is None:
        return None
    methods = ((candidate, 1.0), (reference, slope**2))
    parts = [(k * v.variance * v.mean_reciprocal, v.degrees_of_freedom) for v, k in methods if v.variance]
    expected = float(sum(part for part, _ in parts))
    single = variance + sum(k * (v.variance or 0.0) * (1 - v.mean_reciprocal) for v, k in methods)
    ratio = p = None
    if expected > 0:
        df = expected**2 / sum(part**2 / freedom for part, freedom in parts)
        ratio = float(variance / expected)
        p = float(special.fdtrc(degrees_of_freedom, df, ratio))
    return SampleScatter(sqrt(variance), sqrt(expected), sqrt(max(0.0, variance - expected)), sqrt(single), ratio, p)


def _centred_pair(
    x: Sequence[Number], y: Sequence[Number]
) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[Fraction, Fraction]]:
    if len(x) != len(y) or len(x) < 3:
        raise ValueError(f"x and y must hold the same number of values, at least 3; got {len(x)} and {len(y)}")
    shift_x, xs = centre(x, "x")
    shift_y, ys = centre(y, "y")
    return xs, ys, (shift_x, shift_y)


def _finite(values: ArrayLike, least: int) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=float)
    if array.ndim != 1 or array.size < least or not np.all(np.isfinite(array)):
        raise ValueError(f"values must be finite, shape (n >= {least},); got shape {array.shape}")
    return array


def _positive(values: ArrayLike, n: int, name: str) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=float)
    if array.shape != (n,) or not np.all(np.isfinite(array)) or np.any(array <= 0):
        raise ValueError(f"{name} must hold {n} positive numbers; got {array.tolist()}")
    return array
