"""Spread that grows with the level, a + b x or sqrt(a^2 + b^2 x^2), a, b >= 0, by likelihood from sums of squares."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import elementwise

SOURCE = "Davidian and Carroll, J. Amer. Statist. Assoc. 1987, 82, 1079 (variance function estimation; from memory)"

#: s at level zero is held above this share of s at the highest level: blanks that all read alike would else get
#: an infinite weight.
SMALLEST_SHARE = 1e-3

_GRID = np.linspace(0.0, 1.0 - SMALLEST_SHARE, 33)
_LAST_DIGIT = {"xatol": 1e-16, "xrtol": 1e-15, "fatol": 0.0, "frtol": 0.0}
Floats = NDArray[np.float64]
Function = Callable[..., Floats]


@dataclass(frozen=True, slots=True)
class LinearSdResult:
    """The fitted s(x) = constant + slope * x, in the unit of the readings (per unit of x).

    Attributes
    ----------
    constant : in the unit of the readings
    slope : that unit per unit of x
    degrees_of_freedom : in all
    n_levels : levels with replicates
    notes : whole sentences
    source : document and clause
    """

    constant: float
    slope: float
    degrees_of_freedom: float
    n_levels: int
    notes: tuple[str, ...] = ()
    source: str = SOURCE

    def at(self, x: float) -> float:
        """The standard deviation of one reading at level x."""
        return self.constant + self.slope * x


def linear_sd(
    levels: Sequence[float] | Floats,
    sums_of_squares: Sequence[float] | Floats,
    degrees_of_freedom: Sequence[float] | Floats,
) -> LinearSdResult:
    """Fit s(x) = a + b x, a >= 0 and b >= 0, to one set of sums of squares.

    Parameters
    ----------
    levels : shape (L,), x >= 0; where all are 0 the spread is constant
    sums_of_squares : shape (L,), about the means of the groups of each level
    degrees_of_freedom : shape (L,), behind each sum; 0 where a level holds no replicates

    Returns
    -------
    LinearSdResult; both parameters 0 where all sums are 0, with a note

    Raises
    ------
    ValueError
        Shapes differ, a level below zero, no degrees of freedom at all.

    References
    ----------
    Davidian and Carroll 1987, J. Amer. Statist. Assoc. 82, 1079 (from memory). A gamma regression of statsmodels
    (square-root link) agrees to 2e-7 where both parts are positive; it keeps no part from falling below zero and fits
    one set at a
    time (docs/libraries.md).

    Examples
    --------
    At one level the fit is the pooled standard deviation: two sets of seven replicates, Berthouex and Brown 2002,
    Example 14.1, print the variances 0.10 and 0.16 and the pooled one 0.13.

    >>> result = linear_sd([1, 1], [6 * 0.1047619, 6 * 0.1614286], [6, 6])
    >>> round(result.at(1.0) ** 2, 2)
    0.13
    """
    x, df = np.asarray(levels, dtype=float), np.asarray(degrees_of_freedom, dtype=float)
    sums = np.asarray(sums_of_squares, dtype=float)
    if not x.shape == df.shape == sums.shape:
        raise ValueError(
            f"levels, sums and degrees_of_freedom must share a shape; got {x.shape}, {sums.shape}, {df.shape}"
        )
    if df.sum() <= 0:
        raise ValueError("degrees_of_freedom must sum to more than 0; got no replicates at any level")
    constant, slope = linear_sd_many(x, sums[None, None, :], df[None, None, :])
    return LinearSdResult(
        constant=float(constant[0, 0]),
        slope=float(slope[0, 0]),
        degrees_of_freedom=float(df.sum()),
        n_levels=int(np.count_nonzero(df > 0)),
        notes=_notes(x, df, float(constant[0, 0]), float(slope[0, 0])),
    )


def _notes(x: Floats, df: Floats, constant: float, slope: float) -> tuple[str, ...]:
    if constant == 0 and slope == 0:
        return ("All replicates agree to the last digit written: no spread could be fitted.",)
    if np.count_nonzero(df > 0) < 2:
        return ("Replicates at one level only: the spread is taken as the same at all levels.",)
    if slope == 0:
        return ("The fitted spread does not grow with the level: its slope came out at its bound, 0.",)
    if constant <= 1.01 * SMALLEST_SHARE * (constant + slope * x.max()):
        return ("The fitted spread is proportional to the level: its constant part came out at its bound.",)
    return ()


def linear_sd_many(levels: Floats, sums_of_squares: Floats, degrees_of_freedom: Floats) -> tuple[Floats, Floats]:
    """Fit s(x) to many data sets at once. Each may hold several sources of one common shape, each with its own size.

    The likelihood of source k is that of sums of squares distributed as s_k(x)^2 chi-square(df). With
    s_k(x) = c_k g(x), g(x) = 1 - w + w x / x_max, each c_k has a closed form for given w; w is searched in
    [0, 1 - SMALLEST_SHARE] on a grid and then as the root of the derivative, for all data sets together.

    Parameters
    ----------
    levels : shape (L,), x >= 0, or (B, L) where every data set has levels of its own; where all are 0 the spread is
        constant
    sums_of_squares : shape (B, K, L): B data sets, K sources
    degrees_of_freedom : shape (B, K, L) or broadcastable to it

    Returns
    -------
    constant, slope : each shape (B, K); 0 for a source without spread or without degrees of freedom

    Raises
    ------
    ValueError
        A level below zero.

    References
    ----------
    As `linear_sd`. 1999 fits take 40 ms; as many gamma regressions of statsmodels would take seconds.
    """
    w, size, top = _fit(_straight, np.asarray(levels, dtype=float), sums_of_squares, degrees_of_freedom)
    return size * (1 - w)[:, None], size * (w / top)[:, None]


def root_sum_square_sd(levels: Floats, sums_of_squares: Floats, degrees_of_freedom: Floats) -> tuple[float, float]:
    """Fit s(x) = sqrt(a^2 + b^2 x^2), a >= 0 and b >= 0, to one set of sums of squares.

    As for the line, with g(x) = sqrt((1 - w)^2 + w^2 x^2 / x_max^2); a has the same lower bound. Replicates at one
    level alone give a constant spread.

    Parameters
    ----------
    levels : shape (L,), x >= 0, not all 0
    sums_of_squares, degrees_of_freedom : shape (L,), one sum at least and one df at least above 0

    Returns
    -------
    a, b : in the unit of the readings, and that unit per unit of level

    Raises
    ------
    ValueError
        Levels below zero or all zero, or nothing to fit.

    References
    ----------
    As `linear_sd`; the form: Eurachem/CITAC QUAM:2012, E.5 (from memory).
    """
    x, sums, df = (np.asarray(v, dtype=float) for v in (levels, sums_of_squares, degrees_of_freedom))
    if x.min() < 0 or x.max() == 0:
        raise ValueError(f"levels must be 0 or above and not all 0; got {x.min()} to {x.max()}")
    if sums.sum() <= 0 or df.sum() <= 0:
        raise ValueError(f"sums and degrees_of_freedom must exceed 0; got totals {sums.sum()} and {df.sum()}")
    w, size, top = _fit(_root_sum_square, x, sums[None, None, :], df[None, None, :])
    return float(size[0, 0] * (1 - w[0])), float(size[0, 0] * w[0] / top[0])


def _straight(w: Floats, share: Floats) -> tuple[Floats, Floats]:
    """g = 1 - w + w x / x_max and the derivative of log g by w, shapes (B, L)."""
    g = 1 - w[:, None] + w[:, None] * share
    return g, (share - 1) / g


def _root_sum_square(w: Floats, share: Floats) -> tuple[Floats, Floats]:
    """g = sqrt((1 - w)^2 + w^2 x^2 / x_max^2) and the derivative of log g by w, shapes (B, L)."""
    square = (1 - w[:, None]) ** 2 + w[:, None] ** 2 * share**2
    return np.sqrt(square), (w[:, None] * share**2 - (1 - w[:, None])) / square


def _fit(
    shape: Callable[[Floats, Floats], tuple[Floats, Floats]], x: Floats, sums_of_squares: Floats, df: Floats
) -> tuple[Floats, Floats, Floats]:
    """w of each data set, shape (B,), the sizes of its sources, shape (B, K), and its highest level, shape (B,)."""
    if x.min() < 0:
        raise ValueError(f"levels must be 0 or above; got {x.min()} to {x.max()}")
    highest = x.max(axis=-1, keepdims=True)
    share = x / np.where(highest > 0, highest, 1.0)
    share = np.broadcast_to(share, (len(sums_of_squares), x.shape[-1]))
    df = np.broadcast_to(df, sums_of_squares.shape)
    sums = np.where(df > 0, sums_of_squares, 0.0)
    totals = df.sum(axis=2)
    live = (totals > 0) & (sums.sum(axis=2) > 0)
    weights_of_log = np.where(live[:, :, None], df, 0.0).sum(axis=1)  # (B, L)

    def objective(w: Floats) -> Floats:
        """Minus the profile log-likelihood, shape (B,), at one w a data set."""
        g, _ = shape(w, share)
        spread = np.einsum("bkl,bl->bk", sums, 1 / g**2)
        size = np.where(live, totals / 2 * np.log(np.where(live, spread, 1.0)), 0.0).sum(axis=1)
        return size + (weights_of_log * np.log(g)).sum(axis=1)

    def growth(w: Floats, sets: NDArray[np.int_]) -> Floats:
        """The derivative of the objective of some data sets, shape (S,)."""
        g, relative = shape(w, share[sets])
        weighted = sums[sets] / (g**2)[:, None, :]
        spread = np.where(live[sets], weighted.sum(axis=2), 1.0)
        change = np.where(live[sets], totals[sets] * np.einsum("bkl,bl->bk", weighted, relative) / spread, 0.0)
        return (weights_of_log[sets] * relative).sum(axis=1) - change.sum(axis=1)

    live_level = weights_of_log > 0
    several = np.where(live_level, share, 0.0).max(axis=1) > np.where(live_level, share, 1.0).min(axis=1)
    w = np.where(several, _minimise(objective, growth, len(sums)), 0.0) if several.any() else np.zeros(len(sums))
    spread = np.einsum("bkl,bl->bk", sums, 1 / shape(w, share)[0] ** 2)
    top = np.broadcast_to(np.where(highest > 0, highest, 1.0)[..., 0], len(sums))
    return w, np.sqrt(np.where(live, spread / np.where(live, totals, 1.0), 0.0)), top


def _minimise(objective: Function, growth: Function, count: int) -> Floats:
    """The w of the smallest objective for each data set: best grid point, then the root of the derivative around it.

    The derivative, not the objective: next to its minimum the objective is flat to rounding over half the digits, and
    the result would then depend on the unit and the order of the readings.
    """
    values = np.stack([objective(np.full(count, w)) for w in _GRID], axis=1)
    best = values.argmin(axis=1)
    low, high = _GRID[np.maximum(best - 1, 0)], _GRID[np.minimum(best + 1, len(_GRID) - 1)]
    sets = np.arange(count)
    root = elementwise.find_root(growth, (low, high), args=(sets,), tolerances=_LAST_DIGIT)
    middle = np.where(root.success, root.x, np.where(growth(low, sets) >= 0, low, high))
    # The bounds themselves are candidates: a slope of exactly 0 has a note of its own.
    for bound in (_GRID[0], _GRID[-1]):
        edge = np.full(count, bound)
        middle = np.where(objective(edge) <= objective(middle), edge, middle)
    return middle
