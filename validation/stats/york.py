"""York's line: a standard uncertainty for every point, in both directions, taken as known.

Beside the libraries: `scipy.odr` finds the line to 6e-7 and leaves scipy with 1.19 (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from validation.stats.comparison import Limits, Matrix, Vector, centred_pair
from validation.stats.estimate import Estimate, Number
from validation.stats.intervals import t_quantile

_YORK = (
    "York et al. 2004, Am. J. Phys. 72, 367; ISO/TS 28037:2010, 7 (clause from memory); uncertainties taken as known, "
    "interval: normal; where the points scatter beyond them, scaled, interval: t on n - 2"
)
YORK_COVERS = (
    "Where samples have a part of their own that their uncertainties leave out (2 % of the content), the 95 % interval "
    "held the truth in 92 to 93 % of simulated comparisons."
)
#: Beyond this point of chi-squared the points scatter more than their uncertainties explain. Common practice.
_SCATTER_ALPHA = 0.05


@dataclass(frozen=True, slots=True)
class YorkResult:
    """Slope and intercept of the weighted line.

    Attributes
    ----------
    covariance : of intercept and slope, unscaled
    chi_squared, degrees_of_freedom : weighted sum of squared residuals, and n - 2
    scatter_factor : sqrt(chi_squared / degrees_of_freedom)
    """

    slope: Estimate
    intercept: Estimate
    covariance: float
    chi_squared: float
    degrees_of_freedom: int
    scatter_factor: float


def york(x: Sequence[Number], y: Sequence[Number], u_x: ArrayLike, u_y: ArrayLike) -> YorkResult:
    """Weighted straight line with a standard uncertainty for each x and each y, uncorrelated.

    Parameters
    ----------
    x, y : shape (n,), n >= 3, in one unit
    u_x, u_y : shape (n,), positive standard uncertainties of x and y

    Returns
    -------
    YorkResult. Uncertainties are the unscaled ones, which take u_x and u_y as known, evaluated at the adjusted points,
    unless the points scatter more than that explains (chi-squared beyond its 95 % point on n - 2): then they are scaled
    by the scatter factor and the interval is Student's t, for an interval that ignores visible scatter misleads.

    Raises
    ------
    ValueError
        n < 3, lengths that differ, an uncertainty that is not positive, or no convergence.

    References
    ----------
    York, Evensen, Lopez Martinez and De Basabe Delgado 2004, Am. J. Phys. 72, 367; ISO/TS 28037:2010, 7.

    Examples
    --------
    Pearson's data with York's weights, York et al. 2004, Table II: slope -0.4805, intercept 5.4799.

    >>> x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    >>> y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    >>> w_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    >>> w_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    >>> line = york(x, y, w_x**-0.5, w_y**-0.5)
    >>> round(line.slope.value, 4), round(line.intercept.value, 4)
    (-0.4805, 5.4799)
    """
    xs, ys, shift = centred_pair(x, y)
    w_x, w_y = (1 / _positive(u, xs.size, name) ** 2 for u, name in ((u_x, "u_x"), (u_y, "u_y")))
    offsets = float(shift[0]), float(shift[1])
    fits = YorkFits.of(xs[None, :], ys[None, :], w_x, w_y, offsets=offsets)
    slope, u_slope, intercept, u_intercept, origin, chi_squared = (
        float(part[0])
        for part in (fits.slope, fits.u_slope, fits.intercept, fits.u_intercept, fits.origin, fits.chi_squared)
    )
    df, factor = fits.degrees_of_freedom, float(fits.scatter_factor[0])
    estimate = _scattered if fits.scattered[0] else _known
    return YorkResult(
        slope=estimate(slope, u_slope, factor, xs.size),
        intercept=estimate(intercept, u_intercept, factor, xs.size),
        covariance=-origin * u_slope**2,
        chi_squared=chi_squared,
        degrees_of_freedom=df,
        scatter_factor=factor,
    )


@dataclass(frozen=True, slots=True, eq=False)
class YorkFits:
    """The lines of `york` through many comparisons whose samples have the same uncertainties; one value a study.

    Attributes
    ----------
    slope, intercept, u_slope, u_intercept : with the unscaled uncertainties
    origin : weighted mean of the adjusted x
    chi_squared, degrees_of_freedom : weighted sum of squared residuals, and n - 2
    """

    slope: Vector
    intercept: Vector
    u_slope: Vector
    u_intercept: Vector
    origin: Vector
    chi_squared: Vector
    degrees_of_freedom: int

    @classmethod
    def of(
        cls, x: Matrix, y: Matrix, w_x: Vector, w_y: Vector, *, offsets: tuple[float, float] = (0.0, 0.0)
    ) -> YorkFits:
        """From x and y of shape (studies, n), minus `offsets`, and weights 1 / u^2 of shape (n,).

        Raises
        ------
        ValueError
            No convergence, or values that do not determine a line.
        """
        slope = _york_slope(x, y, w_x, w_y)
        weights, mx, my, beta = _york_step(x, y, w_x, w_y, slope)
        adjusted = mx + beta
        adjusted_mean = _averages(adjusted, weights)
        u_slope = 1 / np.sqrt((weights * (adjusted - adjusted_mean) ** 2).sum(axis=1))
        origin = adjusted_mean[:, 0] + offsets[0]
        residuals = y - my - slope[:, None] * (x - mx)
        return cls(
            slope=slope,
            intercept=my[:, 0] - slope * mx[:, 0] + offsets[1] - slope * offsets[0],
            u_slope=u_slope,
            u_intercept=np.sqrt(1 / weights.sum(axis=1) + (origin * u_slope) ** 2),
            origin=origin,
            chi_squared=(weights * residuals**2).sum(axis=1),
            degrees_of_freedom=x.shape[1] - 2,
        )

    @property
    def scatter_factor(self) -> Vector:
        """Scatter about the line over what the uncertainties explain."""
        return np.sqrt(self.chi_squared / self.degrees_of_freedom)

    @property
    def scattered(self) -> NDArray[np.bool_]:
        """Whether the points scatter more than their uncertainties explain."""
        return special.chdtrc(self.degrees_of_freedom, self.chi_squared) < _SCATTER_ALPHA

    def interval(self, value: Vector, u: Vector, level: float) -> Limits:
        """Of slope or intercept, scaled by the scatter where that shows; as the estimates of `york`."""
        t, z = (t_quantile((1 + level) / 2, df) for df in (self.degrees_of_freedom, None))
        half = np.where(self.scattered, t * self.scatter_factor, z) * u
        return value - half, value + half


def _york_slope(x: Matrix, y: Matrix, w_x: Vector, w_y: Vector) -> Vector:
    """Iterated until every study has settled, each left alone once it has."""
    dx = x - x.mean(axis=1, keepdims=True)
    slope = (dx * y).sum(axis=1) / (dx**2).sum(axis=1)
    settled = np.zeros(len(x), dtype=bool)
    for _ in range(500):
        weights, mx, my, beta = _york_step(x, y, w_x, w_y, slope)
        bottom = (weights * beta * (x - mx)).sum(axis=1)
        if np.any(bottom == 0):
            raise ValueError("x and y must vary together for a line; they do not")
        update = np.where(settled, slope, (weights * beta * (y - my)).sum(axis=1) / bottom)
        settled |= np.abs(update - slope) <= 1e-14 * np.maximum(1.0, np.abs(update))
        slope = update
        if settled.all():
            return slope
    raise ValueError("the weighted line did not converge; the uncertainties may differ too widely")


def _york_step(x: Matrix, y: Matrix, w_x: Vector, w_y: Vector, slope: Vector) -> tuple[Matrix, Matrix, Matrix, Matrix]:
    """Weights at these slopes, weighted means of x and y, each (studies, 1), and the adjusted x minus their mean."""
    b = slope[:, None]
    weights = w_x * w_y / (w_x + b**2 * w_y)
    mx, my = _averages(x, weights), _averages(y, weights)
    return weights, mx, my, weights * ((x - mx) / w_y + b * (y - my) / w_x)


def _averages(values: Matrix, weights: Matrix) -> Matrix:
    return (weights * values).sum(axis=1, keepdims=True) / weights.sum(axis=1, keepdims=True)


def _known(value: float, u: float, factor: float, n: int) -> Estimate:
    note = (
        f"The uncertainty takes the points' uncertainties as known; scaled by their scatter about the line "
        f"(factor {factor:.3g}) it would be {u * factor:.3g}."
    )
    return Estimate.of_mean(value, u, None, n=n, units=n, notes=(note, YORK_COVERS), source=_YORK)


def _scattered(value: float, u: float, factor: float, n: int) -> Estimate:
    note = (
        f"The points scatter about the line {factor:.3g} times as much as their uncertainties explain: the uncertainty "
        f"is scaled by that factor (unscaled {u:.3g}), and the interval is Student's t on n - 2."
    )
    return Estimate.of_mean(value, u * factor, float(n - 2), n=n, units=n, notes=(note, YORK_COVERS), source=_YORK)


def _positive(values: ArrayLike, n: int, name: str) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=float)
    if array.shape != (n,) or not np.all(np.isfinite(array)) or np.any(array <= 0):
        raise ValueError(f"{name} must hold {n} positive numbers; got {array.tolist()}")
    return array
