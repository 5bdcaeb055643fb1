"""The same samples by two methods."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from validation.simulation.lines import Floats, Scatter


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
    """

    intercept: float
    slope: float
    reference: Scatter
    candidate: Scatter
    own: float = 0.0


def pair_readings(
    rng: np.random.Generator, studies: int, design: PairsDesign, truth: PairsTruth
) -> tuple[Floats, Floats]:
    """Draw the results of the reference and of the candidate, normally distributed: each of shape (studies, n)."""
    x = np.asarray(design.levels)
    reference, own, candidate = (rng.standard_normal((studies, len(x))) for _ in range(3))
    return (
        x + truth.reference.at(x) * reference,
        truth.intercept + truth.slope * x + truth.own * x * own + truth.candidate.at(x) * candidate,
    )
