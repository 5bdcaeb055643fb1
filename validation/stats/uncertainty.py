"""Measurement uncertainty of a result: components joined, bias treated, u as a function of the level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, prod, sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.special import fdtri

from validation.stats.confidence import ChiSquare, ConfidenceDistribution, Magnitude
from validation.stats.estimate import Estimate, check_sizes
from validation.stats.intervals import Interval
from validation.stats.propagation import Model, coverage_factor, effective_df

COMBINED_SOURCE = (
    "JCGM 100:2008, 5.1.2, G.4.1 (from memory); interval: modified large sample, Graybill and Wang 1980 (from memory)"
)
EXPANDED_SOURCE = "JCGM 100:2008, 6.2.1, G.6.4 (from memory); the interval is that of u times k"
FUNCTION_SOURCE = "Eurachem/CITAC QUAM:2012, E.5 (from memory); weighted least squares on the squares"

#: Name of the term that stands for a bias that is not corrected.
BIAS_ITSELF = "bias itself"

#: Beyond this many of its standard uncertainties a bias shows.
SHOWN = 2.0

#: Half-width of a rectangle over its standard uncertainty: so far a component of unstated shape is taken to reach.
REACH = sqrt(3)

Treatment = Literal["enlarge", "correct", "restrict"]
Cover = Literal["whole", "estimate", "none"]


@dataclass(frozen=True, slots=True)
class Term:
    """One component at one level, in the unit of the result.

    `distribution`: its own, where a better one than chi-square on its degrees of freedom is known (a sum of components
    of variance).

    Attributes
    ----------
    name : of the component
    standard_uncertainty : in the unit of the result
    degrees_of_freedom : infinite where it is taken as known
    distribution : None: chi-square
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = inf
    distribution: ConfidenceDistribution | None = None

    @property
    def own(self) -> ConfidenceDistribution | None:
        """The distribution that brings it a width; None where it is taken as known."""
        if self.distribution is not None or not isfinite(self.degrees_of_freedom):
            return self.distribution
        return ChiSquare(self.standard_uncertainty, self.degrees_of_freedom)


@dataclass(frozen=True)
class RootSumOfSquares(ConfidenceDistribution):
    """The root of a sum of variances from the intervals of its terms: modified large sample, Graybill and Wang 1980.

    `sizes` are the terms that bring a width, `distributions` theirs; the rest of the sum counts as known.

    Attributes
    ----------
    value : the root of the whole sum, in the unit of the terms
    sizes, distributions : shape (k,), of the terms that bring a width
    """

    value: float
    sizes: tuple[float, ...]
    distributions: tuple[ConfidenceDistribution, ...]

    def interval(self, level: float) -> Interval | None:
        below = above = 0.0
        known = True
        for size, distribution in zip(self.sizes, self.distributions, strict=True):
            ends = distribution.interval(level)
            if ends is not None:
                known = False
                below += (size**2 - ends[0] ** 2) ** 2
                above += (ends[1] ** 2 - size**2) ** 2
        square = self.value**2
        return None if known else (sqrt(max(square - sqrt(below), 0.0)), sqrt(square + sqrt(above)))


@dataclass(frozen=True, slots=True)
class CombinedResult:
    """Combined and expanded uncertainty of independent terms, in the unit of the result.

    Attributes
    ----------
    combined, expanded : in the unit of the result
    coverage_factor : k, unit 1
    effective_df, coverage_df : by Welch and Satterthwaite; rounded down for k
    """

    combined: Estimate
    expanded: Estimate
    coverage_factor: float
    effective_df: float
    coverage_df: int | None


def combine(terms: Sequence[Term], *, coverage: float = 0.95, n: int = 0) -> CombinedResult:
    """Join independent terms by root sum of squares.

    Parameters
    ----------
    terms : at least one, in the unit of the result, each with sensitivity one
    coverage : probability for which k is taken
    n : readings behind the measured terms

    Returns
    -------
    CombinedResult. The combined uncertainty has no interval where every term is taken as known

    Raises
    ------
    ValueError
        No terms, or one that is negative or not finite.

    References
    ----------
    JCGM 100:2008, 5.1.2, 6.2.1, G.4.1, G.6.4 (from memory). Interval: modified large sample for a sum of variances,
    Graybill and Wang 1980 (from memory); terms with infinite degrees of freedom bring no width.

    Examples
    --------
    JCGM 100:2008 (GUM), G.4.1 (from memory): relative standard uncertainties 0.25, 0.57 and 0.82 % from 10, 5 and 15
    readings give 1.03 % on 19.0 degrees of freedom.

    >>> terms = [Term("x1", 0.25, 9), Term("x2", 0.57, 4), Term("x3", 0.82, 14)]
    >>> result = combine(terms)
    >>> round(result.combined.value, 2), round(result.effective_df, 1)
    (1.03, 19.0)
    """
    if not terms:
        raise ValueError("terms must hold at least one component; got none")
    for term in terms:
        if not (isfinite(term.standard_uncertainty) and term.standard_uncertainty >= 0):
            raise ValueError(f"a standard uncertainty must be zero or more; {term.name}: {term.standard_uncertainty}")
    sizes = [term.standard_uncertainty for term in terms]
    u = root_sum_of_squares(sizes)
    df = effective_df(u, sizes, [term.degrees_of_freedom for term in terms])
    k, whole = coverage_factor(df, coverage)
    wide = [(term.standard_uncertainty, term.own) for term in terms if term.own is not None]
    distribution = None
    if u > 0 and wide:
        distribution = RootSumOfSquares(u, tuple(size for size, _ in wide), tuple(own for _, own in wide if own))
    combined = Estimate(u, distribution, degrees_of_freedom=df if isfinite(df) else None, n=n, source=COMBINED_SOURCE)
    return CombinedResult(combined, replace(combined.scaled(k), source=EXPANDED_SOURCE), k, df, whole)


