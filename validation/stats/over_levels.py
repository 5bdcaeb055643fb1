"""Precision and bias over the whole range at once: runs with lines of their own, readings whose scatter grows.

y - reference = m(x) + A_j + B_j x + e for a reading of run j at level x, with variances a_run^2 and b_run^2 of A and B,
and a_r^2 + b_r^2 x^2 of e. So s_r(x)^2 and s_run(x)^2 both have the form a^2 + b^2 x^2, and all levels together
estimate four variances, by REML. Each level has a mean m(x) of its own there, so that the variances do not take the
bias as a line; the line b0 + b1 x is fitted to those means afterwards, and tested. Readings enter as count, mean and
sum of squares of each run at each level; the fit takes many studies of one design at once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import special

from validation.stats.confidence import ConfidenceDistribution
from validation.stats.estimate import Estimate, Number, centre
from validation.stats.intervals import Interval, check_confidence, chi_square_quantile
from validation.stats.lines import Floats
from validation.stats.mean_squares import group_sums

SOURCE = (
    "REML of runs with lines of their own (Searle, Casella and McCulloch 1992; Pinheiro and Bates 2000), by the MM "
    "algorithm of Zhou, Hu, Zhou and Lange 2019; interval: profile of the restricted likelihood (all from memory)"
)
PARTS = ("a_r", "b_r", "a_run", "b_run")
DRAWS = 199
_SEED = 20_261_128
_ROUNDS = 200
_CLOSE, _CLOSE_PROFILE, _CLOSE_DRAWN = 1e-8, 1e-5, 1e-3  # change of a round over the sum of the variances
_GRID = np.linspace(0.0, 1.0, 21)
#: Profiles are followed over these multiples of the estimate, or of the largest part's where it is zero.
_MULTIPLES = np.array([0.0, 0.3, 0.5, 0.65, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 1.9, 2.6, 4.0, 8.0, 20.0])
MISFIT = 0.01
NO_LINES = (
    "Runs differ at single levels by more than lines of their own and the scatter within them explain (p = {p:.2g}): "
    "the model of the whole range does not describe them."
)
CURVED = (
    "The bias of the levels does not lie on a line (p = {p:.2g}): no line of the bias over the range and no band of it "
    "is given; the estimates of each level stand."
)
_SMALLEST = 1e-7  # of the variance of all readings: a part below is zero
Ints = NDArray[np.int_]


@dataclass(frozen=True, slots=True, eq=False)
class CellMeans:
    """Readings of many studies of one design, by cell: what one run reads at one level.

    Attributes
    ----------
    x, run, level, n : shape (cells,), reference value over the highest one, codes of run and level from 0, readings
    top : the highest level
    mean, squares : shape (studies, cells), means of the errors and sums of squares about them
    """

    x: Floats
    run: Ints
    level: Ints
    n: Floats
    top: float
    mean: Floats
    squares: Floats

    @classmethod
    def of(cls, x: Floats, runs: Ints, y: Floats, levels: Ints | None = None) -> CellMeans:
        """From reference values, codes of runs and levels, shape (n,), and errors, shape (studies, n).

        `levels` None: each reference value is a level.
        """
        run, level = (np.unique(codes, return_inverse=True)[1] for codes in (runs, x if levels is None else levels))
        pairs, cell, counts = np.unique(np.stack([run, x, level]), axis=1, return_inverse=True, return_counts=True)
        order, top = np.argsort(cell.ravel(), kind="stable"), float(x.max()) or 1.0
        mean, squares = group_sums(y[:, order], counts)
        codes = pairs[0].astype(int), pairs[2].astype(int)
        return cls(pairs[1] / top, *codes, counts.astype(float), top, mean, squares)

    @property
    def runs(self) -> int:
        """How many runs there are."""
        return int(self.run.max()) + 1

    @property
    def indicator(self) -> Floats:
        """Shape (cells, runs): which run each cell is of."""
        return np.asarray(self.run[:, None] == np.arange(self.runs), dtype=float)

    @property
    def at(self) -> Floats:
        """Shape (cells, levels): which level each cell is of."""
        return np.asarray(self.level[:, None] == np.arange(self.level.max() + 1), dtype=float)

    @property
    def places(self) -> Floats:
        """Shape (levels,): mean x of each level."""
        return np.asarray(self.n * self.x @ self.at / (self.n @ self.at))

    @property
    def design(self) -> _Design:
        """What the rounds of a fit have in common."""
        powers = np.stack([np.ones_like(self.x), self.x])
        products = (powers[:, None, :] * powers).reshape(4, -1).T
        group = self.indicator[:, :, None]
        of_levels = (powers.T[:, :, None] * self.at[:, None, :]).reshape(self.x.size, -1)
        sums = ((group * each[:, None, :]).reshape(self.x.size, -1) for each in (products, powers.T, of_levels))
        return _Design(self.n, self.run, self.runs, self.at, powers, products, *sums)

    def redrawn(self, fits: RangeFits, rng: np.random.Generator) -> CellMeans:
        """One study drawn from each fit."""
        own = rng.standard_normal((len(fits.beta), self.runs, 2)) * np.sqrt(fits.variances[:, None, 2:])
        mean = fits.bias(self.x)[0] + own[:, self.run, 0] + own[:, self.run, 1] * self.x
        within = fits.within(self.x)
        mean = mean + np.sqrt(within / self.n) * rng.standard_normal(mean.shape)
        return replace(self, mean=mean, squares=2 * within * rng.standard_gamma((self.n - 1) / 2, mean.shape))


@dataclass(frozen=True, slots=True, eq=False)
class RangeFits:
    """The model fitted to many studies; levels over the highest one.

    Attributes
    ----------
    variances : shape (studies, 4): a_r^2, b_r^2, a_run^2, b_run^2
    beta : shape (studies, 2), constant and proportional bias
    beta_covariance : shape (studies, 2, 2)
    deviance : shape (studies,), minus twice the restricted log likelihood, without its constant
    curvature : shape (studies,), sum of squares of the levels' means about the line, in units of their covariance
    """

    variances: Floats
    beta: Floats
    beta_covariance: Floats
    deviance: Floats
    curvature: Floats

    def within(self, x: Floats) -> Floats:
        """s_r^2, shape (studies, levels)."""
        return self.variances[:, :1] + self.variances[:, 1:2] * x**2

    def between(self, x: Floats) -> Floats:
        """s_run^2, shape (studies, levels)."""
        return self.variances[:, 2:3] + self.variances[:, 3:] * x**2

    def total(self, x: Floats) -> Floats:
        """s_I^2, shape (studies, levels)."""
        return self.within(x) + self.between(x)

    def studies(self, chosen: Ints) -> RangeFits:
        """The fits of these studies, each as often as it is named."""
        return RangeFits(*(getattr(self, item.name)[chosen] for item in fields(self)))

    def bias(self, x: Floats) -> tuple[Floats, Floats]:
        """The line of the bias and its standard error, each of shape (studies, levels)."""
        powers = np.stack([np.ones_like(x), x])
        squares = np.einsum("ix,sij,jx->sx", powers, self.beta_covariance, powers)
        return self.beta @ powers, np.sqrt(np.maximum(squares, 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Design:
    """The design in the forms that a round of the fit takes: levels, powers of x, products of these, sums by run."""

    n: Floats
    run: Ints
    runs: int
    at: Floats
    powers: Floats
    products: Floats
    products_by_run: Floats
    powers_by_run: Floats
    levels_by_run: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """What one round of the fit needs at given variances."""

    means: Floats
    covariance: Floats
    deviance: Floats
    ratio: Floats


def fit_over_levels(
    cells: CellMeans,
    *,
    start: Floats | None = None,
    held: NDArray[np.bool_] | None = None,
    close: float = _CLOSE,
) -> RangeFits:
    """Fit the four variances by REML, none below zero, with a free mean of each level, and a line to those means.

    Each variance is multiplied by the root of what the readings show of it over what it claims; the likelihood rises
    in every round. Rounds are extrapolated where that is no worse.

    Parameters
    ----------
    cells : readings of many studies, in one unit; scattering within cells
    start : shape (studies, 4), variances from which the search goes; None: a quarter of the whole each
    held : shape (studies, 4), which of them stay as they are; None: none
    close : float, the largest change of a variance in the last round, over the sum of the variances

    Returns
    -------
    RangeFits

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    Zhou, Hu, Zhou and Lange 2019, J. Comput. Graph. Stat. 28, 350 (MM algorithm); Varadhan and Roland 2008, Scand. J.
    Statist. 35, 335 (extrapolation; both from memory).
    """
    studies = len(cells.mean)
    total = cells.squares.sum(axis=1) / max(1.0, float((cells.n - 1).sum())) + cells.mean.var(axis=1)
    held = np.zeros((studies, 4), dtype=bool) if held is None else held
    first = np.repeat(total[:, None] / 4, 4, axis=1) if start is None else start
    # A part that starts at zero would stay there.
    theta = np.where(held, first, np.maximum(first, total[:, None] / 1000))
    floor, left, design = _SMALLEST * total[:, None], np.arange(studies), cells.design
    for _ in range(_ROUNDS):
        before = theta[left]
        step = partial(_step, design, cells.mean[left], cells.squares[left])
        theta[left] = _round(step, before, held[left], floor[left])
        change = np.abs(theta[left] - before).max(axis=1)
        left = left[change > close * theta[left].sum(axis=1)]
        if not left.size:
            break
    theta = np.where(held | (theta > floor), theta, 0.0)
    last = _step(design, cells.mean, cells.squares, theta)
    beta, covariance, curvature = _line(cells.places, last)
    return RangeFits(theta, beta, covariance, last.deviance, curvature)


def _line(x: Floats, step: _Step) -> tuple[Floats, Floats, Floats]:
    """Generalised least squares of the levels' means on x: line, its covariance, squares about it."""
    design = np.column_stack([np.ones_like(x), x])
    weights = np.linalg.inv(step.covariance)
    covariance = _inverse(design.T @ weights @ design)
    beta = (covariance @ (design.T @ (weights @ step.means[..., None])))[..., 0]
    residual = step.means - beta @ design.T
    return beta, covariance, np.einsum("sk,skl,sl->s", residual, weights, residual)


