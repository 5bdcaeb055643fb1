"""Precision between laboratories at one level: ISO 5725-2, unequal numbers of readings, runs within laboratories.

Neither scipy nor statsmodels has the intervals of unequal nested data; for the mean squares see `one_way`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from validation.stats.confidence import Component
from validation.stats.estimate import LIMIT_FACTOR, Estimate, Number, centre
from validation.stats.one_way import ALL_ALIKE, WITHIN_HIDDEN, root_of_sum

#: Under this many laboratories a reproducibility limit is not claimed. Common practice; ISO 5725-1 advises 8 to 15.
FEWEST_LABORATORIES = 8

_MEAN = "ISO 5725-2 (from memory), general mean weighted by the numbers of readings; interval: t over laboratories"
_WITHIN = "ISO 5725-2 (from memory), repeatability variance; interval: chi-square"
_BETWEEN = (
    "ISO 5725-2, between-laboratory variance; interval: modified large sample, Ting et al. 1990 (all from memory)"
)
_RUN = "ISO 5725-3, nested analysis of variance; interval: modified large sample, Ting et al. 1990 (all from memory)"
_TOTAL = (
    "ISO 5725-2, reproducibility variance; interval: modified large sample, Graybill and Wang 1980 (all from memory)"
)
_LIMIT = "ISO 5725-6 (from memory), 1.96 times the square root of 2 times the standard deviation"

MEANS_ALIKE = "The means of the laboratories agree to the last digit: no interval of the general mean can be formed."


@dataclass(frozen=True, slots=True)
class ReproducibilityResult:
    """Precision between laboratories at one level. Everything in the unit of the readings; None where not estimable.

    Attributes
    ----------
    mean : general mean, laboratories weighted by their numbers of readings
    s_r, r : repeatability standard deviation (within runs, where there are runs) and limit
    s_run : between runs of one laboratory; None without runs
    s_L : between laboratories
    s_R, R : reproducibility standard deviation (sum of all components) and limit
    mean_squares : laboratory, run, residual mean squares of the analysis of variance (None where without freedom)
    degrees_of_freedom : of the same
    coefficients : k1, k2, k3 of the expected mean squares; without runs (None, None, n-bar-bar)
    components : laboratory, run and residual variance before truncation at 0
    laboratories, n : counts
    notes : whole sentences an auditor must be told
    """

    mean: Estimate
    s_r: Estimate | None
    s_run: Estimate | None
    s_L: Estimate | None
    s_R: Estimate | None
    r: Estimate | None
    R: Estimate | None
    mean_squares: tuple[float | None, float | None, float | None]
    degrees_of_freedom: tuple[int, int, int]
    coefficients: tuple[float | None, float | None, float | None]
    components: tuple[float | None, float | None, float | None]
    laboratories: int
    n: int
    notes: tuple[str, ...] = ()


def reproducibility(laboratories: Sequence[Sequence[Number]]) -> ReproducibilityResult:
    """Repeatability and reproducibility at one level, laboratories with equal or unequal numbers of readings.

    Parameters
    ----------
    laboratories : shape (p,) of sequences, p >= 1, each of one or more readings in one unit

    Returns
    -------
    ReproducibilityResult, in the unit of the readings. With one laboratory only mean, s_r and r; without replicates
    only mean, s_R and R.

    Raises
    ------
    ValueError
        No laboratory, an empty one, or a number that is not finite.

    References
    ----------
    ISO 5725-2:1994, 7.4: s_L^2 = (s_d^2 - s_r^2) / n-bar-bar, n-bar-bar = (N - sum n_i^2 / N) / (p - 1).

    Examples
    --------
    Sulfur in coal, ISO 5725-2:1994, Annex B, example 1, level 1 (from memory): prints m 0.690, s_r 0.015, s_R 0.026.

    >>> result = reproducibility(
    ...     [
    ...         [0.71, 0.71, 0.70, 0.71],
    ...         [0.69, 0.67, 0.68],
    ...         [0.66, 0.65, 0.69],
    ...         [0.67, 0.65, 0.66],
    ...         [0.70, 0.69, 0.66, 0.71, 0.69],
    ...         [0.73, 0.74, 0.73],
    ...         [0.71, 0.71, 0.69],
    ...         [0.70, 0.65, 0.68],
    ...     ]
    ... )
    >>> [f"{estimate.value:.3f}" for estimate in (result.mean, result.s_r, result.s_R)]
    ['0.690', '0.015', '0.026']
    """
    return nested_reproducibility([[list(values)] for values in laboratories], runs_known=False)


def nested_reproducibility(
    laboratories: Sequence[Sequence[Sequence[Number]]], *, runs_known: bool = True
) -> ReproducibilityResult:
    """Three-stage nested analysis of variance: laboratory, run within laboratory, reading within run.

    Parameters
    ----------
    laboratories : shape (p,) of runs of readings: `laboratories[i][j]` are the readings of run j of laboratory i
    runs_known : whether the runs were recorded; without them each laboratory holds one group and runs go unmentioned

    Returns
    -------
    ReproducibilityResult, in the unit of the readings

    Raises
    ------
    ValueError
        No laboratory, an empty laboratory or run, or a number that is not finite.

    References
    ----------
    Expected mean squares of unequal nested data: Searle, Casella and McCulloch 1992, 3.5 and appendix F (clauses from
    memory); ISO 5725-3 for balanced data. Intervals of unbalanced data use unweighted means (Burdick and Graybill
    1992, 5.4, from memory) in the linear combination of Graybill and Wang 1980, J. Am. Stat. Assoc. 75, 869.
    """
    if not laboratories or any(not runs or any(len(run) == 0 for run in runs) for runs in laboratories):
        raise ValueError("laboratories must hold at least one laboratory, each with readings in every run")
    stages = _Stages.of(laboratories)
    v_L, v_run, v_r = stages.components
    runs_below, laboratories_below = _below_zero("runs", v_run), _below_zero("laboratories", v_L)
    indicative = _indicative(stages.p)
    s_r = None if v_r is None else _within(stages, v_r)
    s_run = None if v_run is None else _between_runs(stages, v_run).with_notes(*runs_below)
    s_L = None if v_L is None else _between_laboratories(stages, v_L).with_notes(*laboratories_below)
    s_R = None if stages.p == 1 else _total(stages).with_notes(*runs_below, *laboratories_below, *indicative)
    return ReproducibilityResult(
        mean=_general_mean(stages),
        s_r=s_r,
        s_run=s_run,
        s_L=s_L,
        s_R=s_R,
        r=None if s_r is None else _limit(s_r),
        R=None if s_R is None else _limit(s_R),
        mean_squares=stages.mean_squares,
        degrees_of_freedom=stages.df,
        coefficients=stages.coefficients if stages.df[1] else (None, None, stages.coefficients[2]),
        components=stages.components,
        laboratories=stages.p,
        n=stages.n,
        notes=(*_design_notes(stages, runs_known), *runs_below, *laboratories_below, *indicative),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Stages:
    """The nested analysis of variance, after exact centring on `offset`.

    Attributes
    ----------
    run_counts, run_means, owner : shape (runs,); `owner` is the position of a run's laboratory
    counts, means : shape (p,), of the laboratories
    df, mean_squares : laboratories, runs, residual; a mean square is None without degrees of freedom
    """

    offset: Fraction
    run_counts: NDArray[np.int_]
    run_means: NDArray[np.float64]
    owner: NDArray[np.int_]
    counts: NDArray[np.float64]
    means: NDArray[np.float64]
    mean: float
    df: tuple[int, int, int]
    mean_squares: tuple[float | None, float | None, float | None]

    @classmethod
    def of(cls, laboratories: Sequence[Sequence[Sequence[Number]]]) -> _Stages:
        offset, flat = centre([value for runs in laboratories for run in runs for value in run], "laboratories")
        sizes = np.array([len(run) for runs in laboratories for run in runs])
        owner = np.repeat(np.arange(len(laboratories)), [len(runs) for runs in laboratories])
        parts = np.split(flat, np.cumsum(sizes)[:-1])
        of_runs = np.array([_mean(part) for part in parts])
        counts = np.bincount(owner, weights=sizes).astype(float)
        means = np.bincount(owner, weights=sizes * of_runs) / counts
        mean = float(np.average(means, weights=counts))
        squares = (
            (counts * (means - mean) ** 2).sum(),
            (sizes * (of_runs - means[owner]) ** 2).sum(),
            sum(((part - m) ** 2).sum() for part, m in zip(parts, of_runs, strict=True)),
        )
        df = (counts.size - 1, sizes.size - counts.size, flat.size - sizes.size)
        laboratory, run, residual = (float(ss) / free if free else None for ss, free in zip(squares, df, strict=True))
        return cls(offset, sizes, of_runs, owner, counts, means, mean, df, (laboratory, run, residual))

    @property
    def p(self) -> int:
        return self.counts.size

    @property
    def n(self) -> int:
        return int(self.run_counts.sum())

    @property
    def balanced(self) -> bool:
        return len(set(self.run_counts.tolist())) == 1 and len(set(np.bincount(self.owner).tolist())) == 1

    @property
    def coefficients(self) -> tuple[float, float, float]:
        """k1, k2, k3 of E(MS_run) = s_r2 + k1 s_run2, E(MS_laboratory) = s_r2 + k2 s_run2 + k3 s_L2."""
        squares, (df_laboratory, df_run, _) = self.run_counts.astype(float) ** 2, self.df
        within, overall = float((np.bincount(self.owner, weights=squares) / self.counts).sum()), squares.sum() / self.n
        k1 = (self.n - within) / df_run if df_run else 1.0
        if not df_laboratory:
            return k1, 1.0, 1.0
        k3 = (self.n - float((self.counts**2).sum()) / self.n) / df_laboratory
        return k1, float(within - overall) / df_laboratory, k3

    @property
    def components(self) -> tuple[float | None, float | None, float | None]:
        """Variances between laboratories, between runs and residual, before any is set to 0."""
        (between, run, residual), (k1, k2, k3) = self.mean_squares, self.coefficients
        v_run = None if run is None or residual is None else (run - residual) / k1
        if between is None:
            return None, v_run, residual
        if run is None:
            return None if residual is None else (between - residual) / k3, None, residual
        if v_run is None or residual is None:  # runs of single readings: run and residual act as one
            return (between - k2 / k1 * run) / k3, None, residual
        return (between - residual - k2 * v_run) / k3, v_run, residual


@dataclass(frozen=True, slots=True)
class _Unweighted:
    """Variances of unweighted means: E(v_run) = s_run2 + w s_r2 and E(v_laboratory) = s_L2 + c2 s_run2 + c1 s_r2."""

    v_laboratory: float
    v_run: float
    w: float
    c1: float
    c2: float

    @classmethod
    def of(cls, stages: _Stages) -> _Unweighted:
        owner, (df_laboratory, df_run, _) = stages.owner, stages.df
        runs_each, inverse = np.bincount(owner), np.bincount(owner, weights=1.0 / stages.run_counts)
        plain, c1 = np.bincount(owner, weights=stages.run_means) / runs_each, float((inverse / runs_each**2).mean())
        v_laboratory = float(plain.var(ddof=1)) if df_laboratory else 0.0
        if not df_run:
            return cls(v_laboratory, 0.0, 0.0, c1, 0.0)
        v_run = float(((stages.run_means - plain[owner]) ** 2).sum()) / df_run
        w = float(((runs_each - 1) * inverse / runs_each).sum() / df_run)
        return cls(v_laboratory, v_run, w, c1, float((1.0 / runs_each).mean()))


def _mean(part: NDArray[np.float64]) -> float:
    first = float(part.mean())
    return first + float((part - first).mean())


def _design_notes(stages: _Stages, runs_known: bool) -> list[str]:
    notes, (_, df_run, df_residual) = [], stages.df
    if stages.p == 1:
        notes.append(
            "There is one laboratory only: s_L, s_R and R need at least two, and are usually claimed from "
            f"{FEWEST_LABORATORIES} on."
        )
    if df_residual == 0:
        where = "run" if df_run else "laboratory"
        notes.append(f"Each {where} holds a single reading: s_r and r are not estimated; replicates would supply them.")
        if stages.p > 1 and not df_run:
            notes.append(
                "Without replicates s_R is the standard deviation of the single readings, and s_L is not set apart."
            )
    if runs_known and df_run == 0:
        notes.append("Each laboratory holds one run: the component between runs cannot be told from the laboratory's.")
    if not stages.balanced:
        notes.append(
            "The numbers of readings differ: the components follow the formulas for unequal numbers, and their "
            "intervals use unweighted means."
        )
    return notes


def _below_zero(what: str, variance: float | None) -> tuple[str, ...]:
    if variance is None or variance >= 0:
        return ()
    return (f"The variance between {what} came out negative ({variance:.3g}) and was set to 0.",)


def _indicative(p: int) -> tuple[str, ...]:
    if p == 1 or p >= FEWEST_LABORATORIES:
        return ()
    return (f"R is indicative: it rests on {p} laboratories, fewer than {FEWEST_LABORATORIES}.",)


def _unequal(stages: _Stages) -> tuple[str, ...]:
    return () if stages.balanced else ("The numbers of readings differ: the interval uses unweighted means.",)


def _general_mean(stages: _Stages) -> Estimate:
    """Weighted mean; variance from the laboratories' own deviations: s^2 / p of their means when balanced."""
    n, p, value = stages.n, stages.p, float(stages.offset + Fraction(stages.mean))
    if p == 1:
        note = "There is one laboratory only: the general mean carries no interval between laboratories."
        return Estimate(value, n=n, units=1, notes=(note,), source=_MEAN)
    share = stages.counts / n
    error = sqrt(float((share**2 * (stages.means - stages.mean) ** 2 / (1 - share)).sum()))
    notes = () if stages.balanced else ("The numbers of readings differ: each reading counts the same in the mean.",)
    if error == 0:
        return Estimate(value, n=n, units=p, notes=(MEANS_ALIKE, *notes), source=_MEAN)
    return Estimate.of_mean(value, error, float(stages.df[0]), n=n, units=p, notes=notes, source=_MEAN)


