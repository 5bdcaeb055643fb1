"""Least squares for calibration functions: straight line, line through zero, quadratic, with or without weights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import comb, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from validation.stats.estimate import Number, OldEstimate, centre
from validation.stats.intervals import sd_interval

ON_THE_LINE = (
    "The readings lie on the fitted function to the last digit: their scatter is hidden by the rounding, so that no "
    "interval can be formed."
)
SOURCE = "Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapters 1 and 5 (from memory)"


@dataclass(frozen=True, slots=True, eq=False)
class PolynomialResult:
    """A fitted polynomial in x. Coefficients run from the lowest power present upwards.

    Attributes
    ----------
    coefficients : shape (p,), of x^first_power, x^(first_power + 1), ...
    first_power : 0 with an intercept, 1 through zero
    covariance : shape (p, p), of the coefficients, scaled by the residual variance (zero without residual df)
    unscaled_covariance : shape (p, p), inverse of X'WX: the covariance where the weights are 1/u^2 with u known
    residual_sd : root of the weighted residual mean square, in the unit of y; 0 without residual df
    degrees_of_freedom : n - p
    residual_sum, total_sum : weighted sums of squares, residual and total (about the mean; about zero through zero)
    x_mean, x_sum_of_squares : weighted mean of x and weighted sum of squares about it
    weight_sum : sum of the weights (n for an ordinary fit)
    residuals : shape (n,), y minus the fitted value, in the unit of y
    """

    coefficients: NDArray[np.float64]
    first_power: int
    covariance: NDArray[np.float64]
    unscaled_covariance: NDArray[np.float64]
    residual_sd: float
    degrees_of_freedom: int
    residual_sum: float
    total_sum: float
    x_mean: float
    x_sum_of_squares: float
    weight_sum: float
    residuals: NDArray[np.float64]
    n: int
    x_centre: float
    x_scale: float
    y_offset: Fraction
    scaled_coefficients: NDArray[np.float64]

    @property
    def intercept(self) -> float:
        """The constant; 0 for a fit through zero."""
        return float(self.coefficients[0]) if self.first_power == 0 else 0.0

    @property
    def slope(self) -> float:
        """The coefficient of x."""
        return float(self.coefficients[1 - self.first_power])

    @property
    def standard_errors(self) -> NDArray[np.float64]:
        """Standard errors of the coefficients, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def exact(self) -> bool:
        """Whether the fit leaves nothing but rounding."""
        return self.residual_sum <= 1e-24 * self.total_sum or self.residual_sum == 0

    def coefficient(self, power: int, *, confidence: float = 0.95) -> OldEstimate:
        """The coefficient of x^power with its t interval."""
        position = power - self.first_power
        value, error = float(self.coefficients[position]), float(self.standard_errors[position])
        df = self.degrees_of_freedom
        if df < 1:
            note = "As many coefficients as readings: no scatter is left from which to form an interval."
            return OldEstimate(value, n=self.n, notes=(note,), source=SOURCE)
        if self.exact:
            return OldEstimate(value, n=self.n, notes=(ON_THE_LINE,), source=SOURCE)
        half = float(stats.t.ppf((1 + confidence) / 2, df)) * error
        return OldEstimate(value, (value - half, value + half), confidence, error, float(df), self.n, source=SOURCE)

    def residual_estimate(self, *, confidence: float = 0.95) -> OldEstimate:
        """The residual standard deviation with its chi-square interval; without one where nothing scatters.

        Raises
        ------
        ValueError
            As many coefficients as readings: nothing is left to scatter.
        """
        df = self.degrees_of_freedom
        if df < 1:
            raise ValueError(f"the residual standard deviation needs more readings than coefficients; got {self.n}")
        if self.exact:
            return OldEstimate(self.residual_sd, None, None, None, float(df), self.n, None, (ON_THE_LINE,), SOURCE)
        interval = sd_interval(self.residual_sd, df, confidence=confidence)
        return OldEstimate(self.residual_sd, interval, confidence, None, float(df), self.n, source=SOURCE)

    def predict(self, x: float) -> float:
        """The fitted response at x."""
        return float(self.y_offset) + self._shifted(x)

    def standard_error_at(self, x: float) -> float:
        """Standard error of the fitted response at x, covariance of the coefficients included."""
        powers = float(x) ** np.arange(self.first_power, self.first_power + len(self.coefficients))
        return sqrt(max(0.0, float(powers @ self.covariance @ powers)))

    def read_back(self, response: Number) -> float:
        """The x at which a straight line takes this response.

        Raises
        ------
        ValueError
            The fit is not a straight line, or its slope is zero.
        """
        if self.first_power + len(self.coefficients) != 2:
            raise ValueError("read_back needs a straight line; got a polynomial of higher degree")
        if self.slope == 0:
            raise ValueError("read_back needs a slope other than zero; got 0")
        # The offset is taken off exactly, so that a small shift on a large constant response survives.
        small = float(Fraction(response) - self.y_offset)
        return self.x_centre + self.x_scale * (small - self._constant()) / float(self.scaled_coefficients[-1])

    def _constant(self) -> float:
        return float(self.scaled_coefficients[0]) if self.first_power == 0 else 0.0

    def _shifted(self, x: float) -> float:
        u = (x - self.x_centre) / self.x_scale
        powers = u ** np.arange(self.first_power, self.first_power + len(self.coefficients))
        return float(powers @ self.scaled_coefficients)