def _round(step: Callable[[Floats], _Step], theta: Floats, held: NDArray[np.bool_], floor: Floats) -> Floats:
    """Two steps, and the point to which they lead where that is no worse."""

    def moved(at: Floats) -> Floats:
        return np.where(held, at, np.where(at <= floor, 0.0, at * np.sqrt(step(at).ratio)))

    first = moved(theta)
    second = moved(first)
    r, v = first - theta, second - 2 * first + theta
    length = np.sqrt((r**2).sum(axis=1) / np.maximum((v**2).sum(axis=1), 1e-300))[:, None]
    far = theta + 2 * length * r + length**2 * v
    trial = np.where(held | (far <= 0), second, far)
    better = step(trial).deviance <= step(second).deviance
    return np.where(better[:, None], trial, second)


def _step(design: _Design, mean: Floats, squares: Floats, theta: Floats) -> _Step:
    """Likelihood and ratios at these variances; V of a run is diag(s_r^2 / n) + X D X', inverted in two dimensions."""
    powers, n, run, runs, at = design.powers, design.n, design.run, design.runs, design.at
    within = theta[:, :1] + theta[:, 1:2] * powers[1] ** 2
    w = n / within
    s = (w @ design.products_by_run).reshape(-1, runs, 2, 2)
    d = theta[:, None, 2:]
    inner = np.eye(2) + s * d[:, :, None, :]  # I + S D
    shrink = _inverse(inner)
    # Z' V^-1 y and Z' V^-1 X of each run, X the levels; then X' V^-1 X and X' V^-1 y, what the runs' lines take off.
    of_y = shrink @ ((w * mean) @ design.powers_by_run).reshape(-1, runs, 2)[..., None]
    sums = (w @ design.levels_by_run).reshape(-1, runs, 2, at.shape[1])
    of_x = shrink @ sums
    taken = (sums * d[..., None]).reshape(len(w), 2 * runs, -1).transpose(0, 2, 1)
    information = (w @ at)[:, :, None] * np.eye(at.shape[1]) - taken @ of_x.reshape(len(w), 2 * runs, -1)
    covariance = np.linalg.inv(information)
    own_y = (w * mean) @ at - (taken @ of_y.reshape(len(w), -1, 1))[..., 0]
    means = (covariance @ own_y[..., None])[..., 0]
    g = (of_y - of_x @ means[:, None, :, None])[..., 0]
    of_bias = mean - means @ at.T
    lines = (d * g)[:, run]
    py = w * (of_bias - lines[..., 0] - lines[..., 1] * powers[1])
    of_trace = np.einsum("srii->sri", shrink @ s) - ((of_x @ covariance[:, None]) * of_x).sum(axis=3)
    # Diagonal of P: shrinking by the run's line, then by the means of the levels.
    own = ((d[..., :, None] * shrink).reshape(-1, runs, 4)[:, run] * design.products).sum(axis=2)
    row = at - (powers.T[:, None, :] @ (d[..., None] * of_x)[:, run])[:, :, 0]
    diagonal = w - w**2 * (own + ((row @ covariance) * row).sum(axis=2))
    shown, claimed = py**2 / n + squares / within**2, diagonal / n + (n - 1) / within
    levels = np.stack([powers[0], powers[1] ** 2], axis=1)
    tops = np.concatenate([shown @ levels, (g**2).sum(axis=1)], axis=1)
    bottoms = np.concatenate([claimed @ levels, of_trace.sum(axis=1)], axis=1)
    logs = np.log(within) @ n + np.log(_determinant(inner)).sum(axis=1) + np.linalg.slogdet(information)[1]
    deviance = logs + (py * of_bias + squares / within).sum(axis=1)
    return _Step(means, covariance, deviance, tops / np.maximum(bottoms, 1e-300))


