"""Groups of their own mean and scatter, triples of a carry-over test, trials of a screening."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from validation.simulation.shape import NORMAL, Shape

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class GroupTruth:
    """True mean and standard deviation of each of several groups, such as the lots of a standard; and the shape."""

    means: tuple[float, ...]
    sds: tuple[float, ...]
    shape: Shape = NORMAL


def group_readings(rng: np.random.Generator, studies: int, each: int, truth: GroupTruth) -> Floats:
    """Draw `each` independent readings a group: shape (studies, groups, each)."""
    means, sds = (np.asarray(values)[:, None] for values in (truth.means, truth.sds))
    parts = truth.shape.parts(rng, (studies, len(truth.means), each))
    return truth.shape.written(rng, means + sds * parts)


@dataclass(frozen=True, slots=True)
class TripleTruth:
    """High samples, the blanks after them, and the share of each high sample that its first blank carries."""

    high: float
    s_high: float
    blank: float
    s_blank: float
    share: float


def triple_readings(
    rng: np.random.Generator, studies: int, triples: int, truth: TripleTruth
) -> tuple[Floats, Floats, Floats]:
    """Draw high samples, first and second blanks: each of shape (studies, triples)."""
    high = truth.high + truth.s_high * rng.standard_normal((studies, triples))
    blanks = truth.blank + truth.s_blank * rng.standard_normal((studies, 2, triples))
    return high, blanks[:, 0] + truth.share * high, blanks[:, 1]


@dataclass(frozen=True, slots=True)
class TrialTruth:
    """Mean, effect of each factor (high minus low), standard deviations between blocks (days) and of one trial."""

    mean: float
    effects: tuple[float, ...]
    s_block: float
    s_r: float


def trial_readings(
    rng: np.random.Generator, studies: int, settings: Floats, replicates: int, truth: TrialTruth
) -> Floats:
    """Draw the trials `settings`, shape (trials, factors) of -1 and 1, repeated in blocks: shape (studies, n)."""
    trials = len(settings)
    blocks = np.repeat(truth.s_block * rng.standard_normal((studies, replicates)), trials, axis=1)
    expected = np.tile(truth.mean + settings @ np.asarray(truth.effects) / 2, replicates)
    return expected + blocks + truth.s_r * rng.standard_normal((studies, trials * replicates))