def polynomial(
    x: Sequence[Number],
    y: Sequence[Number],
    degree: int,
    *,
    through_zero: bool = False,
    weights: Sequence[float] | NDArray[np.float64] | None = None,
) -> PolynomialResult:
    """Fit a polynomial by (weighted) least squares.

    x is centred and scaled and the offset of y taken off exactly before the fit, so that a badly scaled x or a large
    constant response costs no digits.

    Parameters
    ----------
    x, y : shape (n,), n >= number of coefficients; floats or exact decimals
    degree : highest power of x, 1 or more
    through_zero : without a constant
    weights : shape (n,), positive, proportional to 1 / variance; None: all 1

    Returns
    -------
    PolynomialResult

    Raises
    ------
    ValueError
        Lengths differ, too few readings or different x, a value that is not finite, a weight that is not positive.

    References
    ----------
    Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapters 1, 5 and 9 (from memory).
    """
    xs = np.array([float(value) for value in x])
    w = np.ones(len(xs)) if weights is None else np.asarray(weights, dtype=float)
    _check_lengths(xs, y, w)
    first = 1 if through_zero else 0
    p = degree + 1 - first
    offset, small = _without_offset(y, through_zero)
    if len(xs) < p or len(np.unique(xs[xs != 0] if through_zero else xs)) < p:
        raise ValueError(f"x must hold at least {p} readings at {p} different levels; got {len(np.unique(xs))} levels")
    middle = 0.0 if through_zero else float((w @ xs) / w.sum())
    scale = float(np.max(np.abs(xs - middle)))
    design = ((xs - middle) / scale)[:, None] ** np.arange(first, degree + 1)
    root = np.sqrt(w)
    q, r = np.linalg.qr(design * root[:, None])
    scaled = np.linalg.solve(r, q.T @ (small * root))
    # One step of refinement from exact residuals: they carry the digits that the solution, and the rounding of the
    # scaled x, have lost.
    exact = _exact_residuals(x, y, offset, scaled, middle, scale, first)
    correction = np.linalg.solve(r, q.T @ (exact * root))
    residuals = exact - design @ correction
    back = _back_transform(middle, scale, first, degree)
    inverse = np.linalg.inv(r)
    unscaled = back @ (inverse @ inverse.T) @ back.T
    residual_sum = float(w @ residuals**2)
    df = len(xs) - p
    variance = residual_sum / df if df > 0 else 0.0
    coefficients = _of_x(scaled, correction, offset, middle, scale, first)
    scaled = scaled + correction
    about = 0.0 if through_zero else float((w @ small) / w.sum())
    x_mean = float((w @ xs) / w.sum())
    return PolynomialResult(
        coefficients=coefficients,
        first_power=first,
        covariance=unscaled * variance,
        unscaled_covariance=unscaled,
        residual_sd=sqrt(variance),
        degrees_of_freedom=df,
        residual_sum=residual_sum,
        total_sum=float(w @ (small - about) ** 2),
        x_mean=x_mean,
        x_sum_of_squares=float(w @ (xs - x_mean) ** 2),
        weight_sum=float(w.sum()),
        residuals=residuals,
        n=len(xs),
        x_centre=middle,
        x_scale=scale,
        y_offset=offset,
        scaled_coefficients=scaled,
    )