def _determinant(m: Floats) -> Floats:
    return np.asarray(m[..., 0, 0] * m[..., 1, 1] - m[..., 0, 1] * m[..., 1, 0])


def _inverse(m: Floats) -> Floats:
    """Of matrices of shape (..., 2, 2)."""
    swapped = np.stack([np.stack([m[..., 1, 1], -m[..., 0, 1]], -1), np.stack([-m[..., 1, 0], m[..., 0, 0]], -1)], -2)
    return np.asarray(swapped / _determinant(m)[..., None, None])


@dataclass(frozen=True)
class Profiled(ConfidenceDistribution):
    """A part of the standard deviation by the profile of the restricted likelihood, chi-square with one df.

    Attributes
    ----------
    values : shape (k,), rising, in the unit of the part
    rises : shape (k,), of the deviance at each, the others fitted again
    value : the estimate
    """

    values: tuple[float, ...]
    rises: tuple[float, ...]
    value: float

    def interval(self, level: float) -> Interval | None:
        check_confidence(level)
        # The root of the deviance is nearly a straight line in the part, to either side of the estimate.
        limit, roots = sqrt(float(chi_square_quantile(level, 1))), np.sqrt(self.rises)
        values = np.array(self.values)
        below, above = values <= self.value, values >= self.value
        if roots[-1] <= limit:
            return None
        low = float(np.interp(-limit, -roots[below], values[below])) if roots[0] > limit else 0.0
        return low, float(np.interp(limit, roots[above], values[above]))

    def notes(self, level: float) -> tuple[str, ...]:
        return () if self.interval(level) else ("No interval: the likelihood hardly falls towards large values.",)


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """s_r, s_I and the bias over the range, each with a simultaneous band.

    Attributes
    ----------
    x : shape (k,), in the unit of the levels
    s_r, s_I, bias : shape (3, k): estimate, low and high end, in the unit of the readings; no bias where it is curved
    confidence : that a whole curve lies in its band
    """

    x: Floats
    s_r: Floats
    s_I: Floats
    bias: Floats | None
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class RangeResult:
    """The model of the whole range; empty where `reason` says why there is none.

    Attributes
    ----------
    parts : a_r, b_r, a_run, b_run; a in the unit of the readings, b in that unit per unit of level
    constant, proportional : of the bias, in the same units; None where the bias is curved
    bands : over the range
    notes : whole sentences
    reason : why there is no model
    """

    parts: tuple[Estimate, ...] = ()
    constant: Estimate | None = None
    proportional: Estimate | None = None
    bands: Bands | None = None
    notes: tuple[str, ...] = ()
    reason: str = ""


