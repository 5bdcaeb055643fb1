"""What every estimate carries, and the exact centring that keeps small differences of large readings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from decimal import Context, Decimal, Inexact
from fractions import Fraction
from functools import reduce
from math import isfinite, lcm, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from validation.stats.confidence import Affine, ChiSquare, ConfidenceDistribution, StudentT, confidence_distribution
from validation.stats.intervals import Interval

#: Factor from a standard deviation to the limit for the difference of two results at 95 %.
#: ISO 5725-6 prints it rounded, 2.8 (from memory).
LIMIT_FACTOR = 1.96 * sqrt(2)

#: A reading as the statistics take it: a float, or an exact decimal where the small part must survive.
Number = float | int | Decimal | Fraction
#: Powers of ten up to which numbers are computed with: doubles hold up to 308, and sums of products need room.
_LARGEST_EXPONENT = 240
#: Adds decimals without rounding them, or refuses.
_EXACT = Context(prec=1000, traps=[Inexact])


@dataclass(frozen=True, slots=True)
class Estimate:
    """One estimated quantity with what an auditor asks of it. All members share the unit of the readings.

    Attributes
    ----------
    value : the estimate
    distribution : its intervals at every level; None where none exists (a note says why)
    standard_uncertainty : standard error of the estimate where it is a mean or coefficient
    degrees_of_freedom : behind the interval; None or Satterthwaite's where no single number governs it
    n : readings that entered
    units : independent units (runs, laboratories, samples) that the interval counts
    notes : whole sentences an auditor must be told, whatever the level
    source : document and clause of the formula
    """

    value: float
    distribution: ConfidenceDistribution | None = None
    standard_uncertainty: float | None = None
    degrees_of_freedom: float | None = None
    n: int = 0
    units: int | None = None
    notes: tuple[str, ...] = ()
    source: str = ""

    @classmethod
    def of_mean(
        cls,
        value: float,
        error: float,
        df: float | None,
        *,
        n: int,
        units: int | None = None,
        notes: tuple[str, ...] = (),
        source: str,
    ) -> Estimate:
        """A mean or coefficient, its standard error and Student's t on `df`; the normal quantile where that is None."""
        return cls(value, StudentT(value, error, df), error, df, n, units, notes, source)

    @classmethod
    def of_sd(
        cls, s: float, df: float, *, n: int, units: int | None = None, notes: tuple[str, ...] = (), source: str
    ) -> Estimate:
        """A standard deviation, or a constant times one, with its chi-square interval; none where nothing scatters."""
        return cls(s, ChiSquare(s, df) if s > 0 else None, None, float(df), n, units, notes, source)

    def interval(self, level: float) -> Interval | None:
        """The two-sided interval at `level`; None where there is none."""
        return None if self.distribution is None else self.distribution.interval(level)

    def notes_at(self, level: float) -> tuple[str, ...]:
        """What an auditor must be told of the estimate with its interval at `level`."""
        return self.notes if self.distribution is None else (*self.distribution.notes(level), *self.notes)

    def with_notes(self, *notes: str) -> Estimate:
        """The same estimate with further notes appended; repeated notes are kept once."""
        return replace(self, notes=tuple(dict.fromkeys((*self.notes, *notes))))

    def scaled(self, factor: float) -> Estimate:
        """The estimate of `factor` times the quantity, `factor` positive (a repeatability limit from s_r)."""
        distribution = None if self.distribution is None else Affine(self.distribution, factor)
        error = None if self.standard_uncertainty is None else factor * self.standard_uncertainty
        return replace(self, value=factor * self.value, distribution=distribution, standard_uncertainty=error)

    def to_dict(self) -> dict[str, object]:
        """Plain JSON types, the same bytes on every rerun."""
        plain = {item.name: getattr(self, item.name) for item in fields(self)}
        plain["distribution"] = None if self.distribution is None else self.distribution.to_dict()
        return {**plain, "notes": list(self.notes)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Estimate:
        """The inverse of `to_dict`."""
        given = data["distribution"]
        distribution = None if given is None else confidence_distribution(given)
        return cls(**{**data, "distribution": distribution, "notes": tuple(data["notes"])})


def check_sizes(values: ArrayLike, name: str, *, power: int = 2) -> None:
    """Refuse numbers that are not finite, and those whose squares, or higher powers, a double cannot hold.

    Parameters
    ----------
    values : any shape, numbers
    name : how an error names them
    power : the highest power that is computed of them

    Returns
    -------
    None

    Raises
    ------
    ValueError
        A number that is not finite, or neither zero nor of a size whose power lies between 1e-240 and 1e240; of squares
        that is from 1e-120 to 1e120.

    References
    ----------
    Own: the powers, and sums of them, are then doubles. A worksheet holds numbers from 1e-50 to 1e50.
    """
    largest = 10.0 ** (_LARGEST_EXPONENT // power)
    numbers = np.asarray(values, dtype=float).ravel()
    sizes = np.abs(numbers)
    if not np.isfinite(sizes).all():
        raise ValueError(f"{name} must be finite; got {numbers[~np.isfinite(sizes)][0]}")
    outside = (sizes > largest) | ((sizes > 0) & (sizes < 1 / largest))
    if outside.any():
        size = f"zero or between {1 / largest:g} and {largest:g} in size"
        raise ValueError(f"{name} must be {size}, or powers of them cannot be computed; got {numbers[outside][0]:g}")


def exact(value: Number) -> Fraction:
    """The exact rational value of a number; `Decimal("0.1")` is one tenth, the float 0.1 is what the float holds.

    Parameters
    ----------
    value : float, int, Decimal or Fraction, finite

    Returns
    -------
    Fraction, in the unit of the value

    Raises
    ------
    ValueError
        The value is not a finite number.

    References
    ----------
    None: rational arithmetic of Python.
    """
    try:
        return Fraction(value)
    except (ValueError, OverflowError) as error:
        raise ValueError(f"a number must be finite; got {value}") from error


def centre(values: Iterable[Number], name: str = "values") -> tuple[Fraction, NDArray[np.float64]]:
    """Split values into one exact offset and correctly rounded small differences.

    A resonant frequency of hundreds of MHz carries shifts of a few Hz: squared as doubles, the shifts drown. The
    offset is the first value, exact; each difference is formed in rational arithmetic and rounded once.

    Parameters
    ----------
    values : shape (n,), n >= 1, floats or exact decimals, one unit
    name : how an error names them

    Returns
    -------
    offset : Fraction, the first value
    differences : float array, shape (n,), values minus offset

    Raises
    ------
    ValueError
        No values, one that is not finite, or sizes or differences whose squares a double cannot hold.

    References
    ----------
    Own: offset and differences in rational arithmetic. As doubles first, decimals on 4e8 cost a t interval nine digits
    (4e-7 against 6e-16; docs/libraries.md).
    """
    offset, differences = _centred(list(values), name)
    check_sizes(float(offset), name)
    check_sizes(differences, f"differences of {name}")
    return offset, differences


def _centred(sequence: Sequence[Number], name: str) -> tuple[Fraction, NDArray[np.float64]]:
    if not sequence:
        raise ValueError(f"{name} must hold at least one number; got none")
    floats = all(isinstance(value, float) for value in sequence)
    if all(isinstance(value, float | int) for value in sequence) and not all(isfinite(value) for value in sequence):
        raise ValueError(f"{name} must be finite; got {next(v for v in sequence if not isfinite(v))}")
    if floats:  # one subtraction of doubles is rounded once as it is
        doubles = np.array(sequence, dtype=float)
        return Fraction(sequence[0]), doubles - doubles[0]
    differences = _differences(sequence)
    if differences is not None:
        return Fraction(sequence[0]), differences
    try:
        whole, denominator = _whole(sequence)
    except (ValueError, OverflowError) as error:
        raise ValueError(f"{name} must be finite numbers; {error}") from error
    first = whole[0]
    return Fraction(first, denominator), np.array([(number - first) / denominator for number in whole])


def _differences(decimals: Sequence[Any]) -> NDArray[np.float64] | None:
    """From the first, each rounded once; None where these are not decimals, or are not finite."""
    try:
        differences = np.array([float(_EXACT.subtract(value, decimals[0])) for value in decimals])
    except (TypeError, Inexact):
        return None
    return differences if np.isfinite(differences).all() else None


def _whole(values: Sequence[Number]) -> tuple[list[int], int]:
    """Numerators over one common denominator, and that: a sum of rational numbers each in lowest terms is slow."""
    ratios = [Fraction(v).as_integer_ratio() if isinstance(v, np.integer) else v.as_integer_ratio() for v in values]
    denominators = {denominator for _, denominator in ratios}
    common = lcm(*denominators)
    if len(denominators) == 1:
        return [numerator for numerator, _ in ratios], common
    factors = {denominator: common // denominator for denominator in denominators}
    return [numerator * factors[denominator] for numerator, denominator in ratios], common


def exact_mean(values: Sequence[Number]) -> Fraction:
    """Arithmetic mean without any rounding; shape (n,), n >= 1, finite numbers.

    Parameters
    ----------
    values : shape (n,), n >= 1, finite floats or exact decimals, one unit

    Returns
    -------
    Fraction, in the unit of the values

    Raises
    ------
    ZeroDivisionError
        No values.
    ValueError
        A value that is not finite.

    References
    ----------
    Any handbook.
    """
    try:
        return _exact_sum(values) / len(values)
    except (ValueError, OverflowError) as error:
        raise ValueError("values must be finite numbers") from error


def _exact_sum(values: Sequence[Number]) -> Fraction:
    try:
        return Fraction(reduce(_EXACT.add, values))  # type: ignore[arg-type]
    except (TypeError, Inexact):  # not all decimals, or too far apart
        whole, denominator = _whole(values)
        return Fraction(sum(whole), denominator)


def mean(values: Iterable[Number], name: str = "values") -> float:
    """Arithmetic mean, exact until the last rounding. Shape (n,), n >= 1; unit of the values.

    Parameters
    ----------
    values : shape (n,), n >= 1, finite floats or exact decimals, one unit
    name : how an error names them

    Returns
    -------
    float, in the unit of the values

    Raises
    ------
    ValueError
        No values, or one that is not finite.

    References
    ----------
    Any handbook.

    Examples
    --------
    Twenty temperatures, JCGM 100:2008 (GUM), 4.4.3 (from memory): 100.145 before rounding.

    >>> t = "96.90 98.18 98.25 98.61 99.03 99.49 99.56 99.74 99.89 100.07 100.33 100.42 100.68 100.95 101.11 101.20"
    >>> mean([Decimal(text) for text in f"{t} 101.57 101.84 102.36 102.72".split()])
    100.145
    """
    sequence = list(values)
    if not sequence:
        raise ValueError(f"{name} must hold at least one number; got none")
    return float(exact_mean(sequence))
