"""Precision between laboratories at one level: ISO 5725-2, unequal numbers of readings, runs within laboratories."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from fractions import Fraction
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from validation.stats.estimate import LIMIT_FACTOR, Number, OldEstimate, centre
from validation.stats.intervals import (
    check_confidence,
    claimed,
    guarded_component_interval,
    guarded_sum_interval,
    satterthwaite,
    sd_interval,
)
from validation.stats.one_way import ALL_ALIKE, WITHIN_HIDDEN

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
    laboratories, runs, n : counts
    notes : whole sentences an auditor must be told
    """

    mean: OldEstimate
    s_r: OldEstimate | None
    s_run: OldEstimate | None
    s_L: OldEstimate | None
    s_R: OldEstimate | None
    r: OldEstimate | None
    R: OldEstimate | None
    mean_squares: tuple[float | None, float | None, float | None]
    degrees_of_freedom: tuple[int, int, int]
    coefficients: tuple[float | None, float | None, float | None]
    components: tuple[float | None, float | None, float | None]
    laboratories: int
    runs: int
    n: int
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return asdict(self)


def reproducibility(laboratories: Sequence[Sequence[Number]], *, confidence: float = 0.95) -> ReproducibilityResult:
    """Repeatability and reproducibility at one level, laboratories with equal or unequal numbers of readings.

    Parameters
    ----------
    laboratories : shape (p,) of sequences, p >= 1, each of one or more readings in one unit
    confidence : level of the two-sided intervals

    Returns
    -------
    ReproducibilityResult, in the unit of the readings. With one laboratory only mean, s_r and r; without replicates
    only mean, s_R and R.

    Raises
    ------
    ValueError
        No laboratory, an empty one, a number that is not finite, or a confidence outside (0, 1).

    References
    ----------
    ISO 5725-2:1994, 7.4: s_L^2 = (s_d^2 - s_r^2) / n-bar-bar, n-bar-bar = (N - sum n_i^2 / N) / (p - 1).
    """
    return nested_reproducibility([[list(values)] for values in laboratories], confidence=confidence, runs_known=False)


def nested_reproducibility(
    laboratories: Sequence[Sequence[Sequence[Number]]], *, confidence: float = 0.95, runs_known: bool = True
) -> ReproducibilityResult:
    """Three-stage nested analysis of variance: laboratory, run within laboratory, reading within run.

    Parameters
    ----------
    laboratories : shape (p,) of runs of readings: `laboratories[i][j]` are the readings of run j of laboratory i
    confidence : level of the two-sided intervals
    runs_known : whether the runs were recorded; without them each laboratory holds one group and runs go unmentioned

    Returns
    -------
    ReproducibilityResult, in the unit of the readings

    Raises
    ------
    ValueError
        No laboratory, an empty laboratory or run, a number that is not finite, or a confidence outside (0, 1).

    References
    ----------
    Expected mean squares of unequal nested data: Searle, Casella and McCulloch 1992, 3.5 and appendix F (clauses from
    memory); ISO 5725-3 for balanced data. Intervals of unbalanced data use unweighted means (Burdick and Graybill
    1992, 5.4, from memory) in the linear combination of Graybill and Wang 1980, J. Am. Stat. Assoc. 75, 869.
    """
    check_confidence(confidence)
    if not laboratories or any(not runs or any(len(run) == 0 for run in runs) for runs in laboratories):
        raise ValueError("laboratories must hold at least one laboratory, each with readings in every run")
    cells = _Cells(laboratories)
    notes = list(_design_notes(cells, runs_known))
    residual, run, between = cells.ms_residual, cells.ms_run, cells.ms_laboratory
    v_r = residual
    v_run = None if run is None or residual is None else (run - residual) / cells.k1
    v_L = None
    if between is not None:
        if run is None:
            v_L = None if residual is None else (between - residual) / cells.k3
        elif v_run is not None and residual is not None:
            v_L = (between - residual - cells.k2 * v_run) / cells.k3
        else:  # runs of single readings: run and residual act as one
            v_L = (between - cells.k2 / cells.k1 * run) / cells.k3
    truncated = tuple(
        f"The variance between {what} came out negative ({value:.3g}) and was set to 0."
        for what, value in (("runs", v_run), ("laboratories", v_L))
        if value is not None and value < 0
    )
    notes.extend(truncated)
    indicative = _indicative(cells.p)
    s_r = None if v_r is None else _within(cells, v_r, confidence)
    s_run = (
        None
        if v_run is None
        else _between_runs(cells, v_run, confidence).with_notes(*truncated[:1] if v_run < 0 else ())
    )
    s_L = (
        None
        if v_L is None
        else _between_laboratories(cells, v_L, confidence).with_notes(*truncated[-1:] if v_L < 0 else ())
    )
    s_R = None if between is None else _total(cells, (v_L, v_run, v_r), confidence)
    if s_R is not None:
        s_R = s_R.with_notes(*truncated, *indicative)
    return ReproducibilityResult(
        mean=_general_mean(cells, confidence),
        s_r=s_r,
        s_run=s_run,
        s_L=s_L,
        s_R=s_R,
        r=None if s_r is None else _limit(s_r),
        R=None if s_R is None else _limit(s_R),
        mean_squares=(between, run, residual),
        degrees_of_freedom=(cells.df_laboratory, cells.df_run, cells.df_residual),
        coefficients=(cells.k1 if cells.df_run else None, cells.k2 if cells.df_run else None, cells.k3),
        components=(v_L, v_run, v_r),
        laboratories=cells.p,
        runs=int(cells.run_counts.size),
        n=cells.n,
        notes=tuple(notes) + indicative,
    )


