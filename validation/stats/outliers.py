"""Tests that point at a suspect value or laboratory: Grubbs, Cochran, Mandel h and k.

They point; they remove nothing. All of them assume that the bulk of the values is normally distributed.

Critical values are quantiles of scipy. statsmodels `outlier_test` has Grubbs' test for one value alone: its p at the
critical value here is alpha to 12 digits; the other tests are in neither library (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import comb, pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from validation.stats.estimate import Number, centre, check_sizes
from validation.stats.intervals import t_quantile

_GRUBBS = "ISO 5725-2:1994, 7.3.4; Grubbs 1969, Technometrics 11, 1 (from memory)"
_COCHRAN = "ISO 5725-2:1994, 7.3.3 (from memory)"
_MANDEL = "ISO 5725-2:1994, 7.3.1; ASTM E691 (from memory)"


@dataclass(frozen=True, slots=True)
class OutlierTest:
    """One test for one suspect, or for two on the same side.

    Attributes
    ----------
    test : name of the test
    statistic : its value; 0 where the values do not scatter at all
    critical : the value at `alpha` that the statistic is held against
    indices : positions of every suspect, the furthest from the mean first
    alpha : probability of pointing at something although all values belong together
    source : document and clause
    exceeded : whether the test points at the suspect
    """

    test: str
    statistic: float
    critical: float
    indices: tuple[int, ...]
    alpha: float
    source: str
    exceeded: bool

    @property
    def index(self) -> int:
        """Position of the suspect; of two the one further from the mean."""
        return self.indices[0]


@dataclass(frozen=True, slots=True)
class MandelTest:
    """Mandel's h or k: one statistic a laboratory, each with its critical value (equal ones where all n are equal).

    Attributes
    ----------
    test : its name
    statistics, criticals : shape (p,), unit 1
    alpha : probability of pointing at one laboratory although all belong together
    source : document and clause
    """

    test: str
    statistics: tuple[float, ...]
    criticals: tuple[float, ...]
    alpha: float
    source: str = _MANDEL

    @property
    def index(self) -> int:
        """Position of the laboratory furthest out against its critical value."""
        return int(np.argmax(np.abs(self.statistics) / np.asarray(self.criticals)))

    @property
    def statistic(self) -> float:
        """The statistic of that laboratory."""
        return self.statistics[self.index]

    @property
    def critical(self) -> float:
        """The critical value of that laboratory."""
        return self.criticals[self.index]

    @property
    def exceeding(self) -> tuple[int, ...]:
        """Positions of all laboratories beyond their critical value."""
        return tuple(i for i, (s, c) in enumerate(zip(self.statistics, self.criticals, strict=True)) if abs(s) > c)

    @property
    def exceeded(self) -> bool:
        """Whether any laboratory is beyond its critical value."""
        return bool(self.exceeding)


def _check_alpha(alpha: float) -> None:
    if not 0 < alpha < 1:
        raise ValueError(f"alpha must lie between 0 and 1; got {alpha}")


def grubbs_single(values: Sequence[Number], *, alpha: float = 0.05) -> OutlierTest:
    """Grubbs' test for one outlying value, two-sided: is the value furthest from the mean too far out?

    Parameters
    ----------
    values : shape (n,), n >= 3, one unit
    alpha : two-sided

    Returns
    -------
    OutlierTest; the statistic is |suspect - mean| / s

    Raises
    ------
    ValueError
        Fewer than three values, or one that is not finite.

    References
    ----------
    ISO 5725-2:1994, 7.3.4.1; Grubbs 1969, Technometrics 11, 1. Critical value by Student's t at
    alpha / (2 n) with n - 2 degrees of freedom, exact in this range of alpha.

    Examples
    --------
    NIST/SEMATECH e-Handbook, 1.3.5.17.1, prints G = 2.468765 and the one-sided 5 % value 2.031652 (two-sided 10 %).

    >>> masses = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    >>> test = grubbs_single(masses, alpha=0.10)
    >>> masses[test.index], round(test.statistic, 6), round(test.critical, 6)
    (245.57, 2.468765, 2.031652)
    """
    _check_alpha(alpha)
    _, deviations = centre(values)
    if deviations.size < 3:
        raise ValueError(f"Grubbs' test for one outlier needs n >= 3 values; got {deviations.size}")
    distances = in_standard_deviations(deviations)
    index = int(np.argmax(np.abs(distances)))
    statistic = float(abs(distances[index]))
    critical = grubbs_single_critical(deviations.size, alpha)
    return OutlierTest("Grubbs, one outlier", statistic, critical, (index,), alpha, _GRUBBS, statistic > critical)


def in_standard_deviations(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each value minus the mean, over the standard deviation, along the last axis.

    The largest in size is Grubbs' statistic for one outlier; of laboratory means they are Mandel's h.

    Parameters
    ----------
    values : shape (..., n), one unit

    Returns
    -------
    shape (..., n), unit 1; 0 where nothing scatters

    Raises
    ------
    None.

    References
    ----------
    Grubbs 1969, Technometrics 11, 1; ISO 5725-2:1994, 7.3.1 and 7.3.4 (from memory).
    """
    deviations = values - values.mean(axis=-1, keepdims=True)
    s = deviations.std(axis=-1, ddof=1, keepdims=True)
    return np.divide(deviations, s, out=np.zeros_like(deviations), where=s > 0)


