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
from validation.stats.mean_squares import Floats
from validation.stats.nested_stages import NestedStages
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
    study = _Study.of(laboratories)
    stages = study.stages
    components = v_L, v_run, v_r = _of_one(stages.components)
    runs_below, laboratories_below = _below_zero("runs", v_run), _below_zero("laboratories", v_L)
    indicative = _indicative(stages.p)
    s_r = None if v_r is None else _within(stages, v_r)
    s_run = None if v_run is None else _component(stages, v_run, stages.run_terms, "runs", _RUN).with_notes(*runs_below)
    s_L = None
    if v_L is not None:
        s_L = _component(stages, v_L, stages.laboratory_terms, "laboratories", _BETWEEN).with_notes(*laboratories_below)
    s_R = None if stages.p == 1 else _total(stages).with_notes(*runs_below, *laboratories_below, *indicative)
    return ReproducibilityResult(
        mean=_general_mean(study),
        s_r=s_r,
        s_run=s_run,
        s_L=s_L,
        s_R=s_R,
        r=None if s_r is None else _limit(s_r),
        R=None if s_R is None else _limit(s_R),
        mean_squares=_of_one(stages.mean_squares),
        degrees_of_freedom=stages.df,
        coefficients=stages.coefficients if stages.df[1] else (None, None, stages.coefficients[2]),
        components=components,
        laboratories=stages.p,
        n=stages.n,
        notes=(*_design_notes(stages, runs_known), *runs_below, *laboratories_below, *indicative),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Study:
    """The stages of one study, and the exact offset of its readings."""

    offset: Fraction
    stages: NestedStages

    @classmethod
    def of(cls, laboratories: Sequence[Sequence[Sequence[Number]]]) -> _Study:
        offset, flat = centre([value for runs in laboratories for run in runs for value in run], "laboratories")
        layout = [[len(run) for run in runs] for runs in laboratories]
        return cls(offset, NestedStages.of(flat[None, :], layout))


Three = tuple[float | None, float | None, float | None]


def _of_one(values: Sequence[NDArray[np.float64] | None]) -> Three:
    """Three values of the only study."""
    first, second, third = (None if value is None else float(value[0]) for value in values)
    return first, second, third


def _design_notes(stages: NestedStages, runs_known: bool) -> list[str]:
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


def _unequal(stages: NestedStages) -> tuple[str, ...]:
    return () if stages.balanced else ("The numbers of readings differ: the interval uses unweighted means.",)


def _general_mean(study: _Study) -> Estimate:
    """Weighted mean; variance from the laboratories' own deviations: s^2 / p of their means when balanced."""
    stages = study.stages
    n, p, value = stages.n, stages.p, float(study.offset + Fraction(float(stages.mean[0])))
    if p == 1:
        note = "There is one laboratory only: the general mean carries no interval between laboratories."
        return Estimate(value, n=n, units=1, notes=(note,), source=_MEAN)
    error = float(stages.mean_error[0])
    notes = () if stages.balanced else ("The numbers of readings differ: each reading counts the same in the mean.",)
    if error == 0:
        return Estimate(value, n=n, units=p, notes=(MEANS_ALIKE, *notes), source=_MEAN)
    return Estimate.of_mean(value, error, float(stages.df[0]), n=n, units=p, notes=notes, source=_MEAN)


def _within(stages: NestedStages, variance: float) -> Estimate:
    notes = () if variance > 0 else (ALL_ALIKE,)
    return Estimate.of_sd(sqrt(variance), stages.df[2], n=stages.n, units=stages.p, notes=notes, source=_WITHIN)


def _component(
    stages: NestedStages, variance: float, terms: tuple[Floats, Floats, int, int, float], what: str, source: str
) -> Estimate:
    """The standard deviation of a component from its variance before it is set to 0, and the terms of its interval."""
    above, below, *rest = terms
    component = Component(sqrt(max(0.0, variance)), float(above[0]), float(below[0]), *rest)
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


def _total(stages: NestedStages) -> Estimate:
    """s_R: the components added, negative ones as 0; interval of the sum of mean squares with the same expectation."""
    coefficients, *values, dfs = stages.total_terms
    squares, raised = (tuple(float(value[0]) for value in row) for row in values)
    s = sqrt(float(stages.total[0]))
    notes = (*(() if s > 0 else (ALL_ALIKE,)), *_unequal(stages))
    terms = (coefficients, squares, tuple(map(float, dfs)))
    return root_of_sum(s, terms, raised, n=stages.n, units=stages.p, notes=notes, source=_TOTAL)


def _limit(s: Estimate) -> Estimate:
    return replace(s.scaled(LIMIT_FACTOR), source=_LIMIT)