class _Cells:
    """Sums of squares, degrees of freedom and coefficients of the nested layout, formed from exact differences."""

    def __init__(self, laboratories: Sequence[Sequence[Sequence[Number]]]):
        self.offset, flat = centre([value for runs in laboratories for run in runs for value in run], "laboratories")
        self.run_counts = np.array([len(run) for runs in laboratories for run in runs])
        self.owner = np.repeat(np.arange(len(laboratories)), [len(runs) for runs in laboratories])
        self.p = len(laboratories)
        self.n = int(self.run_counts.sum())
        parts = np.split(flat, np.cumsum(self.run_counts)[:-1])
        self.run_means = np.array([_mean(part) for part in parts])
        self.ss_residual = float(sum(((part - m) ** 2).sum() for part, m in zip(parts, self.run_means, strict=True)))
        self.counts = np.bincount(self.owner, weights=self.run_counts)
        self.runs_each = np.bincount(self.owner)
        self.means = np.bincount(self.owner, weights=self.run_counts * self.run_means) / self.counts
        self.mean = float(np.average(self.means, weights=self.counts))
        self.df_residual = self.n - self.run_counts.size
        self.df_run = int(self.run_counts.size) - self.p
        self.df_laboratory = self.p - 1
        ss_run = float((self.run_counts * (self.run_means - self.means[self.owner]) ** 2).sum())
        ss_laboratory = float((self.counts * (self.means - self.mean) ** 2).sum())
        self.ms_residual = self.ss_residual / self.df_residual if self.df_residual else None
        self.ms_run = ss_run / self.df_run if self.df_run else None
        self.ms_laboratory = ss_laboratory / self.df_laboratory if self.df_laboratory else None
        self._coefficients()
        self._unweighted()

    def _coefficients(self) -> None:
        """k1, k2, k3 of E(MS_run) = s_r2 + k1 s_run2 and E(MS_lab) = s_r2 + k2 s_run2 + k3 s_L2."""
        within = float((np.bincount(self.owner, weights=self.run_counts.astype(float) ** 2) / self.counts).sum())
        overall = float((self.run_counts.astype(float) ** 2).sum()) / self.n
        self.k1 = (self.n - within) / self.df_run if self.df_run else 1.0
        self.k2 = (within - overall) / self.df_laboratory if self.df_laboratory else 1.0
        self.k3 = (self.n - float((self.counts**2).sum()) / self.n) / self.df_laboratory if self.df_laboratory else 1.0

    def _unweighted(self) -> None:
        """Variances of unweighted means and the parts of s_r2 (w, c1) and s_run2 (c2) in their expectations.

        E(v_run) = s_run2 + w s_r2; E(v_laboratory) = s_L2 + c2 s_run2 + c1 s_r2.
        """
        inverse = np.bincount(self.owner, weights=1.0 / self.run_counts)
        plain = np.bincount(self.owner, weights=self.run_means) / self.runs_each
        free = self.runs_each - 1
        self.w = float((free * inverse / self.runs_each).sum() / free.sum()) if self.df_run else 0.0
        self.c1 = float((inverse / self.runs_each**2).mean())
        self.c2 = float((1.0 / self.runs_each).mean()) if self.df_run else 0.0
        self.v_run = float(((self.run_means - plain[self.owner]) ** 2).sum()) / self.df_run if self.df_run else 0.0
        self.v_laboratory = float(plain.var(ddof=1)) if self.df_laboratory else 0.0

    @property
    def balanced(self) -> bool:
        return len(set(self.run_counts.tolist())) == 1 and len(set(self.runs_each.tolist())) == 1

    def shifted(self, difference: float) -> float:
        """A small difference put back on the offset, rounded once."""
        return float(self.offset + Fraction(difference))