def over_levels(
    levels: Sequence[float],
    runs: Sequence[int],
    errors: Sequence[Number],
    *,
    confidence: float = 0.95,
    groups: Sequence[int] | None = None,
) -> RangeResult:
    """Precision and bias over the range from the errors of all readings of a precision experiment.

    Parameters
    ----------
    levels : shape (n,), reference value of each reading, none below zero
    runs : shape (n,), codes
    errors : shape (n,), result minus reference value, in one unit
    confidence : level of the bands
    groups : shape (n,), codes of the levels where reference values differ within one; None: each value is a level

    Returns
    -------
    RangeResult. Each band is simultaneous over the range: 199 truths are drawn by fits to studies drawn from the fit, a
    study of each is fitted, and the curves of deviations that lie within the r-th smallest and largest value everywhere
    are `confidence` of all; r is found so.

    Raises
    ------
    ValueError
        Lengths differ, or a number that is not finite.

    References
    ----------
    REML and the profile as `SOURCE`; bands: Mandel and Betensky 2008, Comput. Stat. Data Anal. 52, 2158 (ranks of a
    parametric bootstrap; from memory).

    Examples
    --------
    Rails of Pinheiro and Bates 2000, 1.1 (REML: 24.805 between, 4.0208 within), read at one level: no model.

    >>> times = [55, 53, 54, 26, 37, 32, 78, 91, 85, 92, 100, 96, 49, 51, 50, 80, 85, 83]
    >>> over_levels([1.0] * 18, [rail for rail in range(6) for _ in range(3)], times).reason
    'All readings are at one level: a model over the range takes two levels or more.'
    """
    offset, small = centre(errors, "errors")
    x = np.asarray(levels, dtype=float)
    if not len(x) == len(runs) == len(small):
        raise ValueError(f"levels, runs and errors must pair up; got {len(x)}, {len(runs)} and {len(small)}")
    cells = CellMeans.of(x, np.asarray(runs), small[None, :], None if groups is None else np.asarray(groups))
    reason = _why_not(cells, x)
    if reason:
        return RangeResult(reason=reason)
    fit, n = fit_over_levels(cells), len(x)
    p_runs, p_bias = misfit(cells, fit), curved(cells, fit)
    straight = p_bias >= MISFIT
    notes = (NO_LINES.format(p=p_runs),) * (p_runs < MISFIT) + (CURVED.format(p=p_bias),) * (not straight)
    units = (1.0, cells.top)
    parts = tuple(
        Estimate(value / unit, _profile(cells, fit, k, unit), n=n, units=cells.runs, source=SOURCE)
        for k, (value, unit) in enumerate(zip(np.sqrt(fit.variances[0]).tolist(), units * 2, strict=True))
    )
    constant, proportional = _line_parts(cells, fit, float(offset), n) if straight else (None, None)
    bands = _bands(cells, fit, float(offset), confidence, straight)
    return RangeResult(parts, constant, proportional, bands, notes)


