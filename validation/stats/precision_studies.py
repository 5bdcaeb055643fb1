"""The intervals of `precision` and `robust_precision` for many studies of one design, one row a study."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from validation.stats.intervals import guarded_component_interval, guarded_sum_interval, root_interval, sd_interval
from validation.stats.mean_squares import Components, Floats, MeanSquares, group_sums
from validation.stats.precision import SquareTerms, total_terms, within_terms
from validation.stats.robust import algorithm_a_many, algorithm_s_many, effective_df_between, effective_df_within

#: Readings of each preparation of each run.
Layout = Sequence[Sequence[int]]
#: Of the robust view of simulated studies: whether an interval holds the truth does not hang on the seventh digit.
TOLERANCE = 1e-6
#: Both ends, one value a study; None where the design does not supply the quantity.
StudyEnds = tuple[Any, Any] | None


@dataclass(frozen=True, slots=True)
class Stage:
    """A mean square of each study.

    Attributes
    ----------
    square : shape (studies,), in the squared unit of the readings
    df : its degrees of freedom
    """

    square: Floats
    df: float


@dataclass(frozen=True, eq=False)
class ClassicalStudies:
    """Studies of one design by mean squares and REML, as `precision`; a stage is None where the design lacks it.

    Attributes
    ----------
    y : shape (studies, n), the readings of a preparation and the preparations of a run side by side
    readings : the readings, grouped by preparation
    runs : the means of the preparations, grouped by run

    Examples
    --------
    Dyestuff (Davies and Goldsmith 1972; R's lme4): variance between batches 1764.05, within 2451.25.

    >>> batches = [[1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    ...            [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445]]
    >>> y = np.array([[value - 1500.0 for batch in batches for value in batch]])
    >>> studies = ClassicalStudies.of(y, [[1] * 5] * 6)
    >>> round(float(studies.component[0]), 2), round(float(studies.within.square[0]), 2)
    (1764.05, 2451.25)
    """

    y: Floats
    readings: MeanSquares
    runs: MeanSquares

    @classmethod
    def of(cls, y: Floats, layout: Layout) -> Self:
        """From readings `y`, shape (studies, n), in runs of preparations of so many readings."""
        readings = MeanSquares.of(y, [n for run in layout for n in run])
        return cls(y, readings, MeanSquares.of(readings.means, [len(run) for run in layout]))

    @property
    def b(self) -> float:
        """Harmonic mean of the preparations of a run."""
        return self.runs.harmonic_n

    @property
    def m(self) -> float:
        """Harmonic mean of the readings of a preparation."""
        return self.readings.harmonic_n

    @cached_property
    def between(self) -> Stage | None:
        """`b` times the variance of the means of the runs."""
        return Stage(self.runs.unweighted, self.runs.df_between) if self.runs.df_between else None

    @cached_property
    def within(self) -> Stage | None:
        """Of the means of preparations within the runs."""
        return Stage(self.runs.within, self.runs.df_within) if self.runs.df_within else None

    @cached_property
    def reading(self) -> Stage | None:
        """Of the readings of a preparation; None where each was read once."""
        return Stage(self.readings.within, self.readings.df_within) if self.readings.df_within else None

    @cached_property
    def component(self) -> Floats | None:
        """Variance between the runs, not below zero."""
        return None if self.between is None or self.within is None else Components.of(self.runs).between

    @property
    def repeatability(self) -> Floats:
        """Variance of single results of one run; the design holds replicates."""
        assert self.within is not None
        if self.reading is None:
            return self.within.square
        return np.maximum(0.0, self.within.square - self.reading.square / self.m) + self.reading.square

    def s_r_interval(self, confidence: float) -> StudyEnds:
        """Of the repeatability standard deviation; None without replicates."""
        if self.within is None:
            return None
        if self.reading is None:
            return sd_interval(np.sqrt(self.within.square), self.within.df, confidence)
        terms = within_terms(self.within.square, self.reading.square, self.m)
        return _of_sum(self.repeatability, terms, (self.within, self.reading), confidence)

    def s_run_interval(self, confidence: float) -> StudyEnds:
        """Of the standard deviation between runs; None with one run or without replicates."""
        if self.between is None or self.within is None or self.component is None:
            return None
        above, below = self.between, self.within
        ends = guarded_component_interval(above.square, below.square, above.df, below.df, self.b, confidence=confidence)
        return root_interval(np.sqrt(self.component), ends)

    def s_I_interval(self, confidence: float) -> StudyEnds:
        """Of the intermediate precision standard deviation; None with one run."""
        if self.between is None:
            return None
        within = None if self.within is None else self.within.square
        read = 0.0 if self.reading is None else self.reading.square
        terms = total_terms(self.between.square, within, read, self.b, self.m)
        if self.component is not None:
            value = self.component + self.repeatability
        else:
            value = self.between.square + (1 - 1 / self.m) * read
        return _of_sum(value, terms, (self.between, self.within, self.reading), confidence)


class RobustStudies(ClassicalStudies):
    """The same by algorithms A and S, as `robust_precision`.

    Attributes
    ----------
    y, readings, runs : as `ClassicalStudies`
    """

    @cached_property
    def between(self) -> Stage | None:
        if not self.runs.df_between:
            return None
        spread = algorithm_a_many(self.runs.means, tolerance=TOLERANCE)[1]
        return Stage(self.b * spread**2, effective_df_between(self.runs.n_groups))

    @cached_property
    def within(self) -> Stage | None:
        return _pooled(self.readings.means, self.runs.counts)

    @cached_property
    def reading(self) -> Stage | None:
        return _pooled(self.y, self.readings.counts)

    @cached_property
    def component(self) -> Floats | None:
        if self.between is None or self.within is None:
            return None
        return np.maximum(0.0, (self.between.square - self.within.square) / self.b)


def _pooled(y: Floats, counts: NDArray[np.int_]) -> Stage | None:
    """Algorithm S over the groups that hold two values or more."""
    squares, several = group_sums(y, counts)[1], counts > 1
    if not several.any():
        return None
    dfs = counts[several] - 1
    sds = np.sqrt(squares[:, several] / dfs)
    return Stage(algorithm_s_many(sds, dfs.tolist(), tolerance=TOLERANCE) ** 2, effective_df_within(dfs.tolist()))


def _of_sum(value: Floats, terms: SquareTerms, stages: Sequence[Stage | None], confidence: float) -> StudyEnds:
    """The interval of the root of a sum of mean squares; readings that were not repeated add nothing."""
    dfs = [stage.df for stage in stages if stage is not None]
    coefficients, squares, raised = (part[: len(dfs)] for part in terms)
    return root_interval(
        np.sqrt(value), guarded_sum_interval(coefficients, squares, raised, dfs, confidence=confidence)
    )