def _mean(part: NDArray[np.float64]) -> float:
    first = float(part.mean())
    return first + float((part - first).mean())


def _design_notes(cells: _Cells, runs_known: bool) -> list[str]:
    notes = []
    if cells.p == 1:
        notes.append(
            "There is one laboratory only: s_L, s_R and R need at least two, and are usually claimed from "
            f"{FEWEST_LABORATORIES} on."
        )
    if cells.df_residual == 0:
        where = "run" if cells.df_run else "laboratory"
        notes.append(f"Each {where} holds a single reading: s_r and r are not estimated; replicates would supply them.")
        if cells.p > 1 and not cells.df_run:
            notes.append(
                "Without replicates s_R is the standard deviation of the single readings, and s_L is not set apart."
            )
    if runs_known and cells.df_run == 0:
        notes.append("Each laboratory holds one run: the component between runs cannot be told from the laboratory's.")
    if not cells.balanced:
        notes.append(
            "The numbers of readings differ: the components follow the formulas for unequal numbers, and their "
            "intervals use unweighted means."
        )
    return notes


def _indicative(p: int) -> tuple[str, ...]:
    if p == 1 or p >= FEWEST_LABORATORIES:
        return ()
    return (f"R is indicative: it rests on {p} laboratories, fewer than {FEWEST_LABORATORIES}.",)


def _unequal(cells: _Cells) -> tuple[str, ...]:
    return () if cells.balanced else ("The numbers of readings differ: the interval uses unweighted means.",)


def _general_mean(cells: _Cells, confidence: float) -> OldEstimate:
    """Weighted mean; variance from the laboratories' own deviations: s^2 / p of their means when balanced."""
    value = cells.shifted(cells.mean)
    if cells.p == 1:
        note = "There is one laboratory only: the general mean carries no interval between laboratories."
        return OldEstimate(value, n=cells.n, units=1, notes=(note,), source=_MEAN)
    share = cells.counts / cells.n
    error = sqrt(float((share**2 * (cells.means - cells.mean) ** 2 / (1 - share)).sum()))
    notes = () if cells.balanced else ("The numbers of readings differ: each reading counts the same in the mean.",)
    if error == 0:
        return OldEstimate(value, n=cells.n, units=cells.p, notes=(MEANS_ALIKE, *notes), source=_MEAN)
    half = float(stats.t.ppf((1 + confidence) / 2, cells.df_laboratory)) * error
    return OldEstimate(
        value,
        (cells.shifted(cells.mean - half), cells.shifted(cells.mean + half)),
        confidence,
        error,
        float(cells.df_laboratory),
        cells.n,
        cells.p,
        notes,
        _MEAN,
    )


def _within(cells: _Cells, variance: float, confidence: float) -> OldEstimate:
    s = sqrt(variance)
    ends = claimed(s, sd_interval(s, cells.df_residual, confidence), confidence)
    notes = () if s > 0 else (ALL_ALIKE,)
    return OldEstimate(s, *ends, None, float(cells.df_residual), cells.n, cells.p, notes, _WITHIN)