def _line_parts(cells: CellMeans, fit: RangeFits, offset: float, n: int) -> tuple[Estimate, Estimate]:
    """Constant and proportional bias."""
    errors = np.sqrt(np.diagonal(fit.beta_covariance[0])).tolist()
    (b0, b1), df = fit.beta[0].tolist(), float(cells.runs - 1)
    return (
        Estimate.of_mean(b0 + offset, errors[0], df, n=n, units=cells.runs, source=SOURCE),
        Estimate.of_mean(b1 / cells.top, errors[1] / cells.top, df, n=n, units=cells.runs, source=SOURCE),
    )


def _why_not(cells: CellMeans, x: Floats) -> str:
    """Why there is no model; empty where there is one."""
    if x.min() < 0:
        return "A level lies below zero: the model over the range takes none."
    if cells.places.size < 2:
        return "All readings are at one level: a model over the range takes two levels or more."
    if cells.runs < 3:
        return f"{cells.runs} {'run' if cells.runs == 1 else 'runs'}: a model over the range takes three runs or more."
    if not (cells.n > 1).any():
        return "No run holds two readings of a level: runs are not told apart from readings."
    if float(cells.squares.sum()) <= 1e-24 * float((cells.mean**2).sum()) or not cells.squares.any():
        return "Readings of one run at a level all agree: no scatter within runs can be fitted."
    if np.unique(cells.x[(cells.n > 1) & (cells.squares[0] > 0)]).size < 2:
        return "Readings of one run scatter at one level only: how that scatter goes with the level cannot be fitted."
    return ""


def misfit(cells: CellMeans, fit: RangeFits) -> float:
    """p of an F test: what is left of the cell means beside lines of the runs and means of the levels, against s_r.

    Parameters
    ----------
    cells, fit : of one study, in one unit

    Returns
    -------
    float, probability; 1 where nothing is left

    Raises
    ------
    None.

    References
    ----------
    Fisher's F (textbook), with the fitted s_r as weights.
    """
    weights = np.sqrt(cells.n / fit.within(cells.x)[0])
    design = np.hstack([cells.indicator, cells.indicator * cells.x[:, None], cells.at]) * weights[:, None]
    left = cells.x.size - int(np.linalg.matrix_rank(design))
    if left < 1:
        return 1.0
    y = weights * cells.mean[0]
    residual = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    return _against_within(cells, fit, float(residual @ residual), left)


