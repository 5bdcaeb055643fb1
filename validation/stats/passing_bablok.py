"""Passing and Bablok's line: the shifted median of all pairwise slopes, without a model of the errors.

Beside the libraries: the slope of scipy's `theilslopes` averaged 0.971 in simulated comparisons with equal errors and
true slope 1, this one 1.002 (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import isfinite, lcm, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from validation.stats.comparison import Limits, Matrix, Vector
from validation.stats.confidence import ConfidenceDistribution
from validation.stats.estimate import Estimate, Number
from validation.stats.intervals import Interval, check_confidence, t_quantile

#: Pairwise slopes of more samples would fill the memory: of these there are two million, in some hundred MiB.
MOST_SAMPLES = 2000
_PASSING_BABLOK = (
    "Passing and Bablok 1983, J. Clin. Chem. Clin. Biochem. 21, 709; limits by Kendall's rank (from memory)"
)
_INTERCEPT = (
    "Passing and Bablok 1983, J. Clin. Chem. Clin. Biochem. 21, 709; interval: standard error from samples drawn anew "
    "(Efron and Tibshirani 1993), t on n - 2 (both from memory)"
)
TIED_LIMITS = (
    "Both limits of the Passing-Bablok slope fall on one tied slope: rounding hides its interval; none is given."
)
TOO_FEW = "There are too few samples for limits of the Passing-Bablok line by Kendall's rank."
VERTICAL = "A limit of the Passing-Bablok slope is vertical: no interval is given."
FEW_RESAMPLED = "Fewer than 6 samples: drawing them anew gives the Passing-Bablok intercept no standard error."
UNMOVED = (
    "The samples drawn anew give the Passing-Bablok intercept no scatter, or no line: rounding hides its interval, and "
    "none is given."
)
BLOCKS = "Of more than 100 samples the standard error of the intercept is that of blocks of at most 100, joined."
SLOPE_COVERS = (
    "Where scatter grows with the level, the 95 % limits of this slope held the truth in 91 to 93 % of simulated "
    "comparisons."
)


#: Draws of all samples; of n beyond a block fewer a block, not below the fewest.
_DRAWS, _FEWEST_DRAWS, _BLOCK, _SEED = 400, 50, 100, 1983
_LEAST_RESAMPLED = 6


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


def passing_bablok(x: Sequence[Number], y: Sequence[Number]) -> PassingBablokResult:
    """Line from the shifted median of all pairwise slopes; needs no error model, only methods that rise together.

    Parameters
    ----------
    x, y : shape (n,), n >= 3, in one unit

    Returns
    -------
    PassingBablokResult. At a level where a limit's rank lies outside the slopes, a limit is vertical, or both limits
    tie, the slope has no interval, with a note. The interval of the intercept is Student's t with a standard error by
    the bootstrap; the published limits, of the lines with the limits of the slope, held the truth in 85 to 87 % where
    errors are equal.

    Raises
    ------
    ValueError
        n < 3 or beyond `MOST_SAMPLES`, or a median slope that is vertical or does not exist.

    References
    ----------
    Passing and Bablok 1983 (formulas from memory). Pairs that coincide are left out, slopes of exactly -1 too; slopes
    below -1 are counted in the shift; a pair with equal x has an infinite slope of the sign of its difference in y.
    Ties are found in exact arithmetic. The ranks of the limits are rounded to the nearest.

    Examples
    --------
    By hand: three samples have the slopes 1.1, 0.8 and 0.95; the middle one, and the median of y - 0.95 x.

    >>> line = passing_bablok([1.0, 2.0, 3.0], [1.0, 2.1, 2.9])
    >>> round(line.slope.value, 3), round(line.intercept.value, 3)
    (0.95, 0.05)
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
    xs, ys = (np.array([float(value) for value in values]) for values in (x, y))
    return PassingBablokResult(
        slope=Estimate(slope, RankSlope(exact_x, exact_y), n=n, units=n, source=_PASSING_BABLOK),
        intercept=_with_error(xs, ys, intercept),
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


def _with_error(x: Vector, y: Vector, value: float) -> Estimate:
    n = len(x)
    if n < _LEAST_RESAMPLED:
        return Estimate(value, n=n, units=n, notes=(FEW_RESAMPLED,), source=_INTERCEPT)
    error = intercept_error(x, y)
    if not error > 0:
        return Estimate(value, n=n, units=n, notes=(UNMOVED,), source=_INTERCEPT)
    notes = (BLOCKS,) if n > _BLOCK else ()
    return Estimate.of_mean(value, error, float(n - 2), n=n, units=n, notes=notes, source=_INTERCEPT)


def intercept_error(x: Vector, y: Vector) -> float:
    """Standard error of the Passing-Bablok intercept, from samples drawn anew with their results.

    Of more than 100 samples blocks of at most 100, each over the whole range, give one variance each: their mean, over
    the number of blocks, is that of all samples.

    Parameters
    ----------
    x, y : shape (n,), n >= 6, floats, reference and candidate in one unit

    Returns
    -------
    float, in that unit; NaN where most draws have no finite slope

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    Bootstrap of pairs: Efron and Tibshirani 1993, An Introduction to the Bootstrap, 9.5 (from memory); fixed seed.
    """
    order = np.lexsort((y, x))
    blocks = -(-len(x) // _BLOCK)
    draws = max(_DRAWS // blocks, _FEWEST_DRAWS)
    variances = [_intercept_variance(x[order[k::blocks]], y[order[k::blocks]], draws) for k in range(blocks)]
    return sqrt(float(np.mean(variances)) / blocks)


def _intercept_variance(x: Vector, y: Vector, draws: int) -> float:
    """Variance of the intercepts of `draws` draws from samples in the order of x.

    A pair of samples enters a draw as often as the product of their counts: the slopes of all draws are those of all
    pairs, each with other weights, and the slope of a draw is their shifted weighted median.
    """
    first, second = np.triu_indices(len(x), 1)
    dx, dy = x[second] - x[first], y[second] - y[first]
    kept = ((dx != 0) | (dy != 0)) & (dx + dy != 0)
    with np.errstate(divide="ignore"):
        slopes = dy[kept] / dx[kept]
    if not slopes.size:
        return float("nan")
    order = np.argsort(slopes, kind="stable")
    slopes = slopes[order]
    which, counts = _drawn(len(x), draws)
    weights = counts[first[kept][order]]
    weights *= counts[second[kept][order]]
    reached = weights.cumsum(axis=0)
    steep = int(np.searchsorted(slopes, -1.0))
    shift = reached[steep - 1] if steep else 0
    middle = (2 * reached <= reached[-1] + 2 * shift).sum(axis=0)
    slope = slopes[np.minimum(middle, slopes.size - 1)]
    finite = np.isfinite(slope)
    if finite.sum() < draws / 2:
        return float("nan")
    which = which[finite]
    return float(np.median(y[which] - slope[finite, None] * x[which], axis=1).var(ddof=1))


@lru_cache(maxsize=8)
def _drawn(n: int, draws: int) -> tuple[NDArray[np.int_], NDArray[np.int32]]:
    """Samples of every draw, shape (draws, n), and how often each is in it, shape (n, draws)."""
    which = np.random.default_rng(_SEED).integers(0, n, (draws, n))
    counts = np.stack([np.bincount(row, minlength=n) for row in which], axis=1)
    return which, counts.astype(np.int32)


def _middle_ranks(count: int, shift: Any) -> tuple[Any, ...]:
    """Ranks, from 1, of the sorted slopes whose mean is the shifted median; `shift` a number, or one a study."""
    upper = count // 2 + shift + 1
    return (upper,) if count % 2 else (upper - 1, upper)


def _limit_ranks(n: int, count: int, shift: Any, level: float) -> tuple[Any, Any]:
    """Ranks, from 1, of the slopes that are the limits at `level`, by Kendall's rank, rounded to the nearest."""
    reach = t_quantile((1 + level) / 2, None) * sqrt(n * (n - 1) * (2 * n + 5) / 18)
    rank = int(np.floor((count - reach) / 2 + 0.5))
    return rank + shift, count - rank + 1 + shift


def passing_bablok_many(x: Matrix, y: Matrix, *, level: float) -> tuple[Vector, Vector, Limits, Vector]:
    """The lines of `passing_bablok` of many comparisons of as many samples, in doubles: without ties.

    Parameters
    ----------
    x, y : shape (studies, n), n >= 3, no two results of a method alike, one unit
    level : of the limits; a limit whose rank lies outside the slopes is the outermost slope

    Returns
    -------
    slope, intercept, limits of the slope, standard error of the intercept; every array of shape (studies,)

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
    errors = np.array([intercept_error(*study) for study in zip(x, y, strict=True)])
    return slope, np.median(y - slope[:, None] * x, axis=1), (low, high), errors


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