def root_sum_of_squares(sizes: Sequence[float]) -> float:
    """Root of the sum of squares, in the unit of the sizes; 0 for none.

    Parameters
    ----------
    sizes : shape (k,), floats in one unit

    Returns
    -------
    float, in the unit of the sizes

    Raises
    ------
    ValueError
        Sizes whose squares cannot be computed.

    References
    ----------
    JCGM 100:2008, 5.1.2 (from memory).
    """
    check_sizes(list(sizes), "sizes")
    return sqrt(sum(size**2 for size in sizes))


def bias_terms(
    bias: float,
    uncertainty: float,
    *,
    treatment: Treatment,
    degrees_of_freedom: float = inf,
    distribution: ConfidenceDistribution | None = None,
) -> tuple[Term, ...]:
    """What an estimated bias brings to the uncertainty of results.

    Parameters
    ----------
    bias, uncertainty : the bias and its own standard uncertainty, that of the reference value included; one unit
    treatment : "enlarge": the results are not corrected, the bias itself and its uncertainty both count; "correct":
        the results are corrected, its uncertainty alone counts; "restrict": not corrected and not counted, which
        holds only where the bias does not show (`bias_shows`)
    degrees_of_freedom : of the uncertainty; in the effective ones the bias itself counts as known
    distribution : of the bias; None: no width from the bias itself

    Returns
    -------
    One or two terms

    Raises
    ------
    None.

    References
    ----------
    Nordtest TR 537: u_bias = sqrt(RMS_bias^2 + u(Cref)^2), a bias not corrected; JCGM 100:2008, 3.2.4 and F.2.4.5
    (from memory): a known bias should be corrected, and where it is not, said and allowed for.
    """
    own = Term("uncertainty of the bias", uncertainty, degrees_of_freedom)
    if treatment != "enlarge":
        return (own,)
    size = None if distribution is None else Magnitude(distribution)
    return Term(BIAS_ITSELF, abs(bias), distribution=size), own


def bias_shows(bias: float, uncertainty: float) -> bool:
    """Whether a bias exceeds twice its standard uncertainty (zeta score above 2; ISO 13528:2015, 9.6, from memory).

    Parameters
    ----------
    bias, uncertainty : float, the bias and its standard uncertainty, one unit

    Returns
    -------
    bool

    Raises
    ------
    None.

    References
    ----------
    ISO 13528:2015, 9.6 (zeta score; from memory).
    """
    return abs(bias) > SHOWN * uncertainty


def cover_of(shift: float, interval: tuple[float, float] | None, component: float) -> Cover:
    """How far a component of the uncertainty covers a shift that it is to stand for.

    Parameters
    ----------
    shift, interval : the measured shift and its interval, in the unit of the component
    component : standard uncertainty of the component; it reaches `REACH` times as far

    Returns
    -------
    "whole": the whole interval lies within the reach; "estimate": the shift does, an end of its interval not, or there
    is no interval; "none": the shift itself lies beyond

    Raises
    ------
    None.

    References
    ----------
    JCGM 100:2008, 4.3.7: a rectangle of half-width a has u = a / sqrt(3) (from memory); the comparison is common
    practice, no source.
    """
    reach = REACH * component
    if abs(shift) > reach:
        return "none"
    return "whole" if interval is not None and max(map(abs, interval)) <= reach else "estimate"


@dataclass(frozen=True, slots=True)
class ExcessScatter:
    """What one standard deviation has beyond another: `value` in their unit, 0 where it is the smaller one.

    `ratio` is the ratio of the variances, `critical` what it exceeds with the stated chance where there is no excess.

    Attributes
    ----------
    value : in the unit of the standard deviations
    ratio, critical : unit 1
    """

    value: float
    ratio: float
    critical: float

    @property
    def shows(self) -> bool:
        return self.ratio > self.critical


