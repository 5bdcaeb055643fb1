"""Propagation of distributions by Monte Carlo, in blocks, and where the law of propagation departs from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, floor, log10, sqrt

import numpy as np
from numpy.typing import NDArray

from validation.stats.distributions import Distribution, Normal
from validation.stats.intervals import Interval, check_confidence
from validation.stats.propagation import Correlations, Model, PropagationResult, correlation_matrix

SOURCE = "JCGM 101:2008, 5.9.6, 7.6, 7.7"
#: Draws of each input held at a time: small enough for the processor's cache, whatever the number of draws asked for.
BLOCK = 20_000


@dataclass(frozen=True, slots=True)
class MonteCarloResult:
    """Mean, standard uncertainty and coverage intervals of a model's result, in its unit.

    The errors come from the scatter between blocks: what another seed would change.

    Attributes
    ----------
    mean, standard_uncertainty : of the model's results
    symmetric : interval that cuts off equal probability on both sides
    shortest : the shortest interval of that probability
    confidence : coverage probability of both
    draws : how many there were
    mean_error, uncertainty_error, end_errors : standard errors of mean, u and the ends of `symmetric`; infinite with
        one block
    """

    mean: float
    standard_uncertainty: float
    symmetric: Interval
    shortest: Interval
    confidence: float
    draws: int
    mean_error: float
    uncertainty_error: float
    end_errors: Interval
    source: str = SOURCE


@dataclass(frozen=True, slots=True)
class AgreementResult:
    """Whether first-order propagation gives the interval of Monte Carlo to the digits that are reported.

    Attributes
    ----------
    agrees : whether both ends differ by no more than the tolerance
    tolerance : half a unit of the last of `digits` significant digits of u
    low, high : absolute differences of the interval ends, in the unit of the result
    digits : significant digits of u that count
    resolved : False where the Monte Carlo errors are too large to tell
    """

    agrees: bool
    tolerance: float
    low: float
    high: float
    digits: int
    resolved: bool
    source: str = "JCGM 101:2008, 7.9.2, 8.1.3"


def monte_carlo(
    model: Model,
    inputs: Mapping[str, Distribution],
    *,
    draws: int = 1_000_000,
    seed: int,
    correlations: Correlations | None = None,
    confidence: float = 0.95,
) -> MonteCarloResult:
    """Draw every input, evaluate the model, and take mean, standard deviation and coverage intervals of the results.

    Parameters
    ----------
    model : called with arrays, shape (block,), by the names of the inputs; returns an array of that shape
    inputs : distribution of each input
    draws : number of draws, rounded up to whole blocks; at least 20 000
    seed : the same seed gives the same numbers on the same library versions
    correlations : coefficient of each correlated pair of normal inputs
    confidence : coverage probability of both intervals

    Returns
    -------
    MonteCarloResult

    Raises
    ------
    ValueError
        No inputs, too few draws, a correlated input that is not normal, or a model result that is not finite.

    References
    ----------
    JCGM 101:2008, 7.6 (estimate and standard uncertainty), 7.7 (coverage interval), 5.3.4 (shortest), 6.4.8
    (correlated normal inputs), 7.9.4 (standard errors from blocks).
    """
    if not inputs:
        raise ValueError("inputs must hold at least one distribution; got none")
    if draws < BLOCK:
        raise ValueError(f"draws must be at least {BLOCK}; got {draws}")
    check_confidence(confidence)
    results = _results(model, _Joint(inputs, correlations), ceil(draws / BLOCK), seed)
    # Centred at one result: a frequency of hundreds of MHz would otherwise drown its own scatter.
    offset = float(results[0, 0])
    results -= offset
    results.sort(axis=1)
    errors = _block_errors(results, confidence)
    everything = results.reshape(-1)
    mean, u = float(everything.mean()), float(everything.std(ddof=1))
    everything.sort()
    low, high = _symmetric(everything, confidence)
    shortest = _shortest(everything, confidence)
    return MonteCarloResult(
        mean=offset + mean,
        standard_uncertainty=u,
        symmetric=(offset + low, offset + high),
        shortest=(offset + shortest[0], offset + shortest[1]),
        confidence=confidence,
        draws=everything.size,
        mean_error=errors[0],
        uncertainty_error=errors[1],
        end_errors=(errors[2], errors[3]),
    )


def _results(model: Model, joint: _Joint, blocks: int, seed: int) -> NDArray[np.float64]:
    """The model's results, shape (blocks, BLOCK), one block of draws at a time."""
    random = np.random.default_rng(seed)
    results = np.empty((blocks, BLOCK))
    for block in results:
        block[:] = model(**joint.draw(random, BLOCK))
    if not np.isfinite(results).all():
        raise ValueError("the model must give finite results for all draws; some are not")
    return results


