"""Effects of the factors of a two-level screening experiment, with intervals, with and without replicates.

The fit is numpy's `lstsq`; statsmodels `OLS` gives the same effects to 8e-15 and takes 0.2 s to import. Lenth's
analysis is in neither library (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, special

from validation.stats.confidence import Ratio
from validation.stats.estimate import Estimate, Number, centre, check_sizes
from validation.stats.intervals import check_confidence, fieller, t_quantile
from validation.stats.two_level_designs import contrasts
from validation.stats.two_means import FIELLER

EFFECT_SOURCE = (
    "effect = mean high - mean low, by least squares; Student t on the scatter of replicates (Box, Hunter and Hunter, "
    "Statistics for Experimenters; from memory)"
)
LENTH_SOURCE = "Lenth 1989, Technometrics 31, 469: pseudo standard error, t on m/3 degrees of freedom (from memory)"
RATIO_SOURCE = f"effect / overall mean, interval by {FIELLER}"
SD_SOURCE = "pooled within trials; chi-square interval"
BY_LENTH = (
    "No trial was repeated: the interval rests on Lenth's pseudo standard error, which takes most of the effects to be "
    "nothing but scatter; repeating the design would supply an interval that does not."
)
ALIKE = (
    "The replicates agree to the last digit written, so that no scatter can be seen and no interval formed. Readings "
    "with more digits would supply it."
)
NO_SCATTER = (
    "No trial was repeated and the settings are not balanced, so that no interval can be formed. Repeating the design "
    "would supply it."
)
TOO_FEW = "Fewer than three contrasts: no pseudo standard error can be formed. Repeating the design would supply one."
BLOCKS_OUT = (
    "Differences between the {blocks} blocks (runs or days) are taken out: every trial is compared within its block."
)
MEAN_NEAR_ZERO = "The overall mean is not clear of zero, so that no effect can be given as a share of it."
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class LenthResult:
    """Lenth's analysis of contrasts of one variance, in their unit.

    Attributes
    ----------
    s0 : 1.5 times the median of the absolute contrasts
    pse : pseudo standard error, 1.5 times the median of those below 2.5 s0
    m : number of contrasts
    """

    s0: float
    pse: float
    m: int

    @property
    def degrees_of_freedom(self) -> float:
        return self.m / 3

    def margin(self, level: float) -> float:
        """Margin of error of one contrast at this level of confidence."""
        check_confidence(level)
        return self.pse * t_quantile((1 + level) / 2, self.degrees_of_freedom)

    def simultaneous_margin(self, level: float) -> float:
        """Margin of error of all contrasts together at this level of confidence."""
        check_confidence(level)
        return self.pse * t_quantile((1 + level ** (1 / self.m)) / 2, self.degrees_of_freedom)


@dataclass(frozen=True, slots=True)
class DesignCheck:
    """What the settings of the readings say about the design; factors by their position.

    Attributes
    ----------
    trials : different settings
    replicates : fewest and most readings of one trial
    counts : readings at low and high of each factor
    constant : factors that were never varied
    twins : pairs of factors that were always varied together, alike (+1) or oppositely (-1)
    leaning : pairs that are correlated, but not wholly
    inseparable : factors whose effect cannot be told from the others', twins included
    orthogonal : balanced and uncorrelated throughout, every trial read equally often
    """

    trials: int
    replicates: tuple[int, int]
    counts: tuple[tuple[int, int], ...]
    constant: tuple[int, ...]
    twins: tuple[tuple[int, int, int], ...]
    leaning: tuple[tuple[int, int, float], ...]
    inseparable: tuple[int, ...]
    orthogonal: bool


@dataclass(frozen=True, slots=True)
class EffectsResult:
    """Effects of a screening experiment; the entries of `effects` and `relative` follow the factors.

    Attributes
    ----------
    mean : overall mean, half way between low and high of every factor; None where it cannot be told from a factor
    effects : change from low to high in the unit of the readings; None where it cannot be estimated
    relative : effect / overall mean; None where the mean is 0 or not estimated. Where the mean is not clear of zero at
        a level, there is no interval at that level
    residual_sd : scatter within trials, blocks taken out; None without replicates
    lenth : Lenth's analysis of `contrasts`; None for fewer than three contrasts or a design out of balance
    contrasts : members and value of each contrast at right angles, factors first, interactions after
    route : what the intervals rest on: "replicates", "Lenth" or "none"
    blocks_out : how many blocks are taken out; 0 without blocks, or where they cannot be separated
    blocks_left : blocks given, but not separable from the trials
    check : the design as the settings show it
    """

    mean: float | None
    effects: tuple[Estimate | None, ...]
    relative: tuple[Estimate | None, ...]
    residual_sd: Estimate | None
    lenth: LenthResult | None
    contrasts: tuple[tuple[tuple[int, ...], float], ...]
    route: str
    blocks_out: int
    blocks_left: bool
    check: DesignCheck


def lenth(values: ArrayLike) -> LenthResult:
    """Pseudo standard error of contrasts of one variance.

    Parameters
    ----------
    values : shape (m,), m >= 3, the contrasts (effects), all of one variance

    Returns
    -------
    LenthResult, in the unit of the contrasts

    Raises
    ------
    ValueError
        Fewer than three contrasts, or one that is not finite.

    References
    ----------
    Lenth 1989, Technometrics 31, 469-473: s0, PSE, ME with d = m/3, SME with gamma = (1 + level^(1/m))/2.

    Examples
    --------
    Welding contrasts of Box and Meyer 1986, Lenth 1989, example I (from memory): PSE 0.22 (unrounded 0.225), ME 0.58,
    SME 1.17.

    >>> welding = [0.13, -0.15, 0.3, 0.15, 0.4, -0.03, 0.38, 0.4, -0.05, 0.42, 0.13, 0.13, -0.38, 2.15, 3.1]
    >>> result = lenth(welding)
    >>> round(result.pse, 3), round(result.margin(0.95), 2), round(result.simultaneous_margin(0.95), 2)
    (0.225, 0.58, 1.17)
    """
    sizes = np.abs(np.asarray(values, dtype=float))
    if sizes.ndim != 1 or sizes.size < 3 or not np.all(np.isfinite(sizes)):
        raise ValueError(f"values must be at least three finite contrasts; got {sizes.tolist()}")
    check_sizes(sizes, "values")
    s0 = 1.5 * float(np.median(sizes))
    kept = sizes[sizes < 2.5 * s0]
    return LenthResult(s0, 1.5 * float(np.median(kept)) if kept.size else 0.0, sizes.size)


def half_normal_positions(m: int) -> NDArray[np.float64]:
    """Quantiles of the half-normal distribution against which m sorted absolute contrasts are drawn.

    Parameters
    ----------
    m : int, number of contrasts, 1 or more

    Returns
    -------
    shape (m,), rising: the normal quantile of 1/2 + (i - 1/2)/(2m)

    Raises
    ------
    ValueError
        m below 1.

    References
    ----------
    Daniel 1959, Technometrics 1, 311 (from memory).
    """
    if m < 1:
        raise ValueError(f"m must be at least 1; got {m}")
    return np.asarray(special.ndtri(0.5 + (np.arange(1, m + 1) - 0.5) / (2 * m)), dtype=float)


def check_design(settings: ArrayLike) -> DesignCheck:
    """What the settings of the readings, row by row, show of the design.

    Parameters
    ----------
    settings : shape (n, k), one row a reading, -1 low and +1 high

    Returns
    -------
    DesignCheck

    Raises
    ------
    ValueError
        Settings other than -1 and +1.

    References
    ----------
    Box, Hunter and Hunter, Statistics for Experimenters (balance and orthogonality; from memory).
    """
    x = _settings(settings)
    n, k = x.shape
    _, counts = np.unique(x, axis=0, return_counts=True)
    sides = tuple((int((x[:, j] < 0).sum()), int((x[:, j] > 0).sum())) for j in range(k))
    constant = tuple(j for j in range(k) if 0 in sides[j])
    varied = [j for j in range(k) if j not in constant]
    twins, leaning = [], []
    for a, b in combinations(varied, 2):
        alike = float(x[:, a] @ x[:, b]) / n
        if abs(alike) == 1:
            twins.append((a, b, int(alike)))
        else:
            r = float(np.corrcoef(x[:, a], x[:, b])[0, 1])
            if abs(r) > _ROUNDING:
                leaning.append((a, b, r))
    inseparable = tuple(varied[j - 1] for j in _not_estimable(np.column_stack([np.ones(n), x[:, varied]])) if j > 0)
    balanced = all(low == high for low, high in sides)
    orthogonal = balanced and not twins and not leaning and int(counts.min()) == int(counts.max())
    return DesignCheck(
        len(counts),
        (int(counts.min()), int(counts.max())),
        sides,
        constant,
        tuple(twins),
        tuple(leaning),
        inseparable,
        orthogonal,
    )


def effects(
    values: Sequence[Number], settings: ArrayLike, *, blocks: Sequence[Hashable] | None = None
) -> EffectsResult:
    """Main effects of a two-level experiment by least squares, equal to mean high - mean low where it is balanced.

    Readings of the same settings are replicates: their scatter about the mean of their trial (and block) carries the
    intervals. Without replicates a balanced orthogonal design falls back on Lenth's pseudo standard error.

    Parameters
    ----------
    values : shape (n,), readings as floats or exact decimals, one unit
    settings : shape (n, k), -1 low and +1 high
    blocks : shape (n,), the day or run of each reading; taken out where trials and blocks can be told apart

    Returns
    -------
    EffectsResult

    Raises
    ------
    ValueError
        Shapes that do not agree, settings other than -1 and +1, or fewer than two readings.

    References
    ----------
    Box, Hunter and Hunter, Statistics for Experimenters (effects and their standard error); Lenth 1989.
    """
    x = _settings(settings)
    offset, d = centre(values)
    if d.size != x.shape[0] or (blocks is not None and len(blocks) != d.size) or d.size < 2:
        raise ValueError(
            f"values, settings and blocks must have one entry a reading, two readings or more; got {d.size}, {len(x)}"
        )
    check = check_design(x)
    scatter = _scatter(d, x, blocks)
    fit = _least_squares(d, x, scatter, check)
    mean = None if fit.mean is None else float(offset + Fraction(fit.mean))
    held = _contrasts(d, x) if check.orthogonal else ()
    by_lenth = lenth([value for _, value in held]) if len(held) > 2 else None
    route, s, df = _route(scatter, check, by_lenth)
    source = LENTH_SOURCE if route == "Lenth" else EFFECT_SOURCE
    basis = _Basis(mean, df, d.size, check.trials, _notes(route, scatter, check), source)
    estimates: list[Estimate | None] = [None] * x.shape[1]
    shares: list[Estimate | None] = [None] * x.shape[1]
    for j, (effect, unscaled) in fit.effects.items():
        # The variance of an effect of a balanced design is four times that of the mean.
        spread = s**2 * (np.diag([1.0, 0.25]) if route == "Lenth" else unscaled)
        estimates[j], shares[j] = basis.effect(effect, spread), basis.share(effect, spread)
    return EffectsResult(
        mean,
        tuple(estimates),
        tuple(shares),
        _residual(scatter, check),
        by_lenth,
        held,
        route,
        scatter.blocks,
        scatter.blocks_left,
        check,
    )


def effects_by_lenth(result: EffectsResult) -> tuple[tuple[Estimate | None, ...], ...]:
    """The effects and relative effects of a replicated design again, with Lenth's interval in place of the replicates'.

    Parameters
    ----------
    result : as `effects` gives it, in the unit of the readings

    Returns
    -------
    effects, relative; both empty where the design holds no contrasts for it

    Raises
    ------
    None.

    References
    ----------
    Lenth 1989, Technometrics 31, 469 (from memory).
    """
    by_lenth = result.lenth
    if by_lenth is None or by_lenth.pse == 0:
        return (), ()
    spread = by_lenth.pse**2 * np.diag([1.0, 0.25])
    n = sum(result.check.counts[0])
    basis = _Basis(result.mean, by_lenth.degrees_of_freedom, n, result.check.trials, (), LENTH_SOURCE)
    values = [None if item is None else item.value for item in result.effects]
    estimates = [None if value is None else basis.effect(value, spread) for value in values]
    return tuple(estimates), tuple(None if value is None else basis.share(value, spread) for value in values)


@dataclass(frozen=True, slots=True)
class _Basis:
    """What the intervals of all effects share: the overall mean, the degrees of freedom, counts, notes and source."""

    mean: float | None
    df: float
    n: int
    trials: int
    notes: tuple[str, ...]
    source: str

    def effect(self, value: float, spread: NDArray[np.float64]) -> Estimate:
        """`spread` is the covariance of the effect and the mean, zero where no interval can be formed."""
        if spread[0, 0] <= 0:
            return Estimate(value, n=self.n, units=self.trials, notes=self.notes, source=self.source)
        error = sqrt(float(spread[0, 0]))
        return Estimate.of_mean(
            value, error, self.df, n=self.n, units=self.trials, notes=self.notes, source=self.source
        )

    def share(self, value: float, spread: NDArray[np.float64]) -> Estimate | None:
        """value / mean by Fieller; None without a mean to divide by."""
        if self.mean is None or self.mean == 0:
            return None
        ratio, source = value / self.mean, f"{RATIO_SOURCE}; {self.source}"
        if spread[0, 0] <= 0:
            return Estimate(ratio, n=self.n, units=self.trials, notes=self.notes, source=source)
        (a, b), (c, d) = spread.tolist()
        return Estimate(
            ratio,
            Ratio(value, self.mean, ((a, b), (c, d)), self.df),
            standard_uncertainty=fieller(value, self.mean, spread, degrees_of_freedom=self.df).standard_uncertainty,
            degrees_of_freedom=self.df,
            n=self.n,
            units=self.trials,
            notes=self.notes,
            source=source,
        )


@dataclass(frozen=True, slots=True)
class _Fit:
    """Overall mean less the offset, and each effect with the covariance of it and the mean for a variance of one."""

    mean: float | None
    effects: dict[int, tuple[float, NDArray[np.float64]]]


def _least_squares(d: NDArray[np.float64], x: NDArray[np.float64], scatter: _Scatter, check: DesignCheck) -> _Fit:
    varied = [j for j in range(x.shape[1]) if j not in check.constant]
    model = np.column_stack([np.ones(d.size), x[:, varied] / 2, scatter.block_columns])
    lost = _not_estimable(model)
    coefficients = np.linalg.lstsq(model, d, rcond=None)[0]
    unscaled = np.linalg.pinv(model.T @ model)
    return _Fit(
        None if 0 in lost else float(coefficients[0]),
        {
            j: (float(coefficients[place]), unscaled[np.ix_([place, 0], [place, 0])])
            for place, j in enumerate(varied, 1)
            if place not in lost
        },
    )


@dataclass(frozen=True, slots=True)
class _Scatter:
    """Sum of squares within trials (and blocks), its degrees of freedom, and the block columns of the model."""

    squares: float
    df: int
    block_columns: NDArray[np.float64]
    blocks: int
    blocks_left: bool


def _settings(settings: ArrayLike) -> NDArray[np.float64]:
    x = np.asarray(settings, dtype=float)
    if x.ndim != 2 or not x.size or not np.all(np.abs(x) == 1):
        raise ValueError(f"settings must have one row a reading, of -1 and +1; got shape {x.shape}")
    return x


def _not_estimable(model: NDArray[np.float64]) -> list[int]:
    """Coefficients that the columns leave open: those that some null vector of the model touches."""
    null = linalg.null_space(model, rcond=1e-12 * max(model.shape))
    return [j for j, coefficient in enumerate(null) if np.any(np.abs(coefficient) > 1e-8)]


def _scatter(d: NDArray[np.float64], x: NDArray[np.float64], blocks: Sequence[Hashable] | None) -> _Scatter:
    n = d.size
    trial = np.unique(x, axis=0, return_inverse=True)[1].reshape(-1)
    cells = np.equal.outer(trial, np.unique(trial)).astype(float)
    none = np.zeros((n, 0))
    names = list(dict.fromkeys(blocks)) if blocks is not None else []
    if blocks is not None and len(names) > 1:
        member = np.array([[float(block == name) for name in names] for block in blocks])
        columns = member[:, :-1] - member[:, -1:]
        joint = np.column_stack([cells, columns])
        if np.linalg.matrix_rank(joint) == joint.shape[1] < n:
            return _Scatter(_left_over(joint, d), n - joint.shape[1], columns, len(names), False)
    return _Scatter(_left_over(cells, d), n - cells.shape[1], none, 0, len(names) > 1)


def _left_over(model: NDArray[np.float64], d: NDArray[np.float64]) -> float:
    """Residual sum of squares, zero where only rounding is left."""
    residual = d - model @ np.linalg.lstsq(model, d, rcond=None)[0]
    squares = float(residual @ residual)
    return 0.0 if squares <= (1e-12 * float(np.abs(d).max())) ** 2 * d.size else squares


def _contrasts(d: NDArray[np.float64], x: NDArray[np.float64]) -> tuple[tuple[tuple[int, ...], float], ...]:
    """Contrasts of the means of the trials, each mean high - mean low."""
    design, trial = np.unique(x, axis=0, return_inverse=True)
    trial = trial.reshape(-1)
    means = np.bincount(trial, weights=d) / np.bincount(trial)
    return tuple(
        (members, float(design[:, members].prod(axis=1) @ means) * 2 / len(means)) for members in contrasts(design)
    )


def _route(scatter: _Scatter, check: DesignCheck, by_lenth: LenthResult | None) -> tuple[str, float, float]:
    """What the intervals rest on, the standard deviation (of a reading, or of an effect), its degrees of freedom."""
    if scatter.df > 0:
        return ("replicates", sqrt(scatter.squares / scatter.df), scatter.df) if scatter.squares else ("none", 0.0, 0.0)
    if by_lenth is not None and by_lenth.pse > 0:
        return "Lenth", by_lenth.pse, by_lenth.degrees_of_freedom
    return "none", 0.0, 0.0


def _notes(route: str, scatter: _Scatter, check: DesignCheck) -> tuple[str, ...]:
    notes = list(_blocks_out(scatter))
    if route == "Lenth":
        notes.append(BY_LENTH)
    elif route == "none":
        notes.append(ALIKE if scatter.df > 0 else TOO_FEW if check.orthogonal else NO_SCATTER)
    elif check.replicates[0] < check.replicates[1]:
        notes.append("The trials hold unequal numbers of readings; least squares weighs them by their numbers.")
    return tuple(notes)


def _blocks_out(scatter: _Scatter) -> tuple[str, ...]:
    return (BLOCKS_OUT.format(blocks=scatter.blocks),) if scatter.blocks else ()


def _residual(scatter: _Scatter, check: DesignCheck) -> Estimate | None:
    if scatter.df <= 0:
        return None
    s = sqrt(scatter.squares / scatter.df)
    notes = _blocks_out(scatter) if s > 0 else (ALIKE,)
    return Estimate.of_sd(s, scatter.df, n=sum(check.counts[0]), units=check.trials, notes=notes, source=SD_SOURCE)
