"""The same samples by two methods."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from validation.simulation.lines import Floats, Scatter
from validation.simulation.shape import NORMAL, Shape


@dataclass(frozen=True, slots=True)
class PairsDesign:
    """The true levels of the samples, and how often each is read by either method: one number, or one a sample."""

    levels: tuple[float, ...]
    reference: int | tuple[int, ...] = 1
    candidate: int | tuple[int, ...] = 1

    @classmethod
    def most_low(
        cls,
        n: int,
        low: float,
        high: float,
        reference: int | tuple[int, ...] = 1,
        candidate: int | tuple[int, ...] = 1,
    ) -> PairsDesign:
        """`n` samples from `low` to `high`, evenly by ratio: most of them low, as samples come."""
        levels = low * (high / low) ** (np.arange(n) / (n - 1))
        return cls(tuple(float(level) for level in levels), reference, candidate)

    def counts(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Readings of each sample by the reference and by the candidate."""
        n = len(self.levels)
        reference, candidate = ((k,) * n if isinstance(k, int) else k for k in (self.reference, self.candidate))
        return reference, candidate


@dataclass(frozen=True, slots=True)
class PairsTruth:
    """Candidate = intercept + slope * level, and the scatter of either method.

    `own` : standard deviation of a sample's own part in the candidate, as a share of its level; `own_constant` is added
    `shape` : of the scatter of samples and results
    """

    intercept: float
    slope: float
    reference: Scatter
    candidate: Scatter
    own: float = 0.0
    own_constant: float = 0.0
    shape: Shape = NORMAL


def pair_readings(
    rng: np.random.Generator, studies: int, design: PairsDesign, truth: PairsTruth
) -> tuple[Floats, Floats]:
    """Draw the readings of the reference and of the candidate, sample by sample.

    Each of shape (studies, readings of that method); (studies, n) where each sample is read once.
    """
    x, shape = np.asarray(design.levels), truth.shape
    of_x, of_y = (np.repeat(np.arange(len(x)), counts) for counts in design.counts())
    reference, own, candidate = (shape.parts(rng, (studies, size)) for size in (len(of_x), len(x), len(of_y)))
    true_candidate = truth.intercept + truth.slope * x + (truth.own_constant + truth.own * x) * own
    return (
        shape.written(rng, x[of_x] + truth.reference.at(x)[of_x] * reference),
        shape.written(rng, true_candidate[:, of_y] + truth.candidate.at(x)[of_y] * candidate),
    )