def _within(stages: _Stages, variance: float) -> Estimate:
    notes = () if variance > 0 else (ALL_ALIKE,)
    return Estimate.of_sd(sqrt(variance), stages.df[2], n=stages.n, units=stages.p, notes=notes, source=_WITHIN)


def _between_runs(stages: _Stages, variance: float) -> Estimate:
    _, df_run, df_residual = stages.df
    plain, residual = _Unweighted.of(stages), stages.mean_squares[2] or 0.0
    component = Component(_root(variance), plain.v_run / plain.w, residual, df_run, df_residual, 1 / plain.w)
    return _of_component(stages, component, "runs", _RUN)


def _between_laboratories(stages: _Stages, variance: float) -> Estimate:
    """Two mean squares decide s_L: that of the laboratories, and the next stage down (runs, else readings)."""
    df_laboratory, df_run, df_residual = stages.df
    plain = _Unweighted.of(stages)
    if df_run:
        # The small part (c1 - c2 w) s_r2 that unequal counts leave over is 0 when balanced and is neglected here.
        scale, below, df = plain.c2, plain.v_run, df_run
    else:
        scale, below, df = plain.c1, stages.mean_squares[2] or 0.0, df_residual
    component = Component(_root(variance), plain.v_laboratory / scale, below, df_laboratory, df, 1 / scale)
    return _of_component(stages, component, "laboratories", _BETWEEN)


