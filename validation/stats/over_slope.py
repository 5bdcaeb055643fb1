"""Limits in units of x: a standard deviation of the response over the slope of a line, both estimated.

Their intervals hold for any slope that is told apart from zero; where it is not, there is no limit (Fieller).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import isfinite
from typing import Any

import numpy as np
from scipy import special

from validation.stats.confidence import ConfidenceDistribution
from validation.stats.estimate import Estimate
from validation.stats.intervals import Interval, check_confidence, chi_square_quantile, t_quantile, tails
from validation.stats.lines import Floats

NEVER_DETECTABLE = "The spread grows faster than the response: no level is detectable with these error rates."
FASTER = "No interval: at its upper end the spread grows faster than the response."
NO_UPPER_END = (
    "No interval: at this confidence the slope of the calibration line is not told apart from zero, so that no limit "
    "is too high. More readings, or levels further apart, would supply it."
)
SLOPE_SOURCE = "interval of a standard deviation over a slope: non-central t (any textbook; from memory)"
_SECANTS = 30
#: From here on the non-central t is summed by ourselves: the library's time grows with it, to 20 ms at 3000.
_LARGE = 50.0
_NORMAL = np.linspace(-9.0, 9.0, 73)  # trapezoidal sums of smooth functions under a normal density: all digits
_DENSITY = special.softmax(-(_NORMAL**2) / 2)


def not_told_apart(slope_t: Any, df: Any, alpha: float) -> Any:
    """Whether a slope is not told apart from zero, two-sided: Fieller's g is 1 or more, and no limit is too high.

    Parameters
    ----------
    slope_t : float or array, the size of the slope over its standard error
    df : float or array, degrees of freedom of that error
    alpha : 1 - confidence

    Returns
    -------
    bool or array of them

    Raises
    ------
    None.

    References
    ----------
    Fieller 1954, J. R. Statist. Soc. B 16, 175 (from memory): g = (t / slope_t)^2.

    Examples
    --------
    Two-sided 5 % points of Student's t: 2.228 on 10 degrees of freedom, in every table.

    >>> not_told_apart(2.22, 10, 0.05), not_told_apart(2.23, 10, 0.05)
    (True, False)
    """
    return slope_t <= t_quantile(1 - alpha / 2, df)


def over_slope_factors(slope_t: Floats, df: Any, confidence: float) -> tuple[Any, Any]:
    """What the ends of the interval of sigma / |slope| are as multiples of its estimate s / |b|.

    b over a fixed multiple of s follows a non-central t: with W^2 = chi-square(df) / df and Z standard normal, the
    quantiles of `slope_t` W - Z are the bounds of its non-centrality, the true slope over its true standard error.

    Parameters
    ----------
    slope_t : shape (studies,), the size of the slope over its standard error
    df : float or shape (studies,), degrees of freedom behind s
    confidence : level of the two-sided interval

    Returns
    -------
    low, high : of the shape of `slope_t`; high is infinite where the slope is not told apart from zero

    Raises
    ------
    ValueError
        A confidence outside (0, 1).

    References
    ----------
    Non-central t (any textbook; from memory). Not `special.nctdtrinc`, the same in one call: it is 2e-8 to 5e-7 off.

    Examples
    --------
    A slope that is known gives the factors of 40 CFR 136, Appendix B (NR 252.0365 prints 0.69 and 1.92): the 90 %
    chi-square interval on 6 degrees of freedom.

    >>> [round(float(end[0]), 2) for end in over_slope_factors(np.array([1e9]), 6, 0.90)]
    [0.69, 1.92]
    """
    check_confidence(confidence)
    theta, nu = np.broadcast_arrays(np.asarray(slope_t, dtype=float), np.asarray(df, dtype=float))
    least, most = (_noncentrality_bound(theta, nu, p) for p in tails(confidence))
    high = np.divide(theta, least, out=np.full_like(theta, np.inf), where=least > 0)
    low = theta / most
    return low, high


@lru_cache(maxsize=64)  # several limits of one line ask for the same
def factors_of_one(slope_t: float, df: float, confidence: float) -> tuple[float, float]:
    """`over_slope_factors` of one study.

    Parameters
    ----------
    slope_t, df, confidence : as there

    Returns
    -------
    low, high

    Raises
    ------
    ValueError
        As there.

    References
    ----------
    As there.
    """
    low, high = over_slope_factors(np.array([slope_t]), df, confidence)
    return float(low[0]), float(high[0])


def _noncentrality_bound(slope_t: Floats, df: Floats, p: float) -> Floats:
    """The quantile p of slope_t W - Z, by secants on the scale of normal quantiles, where it is nearly linear."""
    goal = special.ndtri(p)
    w = np.sqrt(chi_square_quantile(p, df) / df)
    # From the quantiles of the two parts, as Zou and Donner join intervals; then a little aside.
    theta = slope_t + np.copysign(np.hypot(slope_t * (w - 1), goal), goal)
    before, last = theta + 0.01, special.ndtri(_below(theta + 0.01, slope_t, df)) - goal
    for _ in range(_SECANTS):
        now = special.ndtri(_below(theta, slope_t, df)) - goal
        move = np.divide(now * (theta - before), now - last, out=np.zeros_like(theta), where=now != last)
        before, last, theta = theta, now, theta - move
        if np.all(np.abs(move) <= 1e-13 * (1 + np.abs(theta))):
            break
    return theta


def _below(theta: Floats, slope_t: Floats, df: Floats) -> Floats:
    """Chance that slope_t W - Z lies below theta."""
    large = slope_t >= np.maximum(_LARGE, np.sqrt(2 * df))
    share = 1 - special.nctdtr(df, np.where(large, 0.0, theta), np.where(large, 1.0, slope_t))
    if large.any():
        t, half = slope_t[large][:, None], df[large][:, None] / 2
        w = np.maximum(theta[large][:, None] + _NORMAL, 0.0) / t
        share[large] = special.gammainc(half, half * w**2) @ _DENSITY
    return share


@dataclass(frozen=True)
class OverSlope(ConfidenceDistribution):
    """A constant times a standard deviation of the response over a slope, both estimated: `over_slope_factors`.

    Attributes
    ----------
    value : in the unit of x
    df : degrees of freedom of the standard deviation
    slope_t : size of the slope over its standard error
    """

    value: float
    df: float
    slope_t: float

    def interval(self, level: float) -> Interval | None:
        low, high = factors_of_one(self.slope_t, self.df, level)
        return (self.value * low, self.value * high) if isfinite(high) else None

    def notes(self, level: float) -> tuple[str, ...]:
        return (NO_UPPER_END,) if self.interval(level) is None else ()


def over_slope(value: float, df: float, slope_t: float, *, n: int, source: str) -> Estimate:
    """A constant times a standard deviation over a slope, with its interval.

    Parameters
    ----------
    value : in the unit of x
    df : degrees of freedom of the standard deviation
    slope_t : size of the slope over its standard error
    n, source : readings, and what the estimate cites

    Returns
    -------
    Estimate in the unit of x

    Raises
    ------
    None.

    References
    ----------
    As `over_slope_factors`.
    """
    distribution = OverSlope(value, float(df), slope_t)
    return Estimate(value, distribution, degrees_of_freedom=float(df), n=n, source=f"{source}; {SLOPE_SOURCE}")


def without_slope(slope_t: float, df: float, alpha: float) -> str:
    """The sentence that says why a line whose slope is `not_told_apart` from zero gives no limit.

    Parameters
    ----------
    slope_t, df, alpha : as `not_told_apart`

    Returns
    -------
    str

    Raises
    ------
    None.

    References
    ----------
    As `not_told_apart`.
    """
    g = (t_quantile(1 - alpha / 2, df) / slope_t) ** 2
    return (
        f"The slope of the calibration line is not told apart from zero at {100 * (1 - alpha):g} % (Fieller's g is "
        f"{g:.2g}; from 1 on no limit is finite): no number is given. More readings, less scatter, or levels further "
        "apart would supply one."
    )


@dataclass(frozen=True, slots=True, eq=False)
class SolvedLimits:
    """Detection limits x = start + reach * sqrt(q0 + q1 x + q2 x^2) of many studies; one value a study.

    Attributes
    ----------
    start : the part that does not depend on x, in the unit of x
    reach : multiplier over the slope, unit of x per unit of the response
    squares : q0, q1, q2 of the variance of the response
    """

    start: Floats
    reach: Floats
    squares: tuple[Floats, Floats, Floats]

    def at(self, factor: Any) -> Floats:
        """x where all standard deviations are `factor` times as large over the slope; infinite where there is none."""
        (q0, q1, q2), start, square = self.squares, factor * self.start, (factor * self.reach) ** 2
        a, b, c = 1 - square * q2, start + square * q1 / 2, square * q0 - start**2
        root = np.sqrt(np.maximum(b**2 + a * c, 0.0))
        return np.divide(b + root, a, out=np.full_like(a, np.inf), where=a > 0)

    def of_study(self, study: int, df: float, slope_t: float, *, n: int, source: str) -> Estimate | None:
        """The limit of one study with its interval; None where it is infinite."""
        value = float(self.at(1.0)[study])
        if not isfinite(value):
            return None
        start, reach, q0, q1, q2 = (float(part[study]) for part in (self.start, self.reach, *self.squares))
        distribution = SolvedLimit(start, reach, q0, q1, q2, df, slope_t)
        return Estimate(value, distribution, degrees_of_freedom=df, n=n, source=f"{source}; {SLOPE_SOURCE}")


@dataclass(frozen=True)
class SolvedLimit(ConfidenceDistribution):
    """The limit of one study in `SolvedLimits`, all standard deviations known on `df`, over an estimated slope.

    It rises with a common factor of them over the slope, so that the interval of that factor gives its own.

    Attributes
    ----------
    start, reach, constant, linear, quadratic : as `SolvedLimits`, the last three its squares
    df : degrees of freedom
    slope_t : size of the slope over its standard error
    """

    start: float
    reach: float
    constant: float
    linear: float
    quadratic: float
    df: float
    slope_t: float

    def interval(self, level: float) -> Interval | None:
        factors = np.array(factors_of_one(self.slope_t, self.df, level))
        start, reach, *squares = (
            np.full(2, part) for part in (self.start, self.reach, self.constant, self.linear, self.quadratic)
        )
        if not isfinite(factors[1]):
            return None
        low, high = SolvedLimits(start, reach, (squares[0], squares[1], squares[2])).at(factors).tolist()
        return (low, high) if isfinite(high) else None

    def notes(self, level: float) -> tuple[str, ...]:
        if self.interval(level) is not None:
            return ()
        return (FASTER if isfinite(factors_of_one(self.slope_t, self.df, level)[1]) else NO_UPPER_END,)
