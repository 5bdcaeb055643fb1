"""The same samples by two methods."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from validation.simulation.lines import Floats, Scatter
from validation.simulation.shape import NORMAL, Shape


@dataclass(frozen=True, slots=True)
class PairsDesign:
    """The true levels of the samples, each read once by either method."""

    levels: tuple[float, ...]

    @classmethod
    def most_low(cls, n: int, low: float, high: float) -> PairsDesign:
        """`n` samples from `low` to `high`, evenly by ratio: most of them low, as samples come."""
        return cls(tuple(float(level) for level in low * (high / low) ** (np.arange(n) / (n - 1))))


@dataclass(frozen=True, slots=True)
class PairsTruth:
    """Candidate = intercept + slope * level, and the scatter of either method.

    `own` : standard deviation of a sample's own part in the candidate, as a share of its level
    `shape` : of the scatter of samples and results
    """

    intercept: float
    slope: float
    reference: Scatter
    candidate: Scatter
    own: float = 0.0
    shape: Shape = NORMAL


def pair_readings(
    rng: np.random.Generator, studies: int, design: PairsDesign, truth: PairsTruth
) -> tuple[Floats, Floats]:
    """Draw the results of the reference and of the candidate: each of shape (studies, n)."""
    x, shape = np.asarray(design.levels), truth.shape
    reference, own, candidate = (shape.parts(rng, (studies, len(x))) for _ in range(3))
    true_candidate = truth.intercept + truth.slope * x + truth.own * x * own
    return (
        shape.written(rng, x + truth.reference.at(x) * reference),
        shape.written(rng, true_candidate + truth.candidate.at(x) * candidate),
    )
