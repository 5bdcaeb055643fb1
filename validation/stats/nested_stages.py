"""Three stages of readings, for one study or many of one design: laboratory, run within laboratory, reading in run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from validation.stats.intervals import guarded_component_interval, guarded_sum_interval, root_interval
from validation.stats.mean_squares import Floats, group_sums

#: Readings of each run of each laboratory.
Layout = Sequence[Sequence[int]]


@dataclass(frozen=True, slots=True, eq=False)
class NestedStages:
    """The nested analysis of variance of studies of one layout.

    Attributes
    ----------
    run_counts : shape (runs,); `runs_each`, `counts` : shape (p,), runs and readings of each laboratory
    run_means : shape (studies, runs); `means` : shape (studies, p); `mean` : shape (studies,); minus the offset
    df, mean_squares : laboratories, runs, residual; a mean square, shape (studies,), is None without degrees of freedom

    Examples
    --------
    Dyestuff (Davies and Goldsmith 1972, Table 6.1): the mean squares are 11271.5 and 2451.25.

    >>> batches = [[1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    ...            [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445]]
    >>> y = np.array([[value - 1500.0 for batch in batches for value in batch]])
    >>> stages = NestedStages.of(y, ((5,),) * 6)
    >>> laboratory, run, residual = stages.mean_squares
    >>> round(float(laboratory[0]), 1), run, round(float(residual[0]), 2)
    (11271.5, None, 2451.25)
    """

    run_counts: NDArray[np.int_]
    runs_each: NDArray[np.int_]
    counts: NDArray[np.int_]
    run_means: Floats
    means: Floats
    mean: Floats
    df: tuple[int, int, int]
    mean_squares: tuple[Floats | None, Floats | None, Floats | None]

    @classmethod
    def of(cls, y: Floats, layout: Layout) -> NestedStages:
        """From readings `y`, shape (studies, n), those of a run and the runs of a laboratory side by side.

        Large readings come as small differences from an exact offset (`validation.stats.estimate.centre`).
        """
        sizes = np.array([n for counts in layout for n in counts])
        runs_each = np.array([len(counts) for counts in layout])
        run_means, residual = group_sums(y, sizes)
        counts = _by_laboratory(sizes, runs_each)
        means = _by_laboratory(sizes * run_means, runs_each) / counts
        mean = np.average(means, weights=counts, axis=1)
        squares = (
            (counts * (means - mean[:, None]) ** 2).sum(axis=1),
            (sizes * (run_means - np.repeat(means, runs_each, axis=1)) ** 2).sum(axis=1),
            residual.sum(axis=1),
        )
        df = (len(counts) - 1, len(sizes) - len(counts), int(sizes.sum()) - len(sizes))
        laboratory, run, rest = (ss / free if free else None for ss, free in zip(squares, df, strict=True))
        return cls(sizes, runs_each, counts, run_means, means, mean, df, (laboratory, run, rest))

    @property
    def p(self) -> int:
        """Laboratories."""
        return self.counts.size

    @property
    def n(self) -> int:
        """Readings of a study."""
        return int(self.run_counts.sum())

    @property
    def balanced(self) -> bool:
        """Whether all runs hold as many readings, and all laboratories as many runs."""
        return len(set(self.run_counts.tolist())) == 1 and len(set(self.runs_each.tolist())) == 1

    @property
    def mean_error(self) -> Floats:
        """Standard error of the general mean, from the laboratories' own deviations; two laboratories or more."""
        share = self.counts / self.n
        return np.sqrt((share**2 * (self.means - self.mean[:, None]) ** 2 / (1 - share)).sum(axis=1))

    @property
    def coefficients(self) -> tuple[float, float, float]:
        """k1, k2, k3 of E(MS_run) = s_r2 + k1 s_run2, E(MS_laboratory) = s_r2 + k2 s_run2 + k3 s_L2."""
        squares, (df_laboratory, df_run, _) = self.run_counts.astype(float) ** 2, self.df
        within = float((_by_laboratory(squares, self.runs_each) / self.counts).sum())
        overall = float(squares.sum()) / self.n
        k1 = (self.n - within) / df_run if df_run else 1.0
        if not df_laboratory:
            return k1, 1.0, 1.0
        k3 = (self.n - float((self.counts.astype(float) ** 2).sum()) / self.n) / df_laboratory
        return k1, (within - overall) / df_laboratory, k3

    @property
    def components(self) -> tuple[Floats | None, Floats | None, Floats | None]:
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

    @property
    def total(self) -> Floats:
        """Reproducibility variance: the components added, negative ones as 0; two laboratories or more."""
        (v_L, v_run, v_r), (_, ms_run, _) = self.components, self.mean_squares
        if v_r is not None:
            return reduce(np.add, (np.maximum(0.0, part) for part in (v_L, v_run, v_r) if part is not None))
        if v_L is not None and ms_run is not None:
            return np.maximum(0.0, v_L) + ms_run
        return self._unweighted.v_laboratory

    @property
    def run_terms(self) -> tuple[Floats, Floats, int, int, float]:
        """What `guarded_component_interval` takes for the variance between runs."""
        plain = self._unweighted
        return plain.v_run / plain.w, self._residual, self.df[1], self.df[2], 1 / plain.w

    @property
    def laboratory_terms(self) -> tuple[Floats, Floats, int, int, float]:
        """What `guarded_component_interval` takes for the variance between laboratories.

        Two mean squares decide it: that of the laboratories, and the next stage down (runs, else readings).
        """
        plain, (df_laboratory, df_run, df_residual) = self._unweighted, self.df
        if df_run:
            # The small part (c1 - c2 w) s_r2 that unequal counts leave over is 0 when balanced and is neglected here.
            scale, below, df = plain.c2, plain.v_run, df_run
        else:
            scale, below, df = plain.c1, self._residual, df_residual
        return plain.v_laboratory / scale, below, df_laboratory, df, 1 / scale

    @property
    def total_terms(self) -> tuple[tuple[float, ...], tuple[Floats, ...], tuple[Floats, ...], tuple[int, ...]]:
        """What `guarded_sum_interval` takes for the total: coefficients, mean squares, raised ones, df."""
        plain, residual = self._unweighted, self._residual
        w, c1, c2 = plain.w, plain.c1, plain.c2
        # What the stages below put into the means of a stage: a component below zero must not narrow the bound.
        raised_run = np.maximum(plain.v_run, w * residual)
        raised_laboratory = np.maximum(plain.v_laboratory, c2 * raised_run + (c1 - c2 * w) * residual)
        rows = [
            (1.0, plain.v_laboratory, raised_laboratory, self.df[0]),
            (1 - c2, plain.v_run, raised_run, self.df[1]),
            (max(0.0, 1 - w - c1 + c2 * w), residual, residual, self.df[2]),
        ]
        # A stage without degrees of freedom does not exist; its coefficient is 0 but for rounding.
        coefficients, squares, raised, dfs = zip(*(row for row in rows if row[3] > 0), strict=True)
        return coefficients, squares, raised, dfs

    def s_run_interval(self, confidence: float) -> tuple[Any, Any]:
        """Of the standard deviation between runs of a laboratory."""
        return _component_interval(self.components[1], self.run_terms, confidence)

    def s_L_interval(self, confidence: float) -> tuple[Any, Any]:
        """Of the standard deviation between laboratories."""
        return _component_interval(self.components[0], self.laboratory_terms, confidence)

    def s_R_interval(self, confidence: float) -> tuple[Any, Any]:
        """Of the reproducibility standard deviation."""
        return root_interval(np.sqrt(self.total), guarded_sum_interval(*self.total_terms, confidence=confidence))

    @property
    def _residual(self) -> Floats:
        residual = self.mean_squares[2]
        return np.zeros(len(self.mean)) if residual is None else residual

    @property
    def _unweighted(self) -> _Unweighted:
        runs_each, (df_laboratory, df_run, _) = self.runs_each, self.df
        inverse = _by_laboratory(1.0 / self.run_counts, runs_each)
        plain = _by_laboratory(self.run_means, runs_each) / runs_each
        c1, none = float((inverse / runs_each**2).mean()), np.zeros(len(plain))
        v_laboratory = plain.var(axis=1, ddof=1) if df_laboratory else none
        if not df_run:
            return _Unweighted(v_laboratory, none, 0.0, c1, 0.0)
        v_run = ((self.run_means - np.repeat(plain, runs_each, axis=1)) ** 2).sum(axis=1) / df_run
        w = float(((runs_each - 1) * inverse / runs_each).sum() / df_run)
        return _Unweighted(v_laboratory, v_run, w, c1, float((1.0 / runs_each).mean()))


@dataclass(frozen=True, slots=True, eq=False)
class _Unweighted:
    """Variances of unweighted means: E(v_run) = s_run2 + w s_r2 and E(v_laboratory) = s_L2 + c2 s_run2 + c1 s_r2."""

    v_laboratory: Floats
    v_run: Floats
    w: float
    c1: float
    c2: float


def _by_laboratory(values: NDArray[Any], runs_each: NDArray[np.int_]) -> NDArray[Any]:
    """Sums over the runs of each laboratory, the last axis."""
    return np.add.reduceat(values, np.concatenate([[0], np.cumsum(runs_each)[:-1]]), axis=-1)


def _component_interval(variance: Floats | None, terms: Any, confidence: float) -> tuple[Any, Any]:
    assert variance is not None  # a design that holds the stage
    ends = guarded_component_interval(*terms, confidence=confidence)
    return root_interval(np.sqrt(np.maximum(0.0, variance)), ends)