def grubbs_single_critical(n: int, alpha: float) -> float:
    """Two-sided critical value of Grubbs' statistic for one outlier among n >= 3 values.

    Parameters
    ----------
    n : int, number of values, 3 or more
    alpha : float, two-sided probability

    Returns
    -------
    float, unit 1

    Raises
    ------
    None; NaN below three values.

    References
    ----------
    Grubbs 1969, Technometrics 11, 1 (from memory); at it the Bonferroni p of statsmodels `outlier_test` is alpha.
    """
    t = -t_quantile(alpha / (2 * n), n - 2)
    return float((n - 1) / sqrt(n) * sqrt(t * t / (n - 2 + t * t)))


def grubbs_double(values: Sequence[Number], *, alpha: float = 0.05) -> OutlierTest:
    """Grubbs' test for two outlying values on the same side: the two largest or the two smallest.

    Parameters
    ----------
    values : shape (n,), n >= 4, one unit
    alpha : two-sided; each side is tested at alpha / 2, as the table of ISO 5725-2 does

    Returns
    -------
    OutlierTest; the statistic is the sum of squares without the pair over that of all values, of the side
    where it is smaller. It is exceeded where the statistic is SMALLER than the critical value.

    Raises
    ------
    ValueError
        Fewer than four values, or one that is not finite.

    References
    ----------
    ISO 5725-2:1994, 7.3.4.2; Grubbs 1969. Critical values by `grubbs_double_critical`.
    """
    _check_alpha(alpha)
    _, deviations = centre(values)
    n = deviations.size
    if n < 4:
        raise ValueError(f"Grubbs' test for two outliers needs n >= 4 values; got {n}")
    order = np.argsort(deviations, kind="stable")
    critical = grubbs_double_critical(n, alpha)
    sides = without_a_pair(deviations).tolist()
    pairs = (int(order[-1]), int(order[-2])), (int(order[0]), int(order[1]))
    statistic, pair = min(zip(sides, pairs, strict=True), key=lambda side: side[0])
    return OutlierTest("Grubbs, two outliers", statistic, critical, pair, alpha, _GRUBBS, statistic < critical)


