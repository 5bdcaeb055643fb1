"""The share of future single results within a limit: its confidence bounds, and limits that hold a stated share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt
from typing import Any

import numpy as np
from scipy import optimize, special

from validation.stats.confidence import ConfidenceDistribution
from validation.stats.intervals import (
    Interval,
    check_confidence,
    guarded_sum_interval,
    sum_of_mean_squares_interval,
    t_quantile,
)

SHARE_SOURCE = (
    "Bounds of the half-width that holds the content, from those of its mean and variance: Zou and Donner 2008, Stat. "
    "Med. 27, 1693; variance: Graybill and Wang 1980 (both from memory); simulated in docs/coverage.md"
)
CONTENT_SOURCE = (
    "Howe 1969, J. Am. Stat. Assoc. 64, 610, as in the NIST/SEMATECH e-Handbook, 7.2.6.3; runs: Graybill and Wang 1980 "
    "in the place of chi-square (from memory)"
)
#: A share nearer to 0 or 1 than this is told apart from it no further.
_NEAREST = 1e-9
#: Newton's steps end where the share is met to this; they are seldom more than five.
_SETTLED, _STEPS = 1e-15, 12
_ROOT_TWO_PI = sqrt(2 * np.pi)


def half_width(offset: Any, content: float) -> Any:
    """Half-width about a target, in standard deviations, that holds the share `content` of a normal population.

    Parameters
    ----------
    offset : float or array, mean minus target in standard deviations
    content : share between 0 and 1

    Returns
    -------
    float or array: k with Phi(k - offset) - Phi(-k - offset) = content

    Raises
    ------
    ValueError
        A share outside (0, 1).

    References
    ----------
    The definition, solved by Newton's method; the root of the quantile of non-central chi-square on one degree of
    freedom with non-centrality offset^2 is the same.

    Examples
    --------
    Any table of the normal distribution: 95 % within 1.96, one-sided 1.645 far from the target.

    >>> round(float(half_width(0.0, 0.95)), 2), round(float(half_width(50.0, 0.95)) - 50, 3)
    (1.96, 1.645)
    """
    check_confidence(content)
    r = np.abs(offset)
    # Both asymptotes lie below the root, and near it.
    k = np.maximum(r + special.ndtri(content), special.ndtri((1 + content) / 2))
    for _ in range(_STEPS):
        missing = content - special.ndtr(k - r) + special.ndtr(-k - r)
        if np.abs(missing).max(initial=0.0) < _SETTLED:
            break
        k = k + missing * _ROOT_TWO_PI / (np.exp(-((k - r) ** 2) / 2) + np.exp(-((k + r) ** 2) / 2))
    return k


def reach_interval(
    centre: Any,
    groups: Any,
    coefficients: Sequence[float],
    mean_squares: Sequence[Any],
    raised: Sequence[Any],
    dfs: Sequence[float],
    *,
    content: float,
    level: float,
) -> tuple[Any, Any]:
    """Two-sided interval of the half-width about zero that holds the share `content` of future single results.

    Parameters
    ----------
    centre : float or shape (studies,), mean of the means of the groups, counted from the target
    groups : float or shape (studies,), runs (samples), each with a mean of its own
    coefficients, mean_squares, raised, dfs : shape (k,), as `guarded_sum_interval`: of the variance of a single result.
        The first is that of the means of the groups: its term over `groups` is the variance of `centre`
    content : share of results inside
    level : of the interval; each end is a one-sided bound at (1 + level) / 2

    Returns
    -------
    low, high : as `centre`, in its unit

    Raises
    ------
    ValueError
        A content or level outside (0, 1).

    References
    ----------
    Zou and Donner 2008, Stat. Med. 27, 1693 (from memory): ends of the mean and of the variance, each put into
    k(mean/sd) sd, joined as their squared distances. In the lower end the square of the centre is less its own
    variance, which it holds in expectation (own choice: without it a procedure on the limit is called "not met" too
    often). Simulated in docs/coverage.md.
    """
    t = t_quantile((1 + level) / 2, dfs[0])
    low_end, _ = sum_of_mean_squares_interval(coefficients, mean_squares, dfs, confidence=level)
    _, high_end = guarded_sum_interval(coefficients, mean_squares, raised, dfs, confidence=level)
    size = np.abs(centre)

    error, sd = _mean_and_sd(groups, coefficients, mean_squares)
    less = np.sqrt(np.maximum(size**2 - error**2, 0.0))
    near = np.minimum(np.maximum(size - t * error, 0.0), less)
    middle = _reach(less, sd, content)
    low = middle - np.hypot(middle - _reach(near, sd, content), middle - _reach(less, np.sqrt(low_end), content))

    error, sd = _mean_and_sd(groups, coefficients, raised)
    middle = _reach(size, sd, content)
    high = middle + np.hypot(
        _reach(size + t * error, sd, content) - middle, _reach(size, np.sqrt(high_end), content) - middle
    )
    return low, high


def _mean_and_sd(groups: Any, coefficients: Sequence[float], mean_squares: Sequence[Any]) -> tuple[Any, Any]:
    """Standard error of the centre, and standard deviation of a single result."""
    first = coefficients[0] * np.asarray(mean_squares[0], dtype=float)
    total = sum(c * np.asarray(square, dtype=float) for c, square in zip(coefficients, mean_squares, strict=True))
    return np.sqrt(first / groups), np.sqrt(total)


def _reach(offset: Any, sd: Any, content: float) -> Any:
    """Half-width about zero in the unit of the results; of results that do not scatter their offset."""
    scatters = np.where(sd > 0, sd, 1.0)
    return np.where(sd > 0, half_width(offset / scatters, content) * scatters, offset)


@dataclass(frozen=True)
class SingleResults(ConfidenceDistribution):
    """How future single results lie about a target, as far as a study shows it: it bounds the share within a limit.

    It is carried by limits for such results; `interval` is that of the limit itself, where it has one.

    Attributes
    ----------
    centre : mean of the means of the groups minus the target, in the unit of the results
    sd : estimated standard deviation of a single result
    groups : runs (samples) behind them
    coefficients, mean_squares, raised, dfs : shape (k,), as `reach_interval`
    own : of the limit that carries this; None: it has no interval
    """

    centre: float
    sd: float
    groups: float
    coefficients: tuple[float, ...]
    mean_squares: tuple[float, ...]
    raised: tuple[float, ...]
    dfs: tuple[float, ...]
    own: ConfidenceDistribution | None = None

    def interval(self, level: float) -> Interval | None:
        return None if self.own is None else self.own.interval(level)

    def share(self, limit: float) -> float:
        """Estimated share within -limit to +limit: that of a normal population with this mean and sd."""
        below, above = (-limit - self.centre) / self.sd, (limit - self.centre) / self.sd
        return float(special.ndtr(above) - special.ndtr(below))

    def share_interval(self, limit: float, level: float) -> Interval:
        """Two-sided interval of that share: where the bounds of the half-width that holds it meet the limit."""
        return _share_interval(self, limit, level)

    def reach(self, content: float, level: float) -> Interval:
        """`reach_interval` of this study."""
        terms = self.coefficients, self.mean_squares, self.raised, self.dfs
        low, high = reach_interval(self.centre, self.groups, *terms, content=content, level=level)
        return float(low), float(high)

    def content_half_width(self, content: float, confidence: float) -> float:
        """Half-width about `centre` that holds the share `content` with this one-sided confidence, by Howe's form."""
        check_confidence(content)
        coefficients = (self.coefficients[0] * (1 + 1 / self.groups), *self.coefficients[1:])
        _, high = sum_of_mean_squares_interval(coefficients, self.raised, self.dfs, confidence=2 * confidence - 1)
        return float(special.ndtri((1 + content) / 2)) * sqrt(high)


@lru_cache(maxsize=4096)
def _share_interval(results: SingleResults, limit: float, level: float) -> Interval:
    """Verdicts are judged again many times under other choices: most of these shares are the same ones."""
    return _root(results, limit, level, end=1), _root(results, limit, level, end=0)


def _root(results: SingleResults, limit: float, level: float, *, end: int) -> float:
    """The share for which that end of the half-width lies at the limit; the upper end gives the lower bound."""
    reach = special.logit(1 - _NEAREST)

    def beyond(logit: float) -> float:
        return results.reach(float(special.expit(logit)), level)[end] - limit

    if beyond(-reach) >= 0:
        return 0.0
    if beyond(reach) <= 0:
        return 1 - _NEAREST
    return float(special.expit(optimize.brentq(beyond, -reach, reach, xtol=1e-9)))
