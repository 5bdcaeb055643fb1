"""Patterns in raw readings that scatter seldom makes: each with the chance that clean readings show it.

Readings are whole numbers of the step to which they are written, shape (studies, n); one row is one study. Scatter is
taken within cells of one run and one level, and as normal. Where a chance rests on an estimated standard deviation, its
one-sided 99 % lower bound stands for it, so that few replicates make a chance larger and never smaller.

Source: own; the parts are textbook probability (named at each function).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import lgamma, log, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Standard deviations below so many steps leave the last digit to the true value, not to chance.
LEAST_STEPS = 2.0
#: Largest chance of a last digit 0 or 5 among 9, 0, 1, 4, 5, 6, over all means, for a normal of 2 steps (computed).
FAVOURED = 0.346
_CAUTION = 0.99


@dataclass(frozen=True, eq=False)
class RunLayout:
    """Which run and which level each of n readings belongs to.

    Attributes
    ----------
    runs : code of the run of each reading, from 0, shape (n,)
    levels : code of its level, or of whatever places it within its run, from 0, shape (n,)

    Raises
    ------
    ValueError
        The two are not of one length, or a code is negative.
    """

    runs: Ints
    levels: Ints

    def __post_init__(self) -> None:
        if self.runs.shape != self.levels.shape or self.runs.ndim != 1:
            raise ValueError(f"runs and levels must have one length; got {self.runs.shape} and {self.levels.shape}")
        if self.runs.size and min(self.runs.min(), self.levels.min()) < 0:
            raise ValueError("codes must not be negative")

    @cached_property
    def run_count(self) -> int:
        return int(self.runs.max()) + 1 if self.runs.size else 0

    @cached_property
    def level_count(self) -> int:
        return int(self.levels.max()) + 1 if self.levels.size else 0

    @cached_property
    def _cells(self) -> tuple[Ints, Ints, Ints, Ints]:
        """Order of the readings by cell, first place of each cell, its size, and its code run * levels + level."""
        codes = self.runs * self.level_count + self.levels
        order = np.argsort(codes, kind="stable")
        named, first, sizes = np.unique(codes[order], return_index=True, return_counts=True)
        return order, first, sizes, named

    def squares(self, y: NDArray[Any]) -> tuple[Floats, Floats, Ints, Ints]:
        """Sum of squares in each cell, shape (studies, cells), its degrees of freedom, and its run and level."""
        order, first, sizes, named = self._cells
        sorted_ = np.asarray(y, dtype=float)[:, order]
        means = np.add.reduceat(sorted_, first, axis=1) / sizes
        rest = sorted_ - np.repeat(means, sizes, axis=1)
        squares: Floats = np.add.reduceat(rest * rest, first, axis=1)
        return squares, (sizes - 1).astype(float), named // self.level_count, named % self.level_count

    def of_levels(self, y: NDArray[Any]) -> tuple[Floats, Floats]:
        """Variance within cells of each level, shape (studies, levels), and its degrees of freedom; 0 without any."""
        squares, df, _, levels = self.squares(y)
        freedom: Floats = np.bincount(levels, df, self.level_count).astype(float)
        total = _summed(squares, levels, self.level_count)
        return np.divide(total, freedom, out=np.zeros_like(total), where=freedom > 0), freedom


def _summed(values: Floats, codes: Ints, count: int) -> Floats:
    """Sums by code, shape (studies, count)."""
    total = np.zeros((len(values), count))
    for study in range(len(values)) if len(values) < count else ():
        total[study] = np.bincount(codes, values[study], count)
    if len(values) >= count:
        for code in range(count):
            total[:, code] = values[:, codes == code].sum(axis=1)
    return total


def _cautious_sd(layout: RunLayout, y: NDArray[Any], *, over_runs: bool = False) -> Floats:
    """Lower bound of the standard deviation of each level, in steps, shape (studies, levels).

    Without replicates 0, or, `over_runs`, from the scatter over runs.
    """
    variance, freedom = layout.of_levels(y)
    if over_runs and not freedom.all():
        whole = RunLayout(np.zeros_like(layout.runs), layout.levels)
        variance_all, freedom_all = whole.of_levels(y)
        variance = np.where(freedom > 0, variance, variance_all)
        freedom = np.where(freedom > 0, freedom, freedom_all)
    bound = stats.chi2.ppf(_CAUTION, np.maximum(freedom, 1))
    return np.sqrt(variance * np.where(freedom > 0, freedom / bound, 0.0))


def too_regular(y: NDArray[Any], layout: RunLayout) -> Floats:
    """Chance of so little scatter within a run, beside that of all runs at the same levels.

    The sum of squares of a run over the levels' variances is held against chi-square in its lower tail. The variances
    hold the run itself, which makes the sum scatter less than chi-square: the chance is an upper bound. Rounding makes
    replicates equal that are not: each cell's root sum of squares is enlarged by what rounding can hide.

    Parameters
    ----------
    y : readings in steps, shape (studies, n)
    layout : the run and the level of each of the n readings

    Returns
    -------
    array, shape (studies, runs)
        1 for a run without replicates. Levels whose standard deviation is below one step are left aside.

    Raises
    ------
    None; numpy raises where shapes do not fit.

    References
    ----------
    Own; the distribution of a sum of squares is that of any textbook (from memory).
    """
    squares, df, runs, levels = layout.squares(y)
    variance, _ = layout.of_levels(y)
    usable = variance[:, levels] >= 1.0
    squares = (np.sqrt(squares) + np.sqrt(_within_a_step(df))) ** 2
    scaled = np.where(usable, squares / np.where(usable, variance[:, levels], 1.0), 0.0)
    total = _summed(scaled, runs, layout.run_count)
    freedom = _summed(np.where(usable, df, 0.0), runs, layout.run_count)
    return np.where(freedom > 0, stats.chi2.cdf(total, np.maximum(freedom, 1)), 1.0)


def _within_a_step(df: Floats) -> Floats:
    """The sum of squares, in steps, below which n normals lie as often as they are written alike.

    All alike: 1 / (sqrt(n) (s sqrt(2 pi))^k), k = n - 1 degrees of freedom, for s well above a step; below x s^2:
    (x / 2)^(k / 2) / gamma(k / 2 + 1). For n = 2 it is 1/8, the square of half a step over 2: exact.
    """
    k = np.clip(df, 1.0, 100.0)
    return np.where(df > 0, (special.gamma(k / 2 + 1) / np.sqrt(k + 1)) ** (2 / k) / pi, 0.0)


def equal_runs(y: NDArray[Any], layout: RunLayout) -> tuple[Ints, Floats]:
    """Runs that hold the same readings in the same places, and the expected number of such pairs.

    Two normals of one mean and standard deviation s agree when written to a step with a chance of at most
    step / (2 s sqrt(pi)), the density of their difference at zero; runs that differ in their means agree less often.

    Parameters
    ----------
    y : readings in steps, shape (studies, n)
    layout : every run holds the same levels in the same order, n = runs * places

    Returns
    -------
    tuple of arrays
        The earlier run that each run repeats, shape (studies, runs), -1 for none; and the expected number of pairs,
        shape (studies,).

    Raises
    ------
    ValueError
        The runs do not hold equally many readings.

    References
    ----------
    Own; the density of a difference of normals (from memory).
    """
    if np.unique(np.bincount(layout.runs)).size > 1:
        raise ValueError("every run must hold the same number of readings")
    order = np.argsort(layout.runs, kind="stable")
    places = layout.levels[order].reshape(layout.run_count, -1)
    rows = np.asarray(y, dtype=np.int64)[:, order].reshape(len(y), layout.run_count, -1)
    weights = np.random.default_rng(8004).integers(1, 2**31, rows.shape[2])
    keys = (rows * weights).sum(axis=2)
    by_key = np.argsort(keys, axis=1, kind="stable")
    sorted_keys = np.take_along_axis(keys, by_key, axis=1)
    repeats = np.full(keys.shape, -1, dtype=np.int64)
    same = sorted_keys[:, 1:] == sorted_keys[:, :-1]
    for study, place in zip(*np.nonzero(same), strict=True):
        first, second = by_key[study, place], by_key[study, place + 1]
        if np.array_equal(rows[study, first], rows[study, second]):
            earlier = repeats[study, first]
            repeats[study, second] = first if earlier < 0 else earlier
    sd = _cautious_sd(layout, y, over_runs=True)[:, places[0]]
    agree = np.minimum(1.0, 1.0 / np.maximum(2.0 * sqrt(pi) * sd, 1e-12))
    pairs = layout.run_count * (layout.run_count - 1) / 2
    return repeats, pairs * np.exp(np.log(agree).sum(axis=1))


def digit_preference(y: NDArray[Any], layout: RunLayout) -> Floats:
    """Chance of so many last digits 0 and 5, among those with 9, 0, 1, 4, 5 and 6; exact binomial upper tail.

    Only levels whose readings scatter by 2 steps or more count; there 0 and 5 are at most 0.346 of the six digits,
    wherever the true values lie, and more only by preference.

    Parameters
    ----------
    y : readings in steps, shape (studies, n)
    layout : the run and the level of each of the n readings

    Returns
    -------
    array, shape (studies,)

    Raises
    ------
    None; numpy raises where shapes do not fit.

    References
    ----------
    Own; the binomial tail by the incomplete beta function, scipy.special.betainc.
    """
    whole = np.asarray(y, dtype=np.int64)
    counts = _cautious_sd(layout, y)[:, layout.levels] >= LEAST_STEPS
    digits = np.abs(whole) % 10
    favoured = (np.isin(digits, (0, 5)) & counts).sum(axis=1)
    beside = (np.isin(digits, (1, 4, 6, 9)) & counts).sum(axis=1)
    return np.asarray(_upper_tail(favoured, favoured + beside, FAVOURED))


def _upper_tail(count: Ints, of: Ints, chance: float | Floats) -> Floats:
    """Chance of `count` or more among `of`."""
    some = count > 0
    return np.where(some, special.betainc(np.where(some, count, 1), np.maximum(of - count, 0) + 1.0, chance), 1.0)


def exact_hits(y: NDArray[Any], assigned: Ints, layout: RunLayout) -> tuple[Floats, Floats]:
    """Chance of so many readings exactly on their assigned values; and of each run that lies on them throughout.

    A normal is written as one given value with a chance of at most step / (s sqrt(2 pi)), its density at the mode. The
    number is held against the binomial of the mean chance, whose tail is the longer one.

    Parameters
    ----------
    y : readings in steps, shape (studies, n)
    assigned : assigned values in steps, shape (n,)
    layout : the run and the level of each of the n readings

    Returns
    -------
    tuple of arrays
        Shape (studies,) and (studies, runs); 1 where a run does not lie on them throughout, or has under 4 readings.

    Raises
    ------
    None; numpy raises where shapes do not fit.

    References
    ----------
    Hoeffding 1956, Annals of Mathematical Statistics 27, 713 (from memory): sums of unequal chances.
    """
    hits = np.asarray(y, dtype=np.int64) == assigned
    chance = np.minimum(1.0, 1.0 / np.maximum(sqrt(2 * pi) * _cautious_sd(layout, y), 1e-12))[:, layout.levels]
    whole = _upper_tail(hits.sum(axis=1), np.full(len(hits), hits.shape[1]), chance.mean(axis=1))
    sizes = np.bincount(layout.runs, minlength=layout.run_count)
    on_all = (_summed(hits.astype(float), layout.runs, layout.run_count) == sizes) & (sizes >= 4)
    logs = _summed(np.log(chance), layout.runs, layout.run_count)
    return whole, np.where(on_all, layout.run_count * np.exp(logs), 1.0)


def zero_blanks(y: NDArray[Any], sd: float) -> Floats:
    """Chance that every one of n blanks is written as zero, where they scatter about zero by `sd` steps.

    Parameters
    ----------
    y : blanks in steps, shape (studies, n)
    sd : standard deviation of a blank, in steps

    Returns
    -------
    array, shape (studies,)
        1 where one of them is not zero.

    Raises
    ------
    None; numpy raises where shapes do not fit.

    References
    ----------
    Own; the normal distribution function, scipy.special.erf.
    """
    zero = special.erf(0.5 / (sqrt(2.0) * max(sd, 1e-12)))
    return np.where((np.asarray(y) == 0).all(axis=1), zero ** np.shape(y)[1], 1.0)


def power_of_ten(ratios: NDArray[Any], *, tolerance: float = 0.1) -> Ints:
    """The power of ten that a ratio is; 0 where it is none, or none but 1.

    Parameters
    ----------
    ratios : any shape, of no unit; what is not above zero has no power
    tolerance : how far the decimal logarithm may lie from a whole number; 0.1 is a factor of 1.26

    Returns
    -------
    array of whole numbers, the shape of `ratios`

    Raises
    ------
    None; numpy raises where shapes do not fit.

    References
    ----------
    Own.

    Examples
    --------
    >>> power_of_ten(np.array([9.7, 0.011, 3.0])).tolist()
    [1, -2, 0]
    """
    ratios = np.asarray(ratios, dtype=float)
    good = np.isfinite(ratios) & (ratios > 0)
    logs = np.log10(np.where(good, ratios, 1.0))
    whole = np.round(logs)
    return np.where(np.abs(logs - whole) <= tolerance, whole, 0).astype(np.int64)


def powers_of_others(y: NDArray[Any], layout: RunLayout, *, above_zero: float = 5.0) -> Ints:
    """The power of ten that each reading is of the median at its level.

    0 where that median is near zero, or is one of under 4 readings.

    Parameters
    ----------
    y : readings in steps, shape (studies, n)
    layout : levels; its runs do not count
    above_zero : how many standard deviations, estimated by the median absolute deviation, the median lies above zero
        where many readings give it; of n it has to lie 1 + 8/(n - 1) times as many above, since a deviation from few
        readings is often far too small (8 by simulation: at most 0.7 of 1000 clean levels, wherever their mean lies)

    Returns
    -------
    array of whole numbers, shape (studies, n)

    Raises
    ------
    None; numpy raises where shapes do not fit.

    References
    ----------
    Own.
    """
    readings = np.asarray(y, dtype=float)
    powers = np.zeros(readings.shape, dtype=np.int64)
    counts = np.bincount(layout.levels, minlength=layout.level_count)
    by_level = np.split(np.argsort(layout.levels, kind="stable"), np.cumsum(counts)[:-1])
    for code in np.flatnonzero(counts >= 4):
        own = readings[:, by_level[code]]
        median = np.median(own, axis=1, keepdims=True)
        spread = np.median(np.abs(own - median), axis=1, keepdims=True) * 1.4826
        least = (
            above_zero * (1 + 8 / (own.shape[1] - 1)) * np.maximum(spread, 1.0)
        )  # a deviation of no step is rounding
        firm = (median > 0) & (median > least)
        powers[:, by_level[code]] = np.where(firm, power_of_ten(own / np.where(firm, median, 1.0)), 0)
    return powers


def sorted_chance(sizes: Ints) -> float:
    """Chance that a random order of levels, so many readings each, rises or falls throughout: 2 prod(n_i!) / n!.

    Parameters
    ----------
    sizes : readings of each level, shape (levels,)

    Returns
    -------
    float
        1 for one level.

    Raises
    ------
    None; numpy raises where shapes do not fit.

    References
    ----------
    Own; a count of arrangements.

    Examples
    --------
    >>> round(sorted_chance(np.array([1, 1, 1])), 12)
    0.333333333333
    """
    if len(sizes) < 2:
        return 1.0
    logs = log(2.0) + sum(lgamma(int(size) + 1) for size in sizes) - lgamma(int(sum(sizes)) + 1)
    return float(min(1.0, np.exp(logs)))


def one_sided_chance(count: int) -> float:
    """Chance that `count` signs, each as likely as the other, are all alike.

    Parameters
    ----------
    count : number of signs, of no unit

    Returns
    -------
    float
        1 for fewer than two.

    Raises
    ------
    None; numpy raises where shapes do not fit.

    References
    ----------
    Own; the sign test of any textbook (from memory).
    """
    return 1.0 if count < 2 else 2.0 ** (1 - count)