def curved(cells: CellMeans, fit: RangeFits) -> float:
    """p of an F test: the means of the levels about the line of the bias, by their fitted covariance.

    Parameters
    ----------
    cells, fit : of one study, in one unit

    Returns
    -------
    float, probability; 1 with two levels

    Raises
    ------
    None.

    References
    ----------
    Fisher's F (textbook), with the degrees of freedom of s_r: lines of the runs hardly enter what departs from a line.
    """
    left = cells.places.size - 2
    return _against_within(cells, fit, float(fit.curvature[0]), left) if left else 1.0


def _against_within(cells: CellMeans, fit: RangeFits, squares: float, df: int) -> float:
    """p of F of a weighted sum of squares against the scatter of the readings within runs."""
    df_within = float((cells.n - 1).sum())
    within = float((cells.squares[0] / fit.within(cells.x)[0]).sum() / df_within)
    return float(special.fdtrc(df, df_within, squares / df / within))


def _profile(cells: CellMeans, fit: RangeFits, part: int, unit: float) -> Profiled:
    """The deviance of one part over multiples of its estimate, the other parts fitted again at each."""
    value = sqrt(fit.variances[0, part])
    values = _MULTIPLES * (value or sqrt(float(fit.variances[0].max())))
    start = np.repeat(fit.variances, values.size, axis=0)
    start[:, part] = values**2
    held = np.zeros(start.shape, dtype=bool)
    held[:, part] = True
    mean, squares = (np.repeat(array, values.size, axis=0) for array in (cells.mean, cells.squares))
    profile = fit_over_levels(replace(cells, mean=mean, squares=squares), start=start, held=held, close=_CLOSE_PROFILE)
    rises = np.maximum(profile.deviance - fit.deviance[0], 0.0)
    return Profiled(tuple((values / unit).tolist()), tuple(rises.tolist()), value / unit)


def _bands(cells: CellMeans, fit: RangeFits, offset: float, confidence: float, straight: bool) -> Bands:
    """Bands of the three curves, of the bias where it is straight, from studies drawn from the fit and fitted again."""
    x = np.unique(np.concatenate([_GRID[cells.x.min() <= _GRID], cells.x]))
    rng, one, share = np.random.default_rng(_SEED), np.zeros(DRAWS, dtype=int), (1 + confidence) / 2
    # Truths that the study does not refute, and what a study of each would say of it: from the fit alone, as if it
    # were the truth, the bands hold too little.
    again = fit.studies(one)
    truths = fit_over_levels(cells.redrawn(again, rng), start=again.variances, close=_CLOSE_DRAWN)
    drawn = fit_over_levels(cells.redrawn(truths, rng), start=truths.variances, close=_CLOSE_DRAWN)
    curves = []
    for of in (RangeFits.within, RangeFits.total):
        s, truth, second = (np.log(np.maximum(of(each, x), 1e-300)) / 2 for each in (fit, truths, drawn))
        low, high = simultaneous(second - truth, share)
        curves.append(np.exp(np.stack([s[0], s[0] - high, s[0] - low])))
    if not straight:
        return Bands(x * cells.top, curves[0], curves[1], None, confidence)
    (line, error), (lines, errors) = fit.bias(x), drawn.bias(x)
    low, high = simultaneous((lines - truths.bias(x)[0]) / errors, share)
    bias = np.stack([line[0], line[0] - high * error[0], line[0] - low * error[0]]) + offset
    return Bands(x * cells.top, curves[0], curves[1], bias, confidence)


def simultaneous(deviations: Floats, confidence: float) -> tuple[Floats, Floats]:
    """Bounds within which `confidence` of all curves lie everywhere, at one rank from both ends at every place.

    Parameters
    ----------
    deviations : shape (curves, places), of any one unit
    confidence : share of the curves

    Returns
    -------
    low, high : each of shape (places,)

    Raises
    ------
    None.

    References
    ----------
    Mandel and Betensky 2008, Comput. Stat. Data Anal. 52, 2158 (from memory).
    """
    curves = len(deviations)
    ranks = deviations.argsort(axis=0).argsort(axis=0) + 1
    nearest = np.minimum(ranks, curves + 1 - ranks).min(axis=1)
    rank = max(1, int(np.quantile(nearest, 1 - confidence, method="lower")))
    ordered = np.sort(deviations, axis=0)
    return ordered[rank - 1], ordered[curves - rank]
