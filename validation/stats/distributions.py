"""What is known of one input of a measurement model, as a distribution with mean, standard uncertainty and draws.

Each is a small frozen class. `standard_uncertainty` is the one that the law of propagation takes; `degrees_of_freedom`
is infinite unless the input was estimated from readings. All members of one distribution share its unit.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import inf, isfinite, sqrt
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from validation.stats.estimate import Number, centre, mean

Draws = NDArray[np.float64]


class Distribution(Protocol):
    """What propagation and Monte Carlo ask of an input.

    Attributes
    ----------
    mean, standard_uncertainty : in the unit of the input
    degrees_of_freedom : of the standard uncertainty; infinite where it is taken as known
    """

    @property
    def mean(self) -> float: ...

    @property
    def standard_uncertainty(self) -> float: ...

    @property
    def degrees_of_freedom(self) -> float: ...

    def draw(self, random: np.random.Generator, size: int) -> Draws:
        """`size` independent values, shape (size,)."""
        ...


@dataclass(frozen=True, slots=True)
class Normal:
    """Normal with mean and standard uncertainty.

    Attributes
    ----------
    mean, standard_uncertainty : finite, one unit; the latter 0 or more
    degrees_of_freedom : above 0; they count in the effective ones alone

    References
    ----------
    JCGM 101:2008, 6.4.7.
    """

    mean: float
    standard_uncertainty: float
    degrees_of_freedom: float = inf

    def __post_init__(self) -> None:
        _finite(mean=self.mean)
        _not_negative(standard_uncertainty=self.standard_uncertainty)
        _positive_df(self.degrees_of_freedom)

    def draw(self, random: np.random.Generator, size: int) -> Draws:
        return _moved(random.standard_normal(size), self.mean, self.standard_uncertainty)


@dataclass(frozen=True, slots=True)
class StudentT:
    """Scaled and shifted t: an input evaluated from readings (type A).

    `standard_uncertainty` is the scale s/sqrt(n), as the law of propagation takes it; the draws scatter more, by
    sqrt(nu / (nu - 2)), which is how Monte Carlo carries the degrees of freedom.

    Attributes
    ----------
    mean, standard_uncertainty : finite, one unit; the latter 0 or more
    degrees_of_freedom : nu, above 0; infinite: the draws are normal

    References
    ----------
    JCGM 101:2008, 6.4.9.
    """

    mean: float
    standard_uncertainty: float
    degrees_of_freedom: float

    def __post_init__(self) -> None:
        _finite(mean=self.mean)
        _not_negative(standard_uncertainty=self.standard_uncertainty)
        _positive_df(self.degrees_of_freedom)

    def draw(self, random: np.random.Generator, size: int) -> Draws:
        if not isfinite(self.degrees_of_freedom):
            return _moved(random.standard_normal(size), self.mean, self.standard_uncertainty)
        return _moved(random.standard_t(self.degrees_of_freedom, size), self.mean, self.standard_uncertainty)


@dataclass(frozen=True, slots=True)
class _Between:
    """What lies symmetrically between two limits."""

    low: float
    high: float
    degrees_of_freedom: float = field(default=inf, kw_only=True)

    def __post_init__(self) -> None:
        _ordered(self.low, self.high)
        _positive_df(self.degrees_of_freedom)

    @property
    def mean(self) -> float:
        return (self.low + self.high) / 2


@dataclass(frozen=True, slots=True)
class Rectangular(_Between):
    """Any value between `low` and `high` is as likely as any other.

    Attributes
    ----------
    low, high : limits, finite, low not above high, one unit
    degrees_of_freedom : of the standard uncertainty, above 0

    References
    ----------
    JCGM 101:2008, 6.4.2; JCGM 100:2008, 4.3.7.

    Examples
    --------
    JCGM 100:2008, 4.3.7 (from memory): the linear coefficient of thermal expansion of copper is 16.52e-6 per degree,
    and the error of this value does not exceed 0.40e-6; u = 0.23e-6.

    >>> print(f"{Rectangular(16.12, 16.92).standard_uncertainty:.2f}")
    0.23
    """

    @property
    def standard_uncertainty(self) -> float:
        return (self.high - self.low) / sqrt(12)

    def draw(self, random: np.random.Generator, size: int) -> Draws:
        return _moved(random.random(size), self.low, self.high - self.low)


@dataclass(frozen=True, slots=True)
class Trapezoidal(_Between):
    """Sum of two rectangular errors.

    Attributes
    ----------
    low, high : limits, finite, low not above high, one unit
    degrees_of_freedom : of the standard uncertainty, above 0
    top : flat share of the width, 0 (triangular) to 1 (rectangular)

    References
    ----------
    JCGM 101:2008, 6.4.4 (variance (high - low)^2 (1 + top^2) / 24).
    """

    top: float = 0.0

    def __post_init__(self) -> None:
        _Between.__post_init__(self)  # super() loses its class where slots are made
        if not 0 <= self.top <= 1:
            raise ValueError(f"top must lie between 0 and 1, the share of the width that is flat; got {self.top}")

    @property
    def standard_uncertainty(self) -> float:
        return (self.high - self.low) * sqrt((1 + self.top**2) / 24)

    def draw(self, random: np.random.Generator, size: int) -> Draws:
        share = (1 + self.top) * random.random(size) + (1 - self.top) * random.random(size)
        return _moved(share, self.low, (self.high - self.low) / 2)


def triangular(low: float, high: float, *, degrees_of_freedom: float = inf) -> Trapezoidal:
    """Symmetric triangle between two limits.

    Parameters
    ----------
    low, high : floats, the limits, one unit
    degrees_of_freedom : of the standard uncertainty, above 0

    Returns
    -------
    Trapezoidal without a flat top

    Raises
    ------
    ValueError
        Limits that are not finite or out of order, or degrees of freedom that are not above zero.

    References
    ----------
    JCGM 101:2008, 6.4.5 (from memory).
    """
    return Trapezoidal(low, high, degrees_of_freedom=degrees_of_freedom)


def one_sided(limit: float, *, degrees_of_freedom: float = inf) -> Rectangular:
    """A loss or gain between nothing and a limit: rectangular, with a mean that is not zero.

    A one-sided error shifts the result by half its limit besides widening it.

    Parameters
    ----------
    limit : float, of either sign
    degrees_of_freedom : of the standard uncertainty, above 0

    Returns
    -------
    Rectangular, in the unit of the limit

    Raises
    ------
    ValueError
        A limit that is not finite, or degrees of freedom that are not above zero.

    References
    ----------
    JCGM 100:2008, 4.3.8, first case in its simplest form (from memory).
    """
    return Rectangular(min(0.0, limit), max(0.0, limit), degrees_of_freedom=degrees_of_freedom)


@dataclass(frozen=True, slots=True)
class Arcsine(_Between):
    """A quantity that cycles between `low` and `high` like a sine, read at a random moment (JCGM 101:2008, 6.4.6).

    Attributes
    ----------
    low, high : limits, finite, low not above high, one unit
    degrees_of_freedom : of the standard uncertainty, above 0
    """

    @property
    def standard_uncertainty(self) -> float:
        return (self.high - self.low) / sqrt(8)

    def draw(self, random: np.random.Generator, size: int) -> Draws:
        cycle = np.sin(2 * np.pi * random.random(size))
        return _moved(cycle, self.mean, (self.high - self.low) / 2)


@dataclass(frozen=True, slots=True)
class CurvilinearTrapezoid(_Between):
    """Rectangular whose two limits are each known only to `inexactness` (JCGM 101:2008, 6.4.3).

    The half-width itself is rectangular about its stated value, within plus and minus `inexactness`.

    Attributes
    ----------
    low, high : limits, finite, low not above high, one unit
    degrees_of_freedom : of the standard uncertainty, above 0
    inexactness : 0 to the half-width, in the unit of the limits
    """

    inexactness: float

    def __post_init__(self) -> None:
        _Between.__post_init__(self)
        if not 0 <= self.inexactness <= (self.high - self.low) / 2:
            raise ValueError(f"inexactness must lie between 0 and the half-width; got {self.inexactness}")

    @property
    def standard_uncertainty(self) -> float:
        return sqrt((self.high - self.low) ** 2 / 12 + self.inexactness**2 / 9)

    def draw(self, random: np.random.Generator, size: int) -> Draws:
        half = (self.high - self.low) / 2 + self.inexactness * (2 * random.random(size) - 1)
        return np.asarray(self.mean + half * (2 * random.random(size) - 1))


@dataclass(frozen=True, slots=True)
class Exponential:
    """A quantity that cannot be negative and of which only the mean is known (JCGM 101:2008, 6.4.10).

    Attributes
    ----------
    mean : finite, 0 or more; the standard uncertainty is as large
    degrees_of_freedom : of the standard uncertainty, above 0
    """

    mean: float
    degrees_of_freedom: float = inf

    def __post_init__(self) -> None:
        _finite(mean=self.mean)
        _not_negative(mean=self.mean)
        _positive_df(self.degrees_of_freedom)

    @property
    def standard_uncertainty(self) -> float:
        return self.mean

    def draw(self, random: np.random.Generator, size: int) -> Draws:
        return self.mean * random.standard_exponential(size)


def type_a(readings: Iterable[Number]) -> StudentT:
    """The mean of independent readings, with u = s/sqrt(n) and n - 1 degrees of freedom.

    Parameters
    ----------
    readings : shape (n,), n >= 2, floats or exact decimals, one unit

    Returns
    -------
    StudentT, in the unit of the readings

    Raises
    ------
    ValueError
        Fewer than two readings, or one that is not finite.

    References
    ----------
    JCGM 100:2008, 4.2.1 to 4.2.3.
    """
    values = list(readings)
    if len(values) < 2:
        raise ValueError(f"readings must hold at least two numbers; got {len(values)}")
    _, differences = centre(values, "readings")
    return StudentT(mean(values), float(differences.std(ddof=1)) / sqrt(len(values)), len(values) - 1)


def _moved(draws: Draws, start: float, scale: float) -> Draws:
    """start + scale * draws, without a second array."""
    draws *= scale
    draws += start
    return draws


def _finite(**values: float) -> None:
    for name, value in values.items():
        if not isfinite(value):
            raise ValueError(f"{name} must be finite; got {value}")


def _not_negative(**values: float) -> None:
    for name, value in values.items():
        if not (isfinite(value) and value >= 0):
            raise ValueError(f"{name} must be zero or more; got {value}")


def _ordered(low: float, high: float) -> None:
    _finite(low=low, high=high)
    if low > high:
        raise ValueError(f"low must not exceed high; got {low} and {high}")


def _positive_df(df: float) -> None:
    if not df > 0:
        raise ValueError(f"degrees_of_freedom must be more than zero; got {df}")
