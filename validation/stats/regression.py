"""Least squares for calibration functions: straight line, line through zero, quadratic, with or without weights.

Beside statsmodels `OLS`: exact centring, scaling and one step of refinement from exact residuals are ours, for they
give every one of 14 digits on NIST's Norris and Pontius (statsmodels 13.0 and 12.8) and all of a slope at 10^9 of x,
where its `pinv` has none; the fit itself is numpy's QR, since importing statsmodels takes 0.2 s (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import comb, sqrt

import numpy as np
from numpy.typing import NDArray

from validation.stats.estimate import Estimate, Number, centre, check_sizes

ON_THE_LINE = (
    "The readings lie on the fitted function to the last digit: their scatter is hidden by the rounding, so that no "
    "interval can be formed."
)
NONE_OVER = "As many coefficients as readings: no scatter is left from which to form an interval."
SOURCE = "Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapters 1 and 5 (from memory)"


@dataclass(frozen=True, slots=True, eq=False)
class PolynomialResult:
    """A fitted polynomial in x. Coefficients run from the lowest power present upwards.

    Attributes
    ----------
    coefficients : shape (p,), of x^first_power, x^(first_power + 1), ...
    covariance : shape (p, p), of the coefficients, scaled by the residual variance (zero without residual df)
    unscaled_covariance : shape (p, p), inverse of X'WX: the covariance where the weights are 1/u^2 with u known
    residual_sd : root of the weighted residual mean square, in the unit of y; 0 without residual df
    degrees_of_freedom : n - p
    residual_sum, total_sum : weighted sums of squares, residual and total (about the mean; about zero through zero)
    x_mean, x_sum_of_squares : weighted mean of x and weighted sum of squares about it
    weight_sum : sum of the weights (n for an ordinary fit)
    residuals : shape (n,), y minus the fitted value, in the unit of y
    powers, y_offset, scaled_coefficients : y_offset + powers @ scaled_coefficients is the fit as it was computed
    """

    coefficients: NDArray[np.float64]
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
    powers: ScaledPowers
    y_offset: Fraction
    scaled_coefficients: NDArray[np.float64]

    @property
    def first_power(self) -> int:
        """0 with an intercept, 1 through zero."""
        return self.powers.first

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

    def coefficient(self, power: int) -> Estimate:
        """The coefficient of x^power with its t interval; without one where nothing scatters or no reading is over."""
        position = power - self.first_power
        value, error = float(self.coefficients[position]), float(self.standard_errors[position])
        if self.degrees_of_freedom < 1:
            return Estimate(value, n=self.n, notes=(NONE_OVER,), source=SOURCE)
        if self.exact:
            return Estimate(value, n=self.n, notes=(ON_THE_LINE,), source=SOURCE)
        return Estimate.of_mean(value, error, float(self.degrees_of_freedom), n=self.n, source=SOURCE)

    def residual_estimate(self) -> Estimate:
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
            return Estimate(
                self.residual_sd, degrees_of_freedom=float(df), n=self.n, notes=(ON_THE_LINE,), source=SOURCE
            )
        return Estimate.of_sd(self.residual_sd, df, n=self.n, source=SOURCE)

    def predict(self, x: float) -> float:
        """The fitted response at x."""
        return float(self.y_offset) + float(self.powers.design(np.array([x]))[0] @ self.scaled_coefficients)

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
        constant = float(self.scaled_coefficients[0]) if self.first_power == 0 else 0.0
        return self.powers.middle + self.powers.scale * (small - constant) / float(self.scaled_coefficients[-1])


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
    check_sizes(xs, "x", power=2 * degree)
    first = 1 if through_zero else 0
    p = degree + 1 - first
    offset, small = _without_offset(y, through_zero)
    if len(xs) < p or len(np.unique(xs[xs != 0] if through_zero else xs)) < p:
        raise ValueError(f"x must hold at least {p} readings at {p} different levels; got {len(np.unique(xs))} levels")
    middle = 0.0 if through_zero else float((w @ xs) / w.sum())
    powers = ScaledPowers(middle, float(np.max(np.abs(xs - middle))), first, degree)
    design, root = powers.design(xs), np.sqrt(w)
    q, r = np.linalg.qr(design * root[:, None])
    scaled = np.linalg.solve(r, q.T @ (small * root))
    # One step of refinement from exact residuals: they carry the digits that the solution, and the rounding of the
    # scaled x, have lost.
    exact = powers.exact_residuals(x, y, offset, scaled)
    correction = np.linalg.solve(r, q.T @ (exact * root))
    residuals = exact - design @ correction
    half = powers.to_x() @ np.linalg.inv(r)
    residual_sum, df = float(w @ residuals**2), len(xs) - p
    variance = residual_sum / df if df > 0 else 0.0
    about = 0.0 if through_zero else float((w @ small) / w.sum())
    x_mean = float((w @ xs) / w.sum())
    return PolynomialResult(
        coefficients=powers.coefficients(scaled, correction, offset),
        covariance=half @ half.T * variance,
        unscaled_covariance=half @ half.T,
        residual_sd=sqrt(variance),
        degrees_of_freedom=df,
        residual_sum=residual_sum,
        total_sum=float(w @ (small - about) ** 2),
        x_mean=x_mean,
        x_sum_of_squares=float(w @ (xs - x_mean) ** 2),
        weight_sum=float(w.sum()),
        residuals=residuals,
        n=len(xs),
        powers=powers,
        y_offset=offset,
        scaled_coefficients=scaled + correction,
    )


def straight_line(
    x: Sequence[Number], y: Sequence[Number], *, weights: Sequence[float] | NDArray[np.float64] | None = None
) -> PolynomialResult:
    """The line y = a + b x; ordinary without `weights`. Parameters and errors as `polynomial`.

    Parameters
    ----------
    x, y, weights : as `polynomial`: shape (n,)

    Returns
    -------
    PolynomialResult

    Raises
    ------
    ValueError
        As `polynomial`.

    References
    ----------
    Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapters 1 and 9 (from memory).

    Examples
    --------
    Calibration of a thermometer, JCGM 100:2008 (GUM), H.3: prints y1 = -0.1712, u 0.0029 and y2 = 0.00218, u 0.00067.

    >>> t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    >>> correction = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    >>> line = straight_line([at - 20 for at in t], correction)
    >>> [round(float(value), 5) for value in (line.intercept, line.standard_errors[0])]
    [-0.1712, 0.00288]
    >>> [round(float(value), 5) for value in (line.slope, line.standard_errors[1])]
    [0.00218, 0.00067]
    """
    return polynomial(x, y, 1, weights=weights)


def line_through_zero(
    x: Sequence[Number], y: Sequence[Number], *, weights: Sequence[float] | NDArray[np.float64] | None = None
) -> PolynomialResult:
    """The line y = b x; ordinary without `weights`. Parameters and errors as `polynomial`.

    Parameters
    ----------
    x, y, weights : as `polynomial`: shape (n,)

    Returns
    -------
    PolynomialResult with a slope alone

    Raises
    ------
    ValueError
        As `polynomial`.

    References
    ----------
    Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapters 1 and 9 (from memory).
    """
    return polynomial(x, y, 1, through_zero=True, weights=weights)


def quadratic(
    x: Sequence[Number], y: Sequence[Number], *, weights: Sequence[float] | NDArray[np.float64] | None = None
) -> PolynomialResult:
    """The parabola y = a + b x + c x^2; ordinary without `weights`. Parameters and errors as `polynomial`.

    Parameters
    ----------
    x, y, weights : as `polynomial`: shape (n,)

    Returns
    -------
    PolynomialResult

    Raises
    ------
    ValueError
        As `polynomial`.

    References
    ----------
    Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, chapters 5 and 9 (from memory).
    """
    return polynomial(x, y, 2, weights=weights)


def _check_lengths(x: NDArray[np.float64], y: Sequence[Number], weights: NDArray[np.float64]) -> None:
    if not len(x) == len(y) == len(weights):
        raise ValueError(f"x, y and weights must be equally long; got {len(x)}, {len(y)} and {len(weights)}")
    if not np.all((weights > 0) & np.isfinite(weights)):
        raise ValueError("weights must be positive and finite")


def _without_offset(y: Sequence[Number], through_zero: bool) -> tuple[Fraction, NDArray[np.float64]]:
    """The exact offset of y and the rest; through zero nothing may be taken off."""
    offset, small = centre(y, "y")
    if through_zero:
        return Fraction(0), np.array([float(value) for value in y])
    return offset, small


@dataclass(frozen=True, slots=True)
class ScaledPowers:
    """The powers `first` to `degree` of u = (x - middle) / scale, in which the fit is computed.

    Attributes
    ----------
    middle, scale : in the unit of x
    first, degree : lowest and highest power
    """

    middle: float
    scale: float
    first: int
    degree: int

    def design(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        return ((x - self.middle) / self.scale)[:, None] ** np.arange(self.first, self.degree + 1)

    def to_x(self) -> NDArray[np.float64]:
        """The matrix from coefficients of u to coefficients of x."""
        first, size = self.first, self.degree + 1 - self.first
        matrix = np.zeros((size, size))
        for power in range(first, self.degree + 1):
            for lower in range(first, power + 1):
                binomial = comb(power, lower) * (-self.middle) ** (power - lower)
                matrix[lower - first, power - first] = binomial / self.scale**power
        return matrix

    def exact_residuals(
        self, x: Sequence[Number], y: Sequence[Number], offset: Fraction, scaled: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """y minus the polynomial with these very coefficients, in rational arithmetic, each rounded once."""
        terms = [Fraction(float(c)) / Fraction(self.scale) ** k for k, c in enumerate(scaled, start=self.first)]
        residuals = []
        for at, value in zip(x, y, strict=True):
            distance, fitted = Fraction(at) - Fraction(self.middle), Fraction(0)
            for term in reversed(terms):
                fitted = fitted * distance + term
            residuals.append(float(Fraction(value) - offset - fitted * distance**self.first))
        return np.array(residuals)

    def coefficients(
        self, scaled: NDArray[np.float64], correction: NDArray[np.float64], offset: Fraction
    ) -> NDArray[np.float64]:
        """Coefficients of x from those of u, exact until the last rounding."""
        first = self.first
        sums = [Fraction(0)] * len(scaled)
        for power, (c, d) in enumerate(zip(scaled, correction, strict=True), start=first):
            for lower in range(first, power + 1):
                share = comb(power, lower) * Fraction(-self.middle) ** (power - lower) / Fraction(self.scale) ** power
                sums[lower - first] += (Fraction(float(c)) + Fraction(float(d))) * share
        if first == 0:
            sums[0] += offset
        return np.array([float(value) for value in sums])
