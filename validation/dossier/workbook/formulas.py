"""Formulas of a spreadsheet that know their value, so that a viewer which does not recalculate shows it too.

Text and value are made side by side by the same operation, with plain arithmetic: nothing here comes from the
statistics of the dossier, so the value is a second computation and so is the formula.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, sqrt
from statistics import NormalDist

from scipy.special import stdtrit


@dataclass(frozen=True, slots=True)
class Formula:
    """`text` without its equals sign, and the value it has."""

    text: str
    value: float

    def __add__(self, other: Formula | float) -> Formula:
        return Formula(f"({self.text}+{_text(other)})", self.value + _value(other))

    def __sub__(self, other: Formula | float) -> Formula:
        return Formula(f"({self.text}-{_text(other)})", self.value - _value(other))

    def __mul__(self, other: Formula | float) -> Formula:
        return Formula(f"({self.text}*{_text(other)})", self.value * _value(other))

    def __rmul__(self, other: float) -> Formula:
        return Formula(f"({_text(other)}*{self.text})", other * self.value)

    def __truediv__(self, other: Formula | float) -> Formula:
        return Formula(f"({self.text}/{_text(other)})", self.value / _value(other))


@dataclass(frozen=True, slots=True)
class Column:
    """A stretch of one column; cells without a number are empty and not among the values."""

    text: str
    values: Sequence[float]


def _text(part: Formula | float) -> str:
    return part.text if isinstance(part, Formula) else repr(float(part))


def _value(part: Formula | float) -> float:
    return part.value if isinstance(part, Formula) else float(part)


def root(part: Formula) -> Formula:
    """Square root."""
    return Formula(f"SQRT({part.text})", sqrt(part.value))


def squared(part: Formula) -> Formula:
    """The square."""
    return Formula(f"{part.text}^2", part.value**2)


def not_below_zero(part: Formula) -> Formula:
    """The value, or zero where it is negative."""
    return Formula(f"MAX(0,{part.text})", max(0.0, part.value))


def count(column: Column) -> Formula:
    """How many numbers."""
    return Formula(f"COUNT({column.text})", float(len(column.values)))


def total(column: Column) -> Formula:
    """Sum."""
    return Formula(f"SUM({column.text})", fsum(column.values))


def average(column: Column) -> Formula:
    """Arithmetic mean."""
    return Formula(f"AVERAGE({column.text})", _mean(column.values))


def squares_about_mean(column: Column) -> Formula:
    """Sum of the squared deviations from the mean."""
    return Formula(f"DEVSQ({column.text})", _devsq(column.values))


def variance(column: Column) -> Formula:
    """Variance with n - 1."""
    return Formula(f"VAR({column.text})", _devsq(column.values) / (len(column.values) - 1))


def deviation(column: Column) -> Formula:
    """Standard deviation with n - 1."""
    return Formula(f"STDEV({column.text})", sqrt(_devsq(column.values) / (len(column.values) - 1)))


def sum_of_squares(column: Column) -> Formula:
    """Sum of the squares."""
    return Formula(f"SUMSQ({column.text})", fsum(value**2 for value in column.values))


def weighted_mean(weights: Column, values: Column) -> Formula:
    """Mean of the values, each with its weight."""
    products = fsum(w * v for w, v in zip(weights.values, values.values, strict=True))
    text = f"(SUMPRODUCT({weights.text},{values.text})/SUM({weights.text}))"
    return Formula(text, products / fsum(weights.values))


def slope(y: Column, x: Column) -> Formula:
    """Slope of the least-squares line."""
    return Formula(f"SLOPE({y.text},{x.text})", _slope(y.values, x.values))


def intercept(y: Column, x: Column) -> Formula:
    """Intercept of the least-squares line."""
    value = _mean(y.values) - _slope(y.values, x.values) * _mean(x.values)
    return Formula(f"INTERCEPT({y.text},{x.text})", value)


def residual_deviation(y: Column, x: Column) -> Formula:
    """Standard deviation of the residuals of the line, with n - 2."""
    steep, mean_x, mean_y = _slope(y.values, x.values), _mean(x.values), _mean(y.values)
    pairs = zip(x.values, y.values, strict=True)
    left = fsum((b - mean_y - steep * (a - mean_x)) ** 2 for a, b in pairs)
    return Formula(f"STEYX({y.text},{x.text})", sqrt(left / (len(y.values) - 2)))


def student(outside: Formula, degrees_of_freedom: Formula) -> Formula:
    """Quantile of Student's t that leaves the share `outside` beyond both ends together."""
    value = -float(stdtrit(degrees_of_freedom.value, outside.value / 2))
    return Formula(f"TINV({outside.text},{degrees_of_freedom.text})", value)


def normal(below: Formula) -> Formula:
    """Quantile of the normal distribution."""
    return Formula(f"NORMSINV({below.text})", NormalDist().inv_cdf(below.value))


def _mean(values: Sequence[float]) -> float:
    return fsum(values) / len(values)


def _devsq(values: Sequence[float]) -> float:
    mean = _mean(values)
    return fsum((value - mean) ** 2 for value in values)


def _slope(y: Sequence[float], x: Sequence[float]) -> float:
    mean_x, mean_y = _mean(x), _mean(y)
    return fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / _devsq(x)