def excess_scatter(s: float, df: float, base: float, base_df: float, *, confidence: float) -> ExcessScatter:
    """The scatter of one kind of samples beyond that of another, sqrt(s^2 - base^2), with the F test on it.

    Parameters
    ----------
    s, df, base, base_df : two independent standard deviations, one unit, and their degrees of freedom; base > 0
    confidence : one-sided, of the test

    Returns
    -------
    ExcessScatter, in the unit of the standard deviations

    Raises
    ------
    ValueError
        The base is not above zero, or fourth powers of the two cannot be computed.

    References
    ----------
    F test of two variances: common practice, no source.
    """
    check_sizes([s, base], "standard deviations", power=4)
    if not base > 0:
        raise ValueError(f"base must be above zero; got {base}")
    ratio = (s / base) ** 2
    return ExcessScatter(sqrt(max(s**2 - base**2, 0.0)), ratio, float(fdtri(df, base_df, confidence)))


@dataclass(frozen=True, slots=True)
class UncertaintyFunction:
    """u(x) = sqrt(constant^2 + (proportional x)^2); constant in the unit of the result, proportional a share.

    `largest_departure`: largest relative difference between the function and the uncertainties it was fitted to.

    Attributes
    ----------
    constant : in the unit of the result
    proportional : a share
    n_levels : levels that it was fitted to
    largest_departure : a share
    source : document and clause
    """

    constant: float
    proportional: float
    n_levels: int
    largest_departure: float
    source: str = FUNCTION_SOURCE

    def at(self, x: float) -> float:
        """Standard uncertainty of a result x, in its unit."""
        return sqrt(self.constant**2 + (self.proportional * x) ** 2)


def uncertainty_function(levels: Sequence[float], uncertainties: Sequence[float]) -> UncertaintyFunction:
    """Fit u(x) = sqrt(s0^2 + (x s1)^2) through the combined uncertainties at several levels.

    Least squares of u^2 on x^2, weighted so that the same relative departure counts the same at every level; neither
    part may be negative.

    Parameters
    ----------
    levels, uncertainties : shape (n,), n >= 2 with two different levels; uncertainties above zero, one unit

    Returns
    -------
    UncertaintyFunction, in the unit of the uncertainties

    Raises
    ------
    ValueError
        Fewer than two levels, or an uncertainty that is not above zero.

    References
    ----------
    Eurachem/CITAC QUAM:2012, E.5 (level dependence of uncertainty; from memory).
    """
    x, u = np.asarray(levels, dtype=float), np.asarray(uncertainties, dtype=float)
    if x.shape != u.shape or len(set(np.abs(x).tolist())) < 2:
        raise ValueError(f"levels must hold two different levels, one for each uncertainty; got {len(x)} and {len(u)}")
    check_sizes([*x, *u], "levels and uncertainties")
    if not (u > 0).all():
        raise ValueError("uncertainties must be above zero")
    check_sizes(u / u.max(), "uncertainties over the largest")
    # Scaled to about one, or a range of ppm would leave the solver with columns of very different size.
    x_unit, u_unit = float(np.abs(x).max()), float(u.max())
    squares, _ = nnls(
        np.column_stack([np.ones(len(x)), (x / x_unit) ** 2]) / (u / u_unit)[:, None] ** 2, np.ones(len(x))
    )
    constant, proportional = sqrt(squares[0]) * u_unit, sqrt(squares[1]) * u_unit / x_unit
    fitted = np.sqrt(constant**2 + (proportional * x) ** 2)
    return UncertaintyFunction(constant, proportional, len(x), float(np.abs(fitted / u - 1).max()))


#: Where a component enters the measurement model.
Place = Literal["standard", "sample", "standard reading", "factor"]


def measurement_model(level: float, places: Mapping[str, Place]) -> Model:
    """x = x_std (S - S_b) / (S_std - S_b) f_1 f_2 ... with S_b = 0, as a function of relative deviations.

    Every input is the relative deviation of one component from its value, so that its mean is 0 unless it is
    one-sided; what the standard's content is drops out.

    Parameters
    ----------
    level : content of the sample, above zero
    places : of each component by name: it deviates the standard's content, the sample's response, the standard's
        response, or the result as a factor of its own

    Returns
    -------
    The model, of keyword arguments by the names in `places`, floats or arrays; `level` where nothing deviates

    Raises
    ------
    ValueError
        A level that is not above zero.

    References
    ----------
    JCGM 100:2008, 4.1.1 (the model as a function of its inputs); one-point calibration through zero (common practice).
    """
    if not level > 0:
        raise ValueError(f"level must be above zero; got {level}")

    def share(at: Place, deviations: Mapping[str, Any]) -> Any:
        return prod((1 + deviations[name] for name, place in places.items() if place == at), start=1.0)

    def model(**deviations: float | NDArray[np.float64]) -> Any:
        ratio = share("sample", deviations) / share("standard reading", deviations)
        return level * share("standard", deviations) * ratio * share("factor", deviations)

    return model