def straight_line(
    x: Sequence[Number], y: Sequence[Number], *, weights: Sequence[float] | NDArray[np.float64] | None = None
) -> PolynomialResult:
    """The line y = a + b x; ordinary without `weights`. Parameters and errors as `polynomial`."""
    return polynomial(x, y, 1, weights=weights)


def line_through_zero(
    x: Sequence[Number], y: Sequence[Number], *, weights: Sequence[float] | NDArray[np.float64] | None = None
) -> PolynomialResult:
    """The line y = b x; ordinary without `weights`. Parameters and errors as `polynomial`."""
    return polynomial(x, y, 1, through_zero=True, weights=weights)


def quadratic(
    x: Sequence[Number], y: Sequence[Number], *, weights: Sequence[float] | NDArray[np.float64] | None = None
) -> PolynomialResult:
    """The parabola y = a + b x + c x^2; ordinary without `weights`. Parameters and errors as `polynomial`."""
    return polynomial(x, y, 2, weights=weights)


def _check_lengths(x: NDArray[np.float64], y: Sequence[Number], weights: NDArray[np.float64]) -> None:
    if not len(x) == len(y) == len(weights):
        raise ValueError(f"x, y and weights must be equally long; got {len(x)}, {len(y)} and {len(weights)}")
    if not np.all(np.isfinite(x)):
        raise ValueError(f"x must be finite; got {x[~np.isfinite(x)][0]}")
    if not np.all((weights > 0) & np.isfinite(weights)):
        raise ValueError("weights must be positive and finite")


def _without_offset(y: Sequence[Number], through_zero: bool) -> tuple[Fraction, NDArray[np.float64]]:
    """The exact offset of y and the rest; through zero nothing may be taken off."""
    offset, small = centre(y, "y")
    if through_zero:
        return Fraction(0), np.array([float(value) for value in y])
    return offset, small


def _back_transform(middle: float, scale: float, first: int, degree: int) -> NDArray[np.float64]:
    """The matrix from coefficients of u = (x - middle) / scale to coefficients of x."""
    size = degree + 1 - first
    matrix = np.zeros((size, size))
    for power in range(first, degree + 1):
        for lower in range(first, power + 1):
            matrix[lower - first, power - first] = comb(power, lower) * (-middle) ** (power - lower) / scale**power
    return matrix


def _exact_residuals(
    x: Sequence[Number],
    y: Sequence[Number],
    offset: Fraction,
    scaled: NDArray[np.float64],
    middle: float,
    scale: float,
    first: int,
) -> NDArray[np.float64]:
    """y minus the polynomial with these very coefficients, in rational arithmetic, each rounded once."""
    terms = [Fraction(float(c)) / Fraction(scale) ** power for power, c in enumerate(scaled, start=first)]
    found = []
    for at, value in zip(x, y, strict=True):
        distance, fitted = Fraction(at) - Fraction(middle), Fraction(0)
        for term in reversed(terms):
            fitted = fitted * distance + term
        found.append(float(Fraction(value) - offset - fitted * distance**first))
    return np.array(found)


def _of_x(
    scaled: NDArray[np.float64],
    correction: NDArray[np.float64],
    offset: Fraction,
    middle: float,
    scale: float,
    first: int,
) -> NDArray[np.float64]:
    """Coefficients of x from those of u = (x - middle) / scale, exact until the last rounding."""
    exact = [Fraction(float(c)) + Fraction(float(d)) for c, d in zip(scaled, correction, strict=True)]
    found = [Fraction(0)] * len(exact)
    for power, value in enumerate(exact, start=first):
        for lower in range(first, power + 1):
            share = comb(power, lower) * Fraction(-middle) ** (power - lower) / Fraction(scale) ** power
            found[lower - first] += value * share
    if first == 0:
        found[0] += offset
    return np.array([float(value) for value in found])
