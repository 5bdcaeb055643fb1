"""Readings over levels: calibrations, results of levels with their bias and precision, a standard over its ages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from validation.simulation.shape import NORMAL, Shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int_]


@dataclass(frozen=True, slots=True)
class Scatter:
    """A standard deviation that is linear in the level: `constant` + `growth` * level, nowhere below `constant`."""

    constant: float
    growth: float = 0.0

    def at(self, level: Floats | float) -> Floats:
        """The standard deviation at each level."""
        return np.asarray(self.constant + self.growth * np.maximum(level, 0.0))

    def scaled(self, factor: float) -> Scatter:
        """So many times as large."""
        return Scatter(factor * self.constant, factor * self.growth)


@dataclass(frozen=True, slots=True)
class LineDesign:
    """Runs over levels; readings are ordered by run, then level.

    Attributes
    ----------
    levels, runs : the levels, and the number of runs
    each : readings of every run at every level, or one number a run and level, shape (runs, L), zero where none
    """

    levels: tuple[float, ...]
    runs: int
    each: int | tuple[tuple[int, ...], ...]

    @property
    def x(self) -> Floats:
        """Level of each reading, shape (n,)."""
        return np.asarray(self.levels)[self.level]

    @property
    def level(self) -> Ints:
        """Code of the level of each reading."""
        return self._cell % len(self.levels)

    @property
    def run(self) -> Ints:
        """Code of the run of each reading."""
        return self._cell // len(self.levels)

    @property
    def _cell(self) -> Ints:
        cells = self.runs * len(self.levels)
        return np.repeat(np.arange(cells), np.broadcast_to(self.each, (self.runs, len(self.levels))).ravel())


@dataclass(frozen=True, slots=True)
class LineTruth:
    """A straight line, and how runs and readings scatter about it.

    Attributes
    ----------
    intercept, slope : of the true line; of results: the constant bias, and 1 plus the proportional bias
    within : s_r of a reading at a level
    own_intercept, own_slope : standard deviations of the intercepts and slopes of the runs' own lines
    between : s_run, of what the readings of a run share at one level beyond the run's line
    shape : of the scatter of runs and readings
    """

    intercept: float
    slope: float
    within: Scatter
    own_intercept: float = 0.0
    own_slope: float = 0.0
    between: Scatter = Scatter(0.0)
    shape: Shape = NORMAL


def line_readings(rng: np.random.Generator, studies: int, design: LineDesign, truth: LineTruth) -> Floats:
    """Draw readings of the shape that the truth states, in the unit of `truth.intercept`.

    Truths without a part `between` draw the same numbers as one another, so that they can be compared.

    Returns
    -------
    shape (studies, n), in the order of `LineDesign.x`

    Examples
    --------
    >>> design, truth = LineDesign((0.0, 5.0, 10.0), runs=3, each=2), LineTruth(0.1, 40.0, Scatter(0.03, 0.018))
    >>> line_readings(np.random.default_rng(1), 100, design, truth).shape
    (100, 18)
    """
    x, run, shape = design.x, design.run, truth.shape
    own = shape.parts(rng, (studies, design.runs, 2)) * (truth.own_intercept, truth.own_slope)
    y = truth.intercept + own[:, run, 0] + (truth.slope + own[:, run, 1]) * x
    y += truth.within.at(x) * shape.parts(rng, y.shape)
    if truth.between != Scatter(0.0):
        cells = shape.parts(rng, (studies, design.runs * len(design.levels)))
        y += truth.between.at(x) * cells[:, run * len(design.levels) + design.level]
    return shape.written(rng, y)