def without_a_pair(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of squares without the two largest, and without the two smallest, over that of all values.

    Parameters
    ----------
    values : shape (..., n), n >= 4, one unit

    Returns
    -------
    shape (..., 2); 1 where nothing scatters. The smaller of the two is Grubbs' statistic for two outliers.

    Raises
    ------
    None.

    References
    ----------
    Grubbs and Beck 1972, Technometrics 14, 847; ISO 5725-2:1994, 7.3.4 (from memory).
    """
    ordered = np.sort(values - values.mean(axis=-1, keepdims=True), axis=-1)
    total = (ordered**2).sum(axis=-1)
    rests = ordered[..., :-2], ordered[..., 2:]
    sums = [((rest - rest.mean(axis=-1, keepdims=True)) ** 2).sum(axis=-1) for rest in rests]
    return np.stack([np.divide(one, total, out=np.ones_like(total), where=total > 0) for one in sums], axis=-1)


@lru_cache(maxsize=256)
def grubbs_double_critical(n: int, alpha: float) -> float:
    """Critical value of Grubbs' statistic for two outliers on one side: its lower alpha / 2 point, n >= 4.

    Numeric route (our own derivation on the lines of Grubbs' recursion; the printed tables were simulated). For one
    given pair the statistic w is Beta((n - 3) / 2, 1), and the direction of the pair's deviation, in the plane of
    (pair mean against rest, difference within the pair), is uniform and independent of w and of the rest. The
    pair are the two largest where both lie above the largest of the rest, whose standardised height m has a
    distribution by `_largest_residual`. So P(W < c) is n over 2 times an integral over w and m.

    Parameters
    ----------
    n : int, number of values, 4 or more
    alpha : float, two-sided probability

    Returns
    -------
    float, unit 1

    Raises
    ------
    ValueError
        Fewer than four values.

    References
    ----------
    Own derivation on the lines of Grubbs 1969; neither scipy nor statsmodels has the test.
    """
    nodes, weights = np.polynomial.legendre.leggauss(64)
    heights, masses = _largest_residual(n - 2)
    slope, spread = sqrt(n / (2 * (n - 2))), 1 / sqrt(2)
    reach, lean = sqrt(slope**2 + spread**2), np.arctan2(spread, slope)

    def probability(c: float) -> float:
        top = c ** ((n - 3) / 2)
        v = top * (nodes + 1) / 2  # w to the power (n - 3) / 2 is uniform
        w = v ** (2 / (n - 3))
        radius = np.sqrt((1 - w) / w)
        cosine = np.minimum(heights[None, :] / (reach * radius[:, None]), 1.0)
        angle = np.maximum(np.arccos(cosine) - lean, 0.0)
        return float(comb(n, 2) * top / 2 * np.sum(weights * (angle @ masses)) / pi)

    return float(optimize.brentq(lambda c: probability(c) - alpha / 2, 1e-12, 1 - 1e-9, xtol=1e-10))


def _largest_residual(k: int, cells: int = 2000) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distribution of (largest - mean) / sqrt(sum of squares) of k normal values: heights and their probabilities.

    Grubbs' recursion: the density that a given value is the largest is that of its own standardised residual, times
    the probability that the largest of the others stays below it. Written in the angle a whose sine is the residual
    over its greatest possible height, where the density is cos(a)^(k - 3) and has no singularity.
    """
    if k == 2:
        return np.array([1 / sqrt(2)]), np.array([1.0])
    grid = np.linspace(0.0, pi / 2, cells + 1)
    cumulative = np.clip(3 / pi * (grid - pi / 6), 0.0, 1.0)  # k = 3, closed form
    for size in range(4, k + 1):
        with np.errstate(divide="ignore"):
            height = np.tan(grid) * sqrt(size / (size - 1)) / sqrt((size - 2) / (size - 1))
        below = np.interp(np.arcsin(np.minimum(height, 1.0)), grid, cumulative)
        density = size * np.cos(grid) ** (size - 3) / special.beta(0.5, (size - 2) / 2) * below
        steps = (density[1:] + density[:-1]) / 2 * (grid[1] - grid[0])
        cumulative = np.concatenate([[0.0], np.cumsum(steps)])
        cumulative /= cumulative[-1]
    middle = (grid[1:] + grid[:-1]) / 2
    return np.sin(middle) * sqrt((k - 1) / k), np.diff(cumulative)


def cochran(variances: Sequence[float], n: int, *, alpha: float = 0.05) -> OutlierTest:
    """Cochran's test: is the largest of p variances too large a share of their sum?

    Parameters
    ----------
    variances : shape (p,), p >= 2, squared unit of the readings
    n : readings behind each variance, n >= 2; where they differ, the number that most groups have (7.3.3.2)
    alpha : one-sided, of the largest

    Returns
    -------
    OutlierTest

    Raises
    ------
    ValueError
        Fewer than two variances, a negative one, or n < 2.

    References
    ----------
    ISO 5725-2:1994, 7.3.3. Critical value 1 / (1 + (p - 1) / F) with F at 1 - alpha / p and n - 1, (p - 1)(n - 1)
    degrees of freedom: a Bonferroni bound, exact above one half.
    """
    _check_alpha(alpha)
    values = np.asarray(variances, dtype=float)
    if values.ndim != 1 or values.size < 2 or n < 2:
        raise ValueError(f"Cochran's test needs p >= 2 variances of n >= 2 readings; got p = {values.size}, n = {n}")
    if not np.all(np.isfinite(values)) or np.any(values < 0):
        raise ValueError("variances must be finite and not negative")
    index = int(np.argmax(values))
    statistic = float(largest_share(values))
    critical = cochran_critical(values.size, n, alpha)
    return OutlierTest("Cochran", statistic, critical, (index,), alpha, _COCHRAN, statistic > critical)


def largest_share(variances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cochran's statistic: the largest variance over the sum of all, along the last axis.

    Parameters
    ----------
    variances : shape (..., p), none below 0, one unit

    Returns
    -------
    shape (...), unit 1; 0 where all variances are 0

    Raises
    ------
    None.

    References
    ----------
    ISO 5725-2:1994, 7.3.3 (from memory).
    """
    total = variances.sum(axis=-1)
    return np.divide(variances.max(axis=-1), total, out=np.zeros_like(total), where=total > 0)


def cochran_critical(p: int, n: int, alpha: float) -> float:
    """Critical value of Cochran's statistic for p >= 2 groups of n >= 2 readings.

    Parameters
    ----------
    p : int, number of groups, 2 or more
    n : int, readings in each, 2 or more
    alpha : float, one-sided probability

    Returns
    -------
    float, unit 1

    Raises
    ------
    None; NaN outside these ranges.

    References
    ----------
    ISO 5725-2:1994, 7.3.3 (from memory).
    """
    # The F of the standard, written as the share of one of the p sums of squares.
    return float(special.betainccinv((n - 1) / 2, (p - 1) * (n - 1) / 2, alpha / p))


def mandel_h(cell_means: Sequence[Number], *, alpha: float = 0.05) -> MandelTest:
    """Mandel's h: how far each laboratory's mean lies from the mean of all, in standard deviations of the means.

    Parameters
    ----------
    cell_means : shape (p,), p >= 3, one mean a laboratory at one level
    alpha : two-sided, of one laboratory

    Returns
    -------
    MandelTest; the statistics carry their sign, all 0 where the means do not differ

    Raises
    ------
    ValueError
        Fewer than three means.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and Tables 6 and 7 (5 % and 1 %); ASTM E691 (0.5 %).
    """
    _check_alpha(alpha)
    _, deviations = centre(cell_means, "cell_means")
    p = deviations.size
    if p < 3:
        raise ValueError(f"Mandel's h needs p >= 3 laboratories; got {p}")
    statistics = in_standard_deviations(deviations)
    return MandelTest("Mandel h", tuple(map(float, statistics)), (mandel_h_critical(p, alpha),) * p, alpha)


def mandel_h_critical(p: int, alpha: float) -> float:
    """Two-sided critical value of Mandel's h of one of `p` laboratories.

    Parameters
    ----------
    p : int, laboratories, 3 or more
    alpha : float, two-sided probability

    Returns
    -------
    float, unit 1

    Raises
    ------
    None; NaN below three laboratories.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 (from memory).
    """
    t = -t_quantile(alpha / 2, p - 2)
    return float((p - 1) * t / sqrt(p * (t * t + p - 2)))


def mandel_k(cell_sds: Sequence[float], n: int | Sequence[int], *, alpha: float = 0.05) -> MandelTest:
    """Mandel's k: each laboratory's standard deviation against that of all laboratories pooled.

    Parameters
    ----------
    cell_sds : shape (p,), p >= 2, one standard deviation a laboratory at one level
    n : readings behind each, n >= 2: one number, or one a laboratory
    alpha : one-sided, of one laboratory

    Returns
    -------
    MandelTest; all statistics 0 where no laboratory scatters

    Raises
    ------
    ValueError
        Fewer than two standard deviations, a negative one, or a count below two.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 and Tables 6 and 7 (5 % and 1 %); ASTM E691 (0.5 %). For unequal n the variances are pooled
    by their degrees of freedom, and a laboratory's share of the sum of squares is Beta distributed: the same as the
    documents' formula where all n are equal.
    """
    _check_alpha(alpha)
    sds = np.asarray(cell_sds, dtype=float)
    counts = np.broadcast_to(np.asarray(n, dtype=int), sds.shape)
    if sds.ndim != 1 or sds.size < 2 or np.any(counts < 2):
        raise ValueError(f"Mandel's k needs p >= 2 laboratories of n >= 2 readings; got p = {sds.size}, n = {n}")
    if not np.all(np.isfinite(sds)) or np.any(sds < 0):
        raise ValueError("cell_sds must be finite and not negative")
    check_sizes(sds, "cell_sds")
    statistics, critical = against_pooled(sds, counts), mandel_k_critical(counts, alpha)
    return MandelTest("Mandel k", tuple(map(float, statistics)), tuple(map(float, critical)), alpha)


def against_pooled(sds: NDArray[np.float64], counts: NDArray[np.int_]) -> NDArray[np.float64]:
    """Mandel's k: standard deviations over the pooled one.

    Parameters
    ----------
    sds : shape (..., p), one a laboratory, one unit
    counts : shape (p,), int, readings of each, 2 or more

    Returns
    -------
    shape (..., p), unit 1; 0 where nothing scatters

    Raises
    ------
    None.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 (from memory).
    """
    df = counts - 1.0
    pooled = np.sqrt((df * sds**2).sum(axis=-1, keepdims=True) / df.sum())
    return np.divide(sds, pooled, out=np.zeros_like(sds), where=pooled > 0)


def mandel_k_critical(counts: NDArray[np.int_], alpha: float) -> NDArray[np.float64]:
    """Critical value of Mandel's k of each laboratory.

    Parameters
    ----------
    counts : shape (p,), int, readings of each, 2 or more
    alpha : float, one-sided probability

    Returns
    -------
    shape (p,), unit 1

    Raises
    ------
    None.

    References
    ----------
    ISO 5725-2:1994, 7.3.1 (from memory).
    """
    df = counts - 1.0
    share = special.betainccinv(df / 2, (df.sum() - df) / 2, alpha)
    return np.sqrt(share * df.sum() / df)