def _root(variance: float) -> float:
    return sqrt(max(0.0, variance))


def _of_component(stages: _Stages, component: Component, what: str, source: str) -> Estimate:
    notes = (*_luck(what, component.ms_between, component.ms_within), *_unequal(stages))
    return Estimate(component.value, component, n=stages.n, units=stages.p, notes=notes, source=source)


def _luck(what: str, above: float, below: float) -> tuple[str, ...]:
    """Where the means agree so well, or the readings so wholly, that the bound is not taken at its word."""
    if below == 0:
        return (ALL_ALIKE,) if above == 0 else (WITHIN_HIDDEN,)
    if above >= below:
        return ()
    return (
        f"The means of the {what} agree better than the scatter below them explains: the upper end of the interval "
        "does not follow that luck towards zero; it is held at a lower point of F.",
    )


def _total(stages: _Stages) -> Estimate:
    """s_R: the components added, negative ones as 0; interval of the sum of mean squares with the same expectation."""
    plain, residual = _Unweighted.of(stages), stages.mean_squares[2] or 0.0
    w, c1, c2 = plain.w, plain.c1, plain.c2
    # What the stages below put into the means of a stage: a component below zero must not narrow the bound.
    raised_run = max(plain.v_run, w * residual)
    raised_laboratory = max(plain.v_laboratory, c2 * raised_run + (c1 - c2 * w) * residual)
    df_laboratory, df_run, df_residual = map(float, stages.df)
    rows = [
        (1.0, plain.v_laboratory, raised_laboratory, df_laboratory),
        (1 - c2, plain.v_run, raised_run, df_run),
        (max(0.0, 1 - w - c1 + c2 * w), residual, residual, df_residual),
    ]
    # A stage without degrees of freedom does not exist; its coefficient is 0 but for rounding.
    coefficients, squares, raised, dfs = zip(*(row for row in rows if row[3] > 0), strict=True)
    s = sqrt(_sum_of_components(stages, plain))
    notes = (*(() if s > 0 else (ALL_ALIKE,)), *_unequal(stages))
    terms = (coefficients, squares, dfs)
    return root_of_sum(s, terms, raised, n=stages.n, units=stages.p, notes=notes, source=_TOTAL)


def _sum_of_components(stages: _Stages, plain: _Unweighted) -> float:
    (v_L, v_run, v_r), (_, ms_run, _) = stages.components, stages.mean_squares
    if v_r is not None:
        return sum(max(0.0, part) for part in (v_L, v_run, v_r) if part is not None)
    if v_L is not None and ms_run is not None:
        return max(0.0, v_L) + ms_run
    return plain.v_laboratory


def _limit(s: Estimate) -> Estimate:
    return replace(s.scaled(LIMIT_FACTOR), source=_LIMIT)
