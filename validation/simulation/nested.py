"""Readings at one level: in runs, in preparations, in laboratories, or under crossed factors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from validation.simulation.shape import NORMAL, Shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int_]


@dataclass(frozen=True, slots=True)
class NestedDesign:
    """Readings in units in larger units.

    Attributes
    ----------
    sizes : one tuple a stage, the outermost first: how many members each of its units holds. 8 runs of 3 readings are
        ((3,) * 8,); 8 laboratories of 2 runs of 3 readings are ((2,) * 8, (3,) * 16).
    """

    sizes: tuple[tuple[int, ...], ...]

    @classmethod
    def of_groups(cls, counts: Sequence[int]) -> NestedDesign:
        """Readings in runs (or laboratories), so many in each."""
        return cls((tuple(counts),))

    @classmethod
    def of_laboratories(cls, layout: Sequence[Sequence[int]]) -> NestedDesign:
        """Readings in runs in laboratories: the readings of each run of each laboratory."""
        return cls((tuple(len(counts) for counts in layout), tuple(n for counts in layout for n in counts)))

    @property
    def units(self) -> tuple[Ints, ...]:
        """The unit of each reading at each stage, shape (n,) each; readings of a unit lie side by side."""
        counts = [np.asarray(self.sizes[-1])]
        for sizes in reversed(self.sizes[:-1]):
            counts.insert(0, np.add.reduceat(counts[0], np.concatenate([[0], np.cumsum(sizes)[:-1]])))
        return tuple(np.repeat(np.arange(len(readings)), readings) for readings in counts)


@dataclass(frozen=True, slots=True)
class NestedTruth:
    """True mean, and the standard deviations of the units of each stage and, last, of single readings; one unit.

    Of runs: (s_run, s_r); of laboratories: (s_L, s_run, s_r). `mean` is the true bias where readings are errors.
    `shape` is that of the scatter of units and readings.
    """

    sds: tuple[float, ...]
    mean: float = 0.0
    shape: Shape = NORMAL


def nested_readings(rng: np.random.Generator, studies: int, design: NestedDesign, truth: NestedTruth) -> Floats:
    """Draw readings of the shape that the truth states.

    Parameters
    ----------
    studies : how many
    design, truth : the truth has one standard deviation a stage and one of single readings

    Returns
    -------
    shape (studies, n), in the order of `NestedDesign.units`

    Raises
    ------
    ValueError
        Stages and standard deviations differ in number.

    Examples
    --------
    >>> design, truth = NestedDesign.of_groups((3,) * 8), NestedTruth((0.05, 0.1), mean=5.0)
    >>> nested_readings(np.random.default_rng(1), 1000, design, truth).shape
    (1000, 24)
    """
    units, shape = design.units, truth.shape
    *of_units, of_reading = truth.sds
    y = np.full((studies, len(units[-1])), truth.mean)
    for unit, sd in zip(units, of_units, strict=True):
        y += sd * shape.parts(rng, (studies, unit[-1] + 1))[:, unit]
    return shape.written(rng, y + of_reading * shape.parts(rng, y.shape))


@dataclass(frozen=True, slots=True)
class CrossedDesign:
    """Readings under several factors, such as analyst, day, pad lot: each factor's level of each reading, as codes."""

    factors: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class CrossedTruth:
    """True mean, the standard deviation between the levels of each factor, and that of single readings; one unit."""

    sds: tuple[float, ...]
    s_r: float
    mean: float = 0.0


def crossed_readings(rng: np.random.Generator, studies: int, design: CrossedDesign, truth: CrossedTruth) -> Floats:
    """Draw readings, normally distributed: shape (studies, n).

    Raises
    ------
    ValueError
        Factors and standard deviations differ in number.
    """
    y = truth.mean + truth.s_r * rng.standard_normal((studies, len(design.factors[0])))
    for codes, sd in zip(design.factors, truth.sds, strict=True):
        y += sd * rng.standard_normal((studies, max(codes) + 1))[:, list(codes)]
    return y