def _between_runs(cells: _Cells, variance: float, confidence: float) -> OldEstimate:
    assert cells.ms_residual is not None
    squares = (cells.v_run / cells.w, cells.ms_residual)
    interval = guarded_component_interval(*squares, cells.df_run, cells.df_residual, 1 / cells.w, confidence=confidence)
    return _component(cells, variance, interval, confidence, (*_luck("runs", *squares), *_unequal(cells)), _RUN)


def _between_laboratories(cells: _Cells, variance: float, confidence: float) -> OldEstimate:
    """Two mean squares decide s_L: that of the laboratories, and the next stage down (runs, else readings)."""
    if cells.df_run:
        # The small part (c1 - c2 w) s_r2 that unequal counts leave over is 0 when balanced and is neglected here.
        scale, below, df = cells.c2, cells.v_run, cells.df_run
    else:
        assert cells.ms_residual is not None
        scale, below, df = cells.c1, cells.ms_residual, cells.df_residual
    squares = (cells.v_laboratory / scale, below)
    interval = guarded_component_interval(*squares, cells.df_laboratory, df, 1 / scale, confidence=confidence)
    notes = (*_luck("laboratories", *squares), *_unequal(cells))
    return _component(cells, variance, interval, confidence, notes, _BETWEEN)


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


def _component(
    cells: _Cells,
    variance: float,
    interval: tuple[float, float],
    confidence: float,
    notes: tuple[str, ...],
    source: str,
) -> OldEstimate:
    s = sqrt(max(0.0, variance))
    ends = claimed(s, (sqrt(interval[0]), sqrt(interval[1])), confidence)
    return OldEstimate(s, *ends, None, None, cells.n, cells.p, notes, source)


def _total(cells: _Cells, variances: tuple[float | None, float | None, float | None], confidence: float) -> OldEstimate:
    """s_R: the components added, negative ones as 0; interval of the sum of mean squares with the same expectation."""
    rest = max(0.0, 1 - cells.w - cells.c1 + cells.c2 * cells.w)
    coefficients = [1.0, 1 - cells.c2 if cells.df_run else 0.0, rest]
    residual = cells.ms_residual or 0.0
    squares = [cells.v_laboratory, cells.v_run, residual]
    # What the stages below put into the means of a stage: a component below zero must not narrow the bound.
    raised_run = max(cells.v_run, cells.w * residual)
    raised = [
        max(cells.v_laboratory, cells.c2 * raised_run + (cells.c1 - cells.c2 * cells.w) * residual),
        raised_run,
        residual,
    ]
    dfs = [cells.df_laboratory, cells.df_run, cells.df_residual]
    # A stage without degrees of freedom does not exist; its coefficient is 0 but for rounding.
    kept = [i for i, df in enumerate(dfs) if df > 0]
    terms = ([coefficients[i] for i in kept], [squares[i] for i in kept], [dfs[i] for i in kept])
    v_L, v_run, v_r = variances
    if v_r is not None:
        variance = sum(max(0.0, part) for part in (v_L, v_run, v_r) if part is not None)
    elif v_L is not None and cells.ms_run is not None:
        variance = max(0.0, v_L) + cells.ms_run
    else:
        variance = cells.v_laboratory
    low, high = guarded_sum_interval(terms[0], terms[1], [raised[i] for i in kept], terms[2], confidence=confidence)
    s = sqrt(variance)
    ends = claimed(s, (sqrt(low), sqrt(high)), confidence)
    hidden = () if s > 0 else (ALL_ALIKE,)
    notes = (*hidden, *_unequal(cells))
    return OldEstimate(s, *ends, None, satterthwaite(*terms), cells.n, cells.p, notes, _TOTAL)


def _limit(s: OldEstimate) -> OldEstimate:
    scaled = s.scaled(LIMIT_FACTOR)
    return OldEstimate(
        scaled.value,
        scaled.interval,
        scaled.confidence,
        None,
        scaled.degrees_of_freedom,
        scaled.n,
        scaled.units,
        scaled.notes,
        _LIMIT,
    )
