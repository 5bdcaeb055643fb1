"""The law of propagation of uncertainty: combined standard uncertainty, its parts, effective degrees of freedom, k."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import floor, frexp, inf, isfinite, ldexp, sqrt, ulp
from typing import Any

import numpy as np

from validation.stats.confidence import StudentT
from validation.stats.distributions import Distribution
from validation.stats.estimate import check_sizes
from validation.stats.intervals import Interval, check_confidence, t_quantile

#: A measurement model: keyword arguments by the names of its inputs, floats or arrays of one shape; returns the same.
Model = Callable[..., Any]
#: Correlation coefficients by pair of input names; pairs that are not named are uncorrelated.
Correlations = Mapping[tuple[str, str], float]

SOURCE = "JCGM 100:2008 (GUM), 5.1.2, 5.2.2, G.4.1"
TIED = "Some inputs are correlated; the formula of the effective degrees of freedom takes them as independent."
#: First step of the numerical derivatives, in standard uncertainties of the input; halved twice.
STEP = 0.5


@dataclass(frozen=True, slots=True)
class Part:
    """What one input brings to the combined uncertainty.

    Attributes
    ----------
    name : of the input
    estimate, standard_uncertainty : in the unit of the input
    sensitivity : derivative of the result by the input
    contribution : sensitivity times standard uncertainty, with its sign, in the unit of the result
    share : its square over the combined variance; for uncorrelated inputs the shares add up to 1
    degrees_of_freedom : of the standard uncertainty; infinite where it is taken as known
    """

    name: str
    estimate: float
    standard_uncertainty: float
    sensitivity: float
    contribution: float
    share: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True)
class PropagationResult:
    """Combined standard uncertainty of a model's result.

    Attributes
    ----------
    value, combined, expanded : result, combined standard uncertainty and k times it, in the unit of the result
    parts : what each input brings
    effective_df : by Welch and Satterthwaite, not truncated; infinite where no input has finite ones
    coverage_df : as k used them, truncated to the next lower whole number; None where they are infinite
    coverage_factor : k, unit 1
    interval : value -+ expanded, at `confidence`
    notes : what must be known of it, in whole sentences
    """

    value: float
    combined: float
    parts: tuple[Part, ...]
    effective_df: float
    coverage_df: int | None
    coverage_factor: float
    expanded: float
    interval: Interval
    confidence: float
    notes: tuple[str, ...] = ()
    source: str = SOURCE

    @property
    def distribution(self) -> StudentT:
        """The coverage interval at any probability, on the same degrees of freedom."""
        return StudentT(self.value, self.combined, None if self.coverage_df is None else float(self.coverage_df))


def propagate(
    model: Model,
    inputs: Mapping[str, Distribution],
    *,
    correlations: Correlations | None = None,
    confidence: float = 0.95,
) -> PropagationResult:
    """Propagate standard uncertainties through a model to first order.

    Each sensitivity coefficient is the central difference at steps of 1/2, 1/4 and 1/8 standard uncertainty,
    extrapolated to step zero (Richardson, twice): exact for a polynomial of up to the sixth degree in each input.

    Parameters
    ----------
    model : called with every input by its name as keyword argument
    inputs : distribution of each input
    correlations : coefficient of each correlated pair; None: all inputs uncorrelated
    confidence : coverage probability of the interval

    Returns
    -------
    PropagationResult, parts in the order of `inputs`

    Raises
    ------
    ValueError
        No inputs, a correlation of unknown inputs or that no quantities can have, or a model without a finite result.

    References
    ----------
    JCGM 100:2008, 5.1.2 (uncorrelated), 5.2.2 (correlated), 5.1.3 note 2 (numerical derivatives), G.4.1 (effective
    degrees of freedom, truncated before Student's t is looked up).
    """
    if not inputs:
        raise ValueError("inputs must hold at least one distribution; got none")
    names = list(inputs)
    estimates = {name: float(item.mean) for name, item in inputs.items()}
    u = np.array([float(item.standard_uncertainty) for item in inputs.values()])
    value = _value(model, estimates)
    sensitivities = np.array([_slope(model, estimates, name, step) for name, step in zip(names, u, strict=True)])
    contributions = sensitivities * u
    check_sizes(contributions, "contributions")
    matrix = correlation_matrix(names, correlations)
    variance = float(contributions @ matrix @ contributions)
    combined = sqrt(max(variance, 0.0))
    dfs = [float(item.degrees_of_freedom) for item in inputs.values()]
    df = effective_df(combined, contributions.tolist(), dfs)
    factor, coverage_df = coverage_factor(df, confidence)
    shares = contributions**2 / variance if variance > 0 else np.zeros(len(u))
    numbers = (column.tolist() for column in (u, sensitivities, contributions, shares))
    tied = correlations and isfinite(df)
    half = factor * combined
    return PropagationResult(
        value=value,
        combined=combined,
        parts=tuple(Part(*row) for row in zip(names, estimates.values(), *numbers, dfs, strict=True)),
        effective_df=df,
        coverage_df=coverage_df,
        coverage_factor=factor,
        expanded=half,
        interval=(value - half, value + half),
        confidence=confidence,
        notes=(TIED,) if tied else (),
    )


def second_order_uncertainty(model: Model, inputs: Mapping[str, Distribution]) -> float:
    """Combined standard uncertainty with the terms of next order, for uncorrelated inputs.

    Where a first derivative vanishes at the estimate, as at the point where two lengths agree, first order says that
    an input does not matter at all. The further terms tell; their derivation takes symmetric, nearly normal inputs.

    Parameters
    ----------
    model : called with every input by its name as keyword argument
    inputs : distribution of each input, uncorrelated

    Returns
    -------
    The combined standard uncertainty, in the unit of the result

    Raises
    ------
    ValueError
        No inputs, or a model without a finite result.

    References
    ----------
    JCGM 100:2008, 5.1.2 note.
    """
    names = list(inputs)
    at = {name: float(item.mean) for name, item in inputs.items()}
    u = {name: float(item.standard_uncertainty) for name, item in inputs.items()}
    variance = propagate(model, inputs).combined ** 2
    slopes = {name: _slope(model, at, name, u[name]) for name in names}
    for first in names:
        for second in names:
            if not u[first] or not u[second]:
                continue
            curved = _mixed(model, at, first, second, u)
            third = _third(model, at, first, second, u)
            variance += (curved**2 / 2 + slopes[first] * third) * u[first] ** 2 * u[second] ** 2
    return sqrt(max(variance, 0.0))


def effective_df(combined: float, contributions: Sequence[float], dfs: Sequence[float]) -> float:
    """Effective degrees of freedom u_c^4 / sum(u_i^4 / nu_i), not truncated.

    Parameters
    ----------
    combined : float, combined standard uncertainty, in the unit of the contributions
    contributions : shape (n,), sensitivity times standard uncertainty of each input, one unit
    dfs : shape (n,), degrees of freedom of each, above 0; infinite where taken as known

    Returns
    -------
    float; infinite where no contribution has finite ones

    Raises
    ------
    ValueError
        Lengths differ.

    References
    ----------
    JCGM 100:2008, G.4.1, formula (G.2b) (Welch-Satterthwaite; independent inputs).

    Examples
    --------
    JCGM 100:2008, G.4.1: y = b x1 x2 x3 with relative standard uncertainties of 0.25 %, 0.57 % and 0.82 % from 10, 5
    and 15 readings has 1.03 % on 19.0 degrees of freedom.

    >>> parts = [0.25, 0.57, 0.82]
    >>> combined = sqrt(sum(part**2 for part in parts))
    >>> f"{combined:.2f} {effective_df(combined, parts, [9, 4, 14]):.1f}"
    '1.03 19.0'
    """
    exponent = -frexp(combined)[1]  # a power of two takes no digit, and keeps fourth powers from leaving the doubles
    below = sum(ldexp(part, exponent) ** 4 / df for part, df in zip(contributions, dfs, strict=True) if isfinite(df))
    return ldexp(combined, exponent) ** 4 / below if below > 0 else inf


def coverage_factor(df: float, confidence: float) -> tuple[float, int | None]:
    """Student's t for a two-sided confidence, and the degrees of freedom that it was taken on.

    Parameters
    ----------
    df : float, effective degrees of freedom; infinite: the normal quantile is taken
    confidence : two-sided

    Returns
    -------
    k, unit 1, and `df` truncated to the next lower whole number, at least 1; None where it is infinite

    Raises
    ------
    ValueError
        A confidence that does not lie between 0 and 1.

    References
    ----------
    JCGM 100:2008, G.4.1 and G.6.4 (truncation is one of the two ways given there; it never gives the smaller k).
    """
    check_confidence(confidence)
    # Effective degrees of freedom that are whole in exact arithmetic may come out a rounding below it.
    whole = max(1, floor(df * (1 + 1e-9))) if isfinite(df) else None
    return t_quantile((1 + confidence) / 2, whole), whole


def correlation_matrix(names: Sequence[str], correlations: Correlations | None) -> np.ndarray:
    """The matrix of the correlation coefficients, checked to be one that quantities can have.

    Parameters
    ----------
    names : shape (n,), of the inputs
    correlations : coefficient, -1 to 1, of each correlated pair; None: all inputs uncorrelated

    Returns
    -------
    Symmetric array, shape (n, n), ones on its diagonal

    Raises
    ------
    ValueError
        A pair that does not name two of the inputs, a coefficient beyond -1 or 1, or a matrix with a negative
        eigenvalue.

    References
    ----------
    JCGM 100:2008, 5.2.2 (from memory).
    """
    matrix = np.eye(len(names))
    for (first, second), r in (correlations or {}).items():
        unknown = [name for name in (first, second) if name not in names]
        if unknown or first == second:
            raise ValueError(f"correlations must name two inputs; got {first!r} and {second!r}")
        if not -1 <= r <= 1:
            raise ValueError(f"a correlation must lie between -1 and 1; got {r} for {first!r} and {second!r}")
        i, j = names.index(first), names.index(second)
        matrix[i, j] = matrix[j, i] = r
    if correlations and float(np.linalg.eigvalsh(matrix).min()) < -1e-9:
        raise ValueError("correlations must be ones that quantities can have together; their matrix has a negative one")
    return matrix


def _value(model: Model, at: Mapping[str, float]) -> float:
    value = float(model(**at))
    if not isfinite(value):
        raise ValueError(f"the model must give a finite result at the estimates; got {value}")
    return value


def _slope(model: Model, at: Mapping[str, float], name: str, u: float) -> float:
    """First derivative by central differences, extrapolated to step zero."""
    step = max(STEP * u, 64 * ulp(at[name])) if u > 0 else 1e-3 * (abs(at[name]) or 1.0)

    def difference(h: float) -> float:
        above, below = at[name] + h, at[name] - h
        # The step as the doubles hold it: at 50 mm + 25 nm it is not quite the one asked for.
        return (_value(model, {**at, name: above}) - _value(model, {**at, name: below})) / (above - below)

    coarse, middle, fine = difference(step), difference(step / 2), difference(step / 4)
    first, second = (4 * middle - coarse) / 3, (4 * fine - middle) / 3
    return (16 * second - first) / 15


def _mixed(model: Model, at: Mapping[str, float], first: str, second: str, u: Mapping[str, float]) -> float:
    """Second derivative by one or two inputs."""
    inner = {**u, second: u[second] / 4}

    def slope_at(shift: float) -> float:
        return _slope(model, {**at, second: at[second] + shift}, first, inner[first])

    h = STEP * u[second]
    return (slope_at(h) - slope_at(-h)) / (2 * h)


def _third(model: Model, at: Mapping[str, float], first: str, second: str, u: Mapping[str, float]) -> float:
    """Derivative once by `first` and twice by `second`."""

    def slope_at(shift: float) -> float:
        return _slope(model, {**at, second: at[second] + shift}, first, u[first])

    h = STEP * u[second]
    return (slope_at(h) - 2 * slope_at(0.0) + slope_at(-h)) / h**2