def agreement(propagated: PropagationResult, drawn: MonteCarloResult, *, digits: int = 2) -> AgreementResult:
    """Compare the interval of first-order propagation with that of Monte Carlo.

    Parameters
    ----------
    propagated, drawn : results of one model and the same inputs at the same confidence
    digits : int, significant digits of the standard uncertainty that count as meaningful

    Returns
    -------
    AgreementResult, in the unit of the result

    Raises
    ------
    ValueError
        The two are not at the same confidence.

    References
    ----------
    JCGM 101:2008, 7.9.2 (numerical tolerance), 8.1.3 (both ends within it); the errors of Monte Carlo are asked to be
    at most a fifth of it (8.2, from memory).
    """
    if propagated.confidence != drawn.confidence:
        raise ValueError(f"both must be at one confidence; got {propagated.confidence} and {drawn.confidence}")
    tolerance = numerical_tolerance(drawn.standard_uncertainty, digits=digits)
    low = abs(propagated.interval[0] - drawn.symmetric[0])
    high = abs(propagated.interval[1] - drawn.symmetric[1])
    resolved = 2 * max(drawn.end_errors) <= max(tolerance, 2 * abs(tolerance - max(low, high)))
    return AgreementResult(max(low, high) <= tolerance, tolerance, low, high, digits, resolved)


def numerical_tolerance(u: float, *, digits: int = 2) -> float:
    """Half a unit of the last significant digit of a standard uncertainty.

    Parameters
    ----------
    u : float, finite
    digits : int, significant digits that count, 1 or more

    Returns
    -------
    float, in the unit of u; 0 for u = 0

    Raises
    ------
    None.

    References
    ----------
    JCGM 101:2008, 7.9.2 (from memory).

    Examples
    --------
    JCGM 101:2008, 7.9.2, first example (from memory): u = 0.00035 g to two digits is 35 times 10^-5 g, and the
    tolerance half of 10^-5 g.

    >>> print(f"{numerical_tolerance(0.00035):.1g}")
    5e-06
    """
    if u <= 0:
        return 0.0
    place = floor(log10(u)) - digits + 1
    # 0.0996 to two digits is 0.10, one place higher.
    if round(u / 10.0**place) >= 10**digits:
        place += 1
    return 0.5 * 10.0**place


class _Joint:
    """Draws of all inputs together: the correlated normal ones by a factor of their correlation matrix."""

    def __init__(self, inputs: Mapping[str, Distribution], correlations: Correlations | None) -> None:
        self.inputs = inputs
        tied = {name for pair in (correlations or {}) for name in pair}
        self.tied = [name for name in inputs if name in tied]
        correlation_matrix(list(inputs), correlations)
        for name in self.tied:
            if not isinstance(inputs[name], Normal):
                raise ValueError(f"only normal inputs can be drawn correlated; {name!r} is not normal")
        values, vectors = np.linalg.eigh(correlation_matrix(self.tied, correlations))
        # Not Cholesky's: full correlation, r = 1, leaves a matrix without an inverse.
        self.factor = vectors * np.sqrt(np.clip(values, 0, None))

    def draw(self, random: np.random.Generator, size: int) -> dict[str, NDArray[np.float64]]:
        drawn = {name: item.draw(random, size) for name, item in self.inputs.items() if name not in self.tied}
        if self.tied:
            together = self.factor @ random.standard_normal((len(self.tied), size))
            for name, row in zip(self.tied, together, strict=True):
                drawn[name] = self.inputs[name].mean + self.inputs[name].standard_uncertainty * row
        return drawn


def _symmetric(ordered: NDArray[np.float64], confidence: float) -> Interval:
    """Probabilistically symmetric interval of sorted results (JCGM 101:2008, 7.7.2)."""
    m = ordered.size
    q = round(confidence * m)
    r = (m - q) // 2
    return float(ordered[max(r - 1, 0)]), float(ordered[min(r - 1 + q, m - 1)])


def _shortest(ordered: NDArray[np.float64], confidence: float) -> Interval:
    """Shortest interval of sorted results (JCGM 101:2008, 7.7.4)."""
    q = round(confidence * ordered.size)
    widths = ordered[q:] - ordered[:-q]
    r = int(widths.argmin())
    return float(ordered[r]), float(ordered[r + q])


def _block_errors(results: NDArray[np.float64], confidence: float) -> tuple[float, float, float, float]:
    """Standard errors of mean, u and both ends from sorted blocks; infinite with one block, which shows no scatter."""
    blocks = len(results)
    if blocks < 2:
        return (float("inf"),) * 4
    ends = np.array([_symmetric(block, confidence) for block in results])
    columns = np.column_stack([results.mean(axis=1), results.std(axis=1, ddof=1), ends])
    first, second, third, fourth = (columns.std(axis=0, ddof=1) / sqrt(blocks)).tolist()
    return first, second, third, fourth
