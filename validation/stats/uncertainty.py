"""Measurement uncertainty of a result: components joined, bias treated, u as a function of the level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, prod, sqrt
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.special import fdtri

from validation.stats.confidence import ChiSquare, ConfidenceDistribution, Magnitude
from validation.stats.estimate import Estimate, check_sizes
from validation.stats.intervals import Interval, check_confidence, sd_interval
from validation.stats.propagation import Model, coverage_factor, effective_df

COMBINED_SOURCE = (
    "JCGM 100:2008, 5.1.2, G.4.1; interval: lower end by Satterthwaite 1946, upper end by modified large sample, "
    "Graybill and Wang 1980 (all from memory)"
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

    Attributes
    ----------
    name : of the component
    standard_uncertainty : in the unit of the result
    degrees_of_freedom : infinite where it is taken as known
    distribution : its own, where a better one than chi-square on its degrees of freedom is known (a sum of components
        of variance); a `Magnitude` where the term is the size of a bias; None: chi-square
    repeats : how often its variance counts in that of the sum: 1 where it is independent of the other terms, 2 p + 1
        where its square is 1 / p of a mean square that stands in another term
    carried : whether the square of another term holds it on average, as that of an estimated bias holds the variance
        of the estimate; the interval then leaves it out
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = inf
    distribution: ConfidenceDistribution | None = None
    repeats: float = 1.0
    carried: bool = False

    @property
    def is_bias(self) -> bool:
        """Whether it is the size of a bias with an interval of its own."""
        return isinstance(self.distribution, Magnitude)

    @property
    def own(self) -> ConfidenceDistribution | None:
        """The distribution that brings it a width; None where it is taken as known."""
        if self.is_bias:
            return self.distribution
        if not isfinite(self.degrees_of_freedom):
            return None
        return self.distribution or ChiSquare(self.standard_uncertainty, self.degrees_of_freedom)


@dataclass(frozen=True)
class RootSumOfSquares(ConfidenceDistribution):
    """The root of known squares, variances and squared biases, by `uncertainty_interval`; widened to hold `value`.

    Attributes
    ----------
    value : the estimate that is reported, in the unit of the terms
    known : root of the sum of what is taken as known
    sizes, dfs, repeats, distributions : shape (k,), of the terms that are standard deviations
    biases, of_biases : shape (m,), of the terms that are biases
    """

    value: float
    known: float
    sizes: tuple[float, ...]
    dfs: tuple[float, ...]
    repeats: tuple[float, ...]
    distributions: tuple[ConfidenceDistribution, ...]
    biases: tuple[float, ...] = ()
    of_biases: tuple[ConfidenceDistribution, ...] = ()

    @classmethod
    def of(cls, value: float, terms: Sequence[Term]) -> RootSumOfSquares | None:
        """From the terms behind `value`; None where every one is taken as known."""
        counted = [term for term in terms if not term.carried and (term.standard_uncertainty > 0 or term.is_bias)]
        known = root_sum_of_squares([term.standard_uncertainty for term in counted if term.own is None])
        spreads = [(term, own) for term in counted if (own := term.own) is not None and not term.is_bias]
        biases = [(term, own) for term in counted if (own := term.own) is not None and term.is_bias]
        if not (spreads or biases):
            return None
        return cls(
            value,
            known,
            tuple(term.standard_uncertainty for term, _ in spreads),
            tuple(float(term.degrees_of_freedom) for term, _ in spreads),
            tuple(term.repeats for term, _ in spreads),
            tuple(own for _, own in spreads),
            tuple(term.standard_uncertainty for term, _ in biases),
            tuple(own for _, own in biases),
        )

    def interval(self, level: float) -> Interval | None:
        parts = zip(self.sizes, self.dfs, self.repeats, self.distributions, strict=True)
        spreads = [
            Spread(size, size if own.untruncated is None else own.untruncated, df, repeats, _ends(own, size, level)[1])
            for size, df, repeats, own in parts
        ]
        biases = [(b, *_ends(own, b, level)) for b, own in zip(self.biases, self.of_biases, strict=True)]
        low, high = uncertainty_interval(self.known, spreads, biases, confidence=level)
        return min(self.value, float(low)), max(self.value, float(high))


def _ends(distribution: ConfidenceDistribution, value: float, level: float) -> Interval:
    return distribution.interval(level) or (value, value)


class Spread(NamedTuple):
    """A standard deviation as `uncertainty_interval` takes it: numbers, or arrays with one value a study.

    Attributes
    ----------
    size, untruncated : the estimate, and what it was before components of variance below zero were set to zero
    df : degrees of freedom
    repeats : how often its variance counts (`Term.repeats`)
    upper : upper end of its own interval at the level
    """

    size: Any
    untruncated: Any
    df: Any
    repeats: float
    upper: Any


def uncertainty_interval(
    known: float, spreads: Sequence[Spread], biases: Sequence[tuple[Any, Any, Any]], *, confidence: float
) -> tuple[Any, Any]:
    """Two-sided interval of the root of a sum: squares taken as known, variances, squares of biases.

    What is estimated is u^2 = known^2 + sum of the true variances + sum of the true biases squared + the variance of
    every estimated bias. The square of an estimated bias holds its own variance on average, so that c = known^2 + S +
    sum b_j^2, with S = sum s_i^2, is free of bias for u^2, and nothing is added for it. A mean and the mean squares of
    the same normal readings are independent. Lower end, with nu the effective degrees of freedom of S and s_i^2 before
    truncation: c - sqrt[S^2 (1 - nu / chi2(upper tail, nu))^2 + sum (b_j^2 - near_j^2)^2]. Upper end:
    c + sqrt[sum r_i (upper_i^2 - s_i^2)^2 + sum (far_j^2 - b_j^2)^2].

    Parameters
    ----------
    known : root of the sum of what is taken as known, in the unit of the result
    spreads : the standard deviations
    biases : of each bias its size, and the ends of the interval of its size: nearest to zero, farthest from it
    confidence : level of the interval

    Returns
    -------
    (low, high), in the unit of the result

    Raises
    ------
    ValueError
        A confidence outside (0, 1).

    References
    ----------
    Satterthwaite 1946, Biometrics 2, 110; Graybill and Wang 1980, J. Am. Stat. Assoc. 75, 869 (both from memory).
    Which end takes which, and the squares of biases beside them: own choice, with its simulated rates in
    docs/coverage.md. With Graybill and Wang at the lower end too, the truth lay below it in 4 to 5 % for nominal 2.5.
    """
    check_confidence(confidence)
    counted = [(np.square(s.untruncated), np.square(s.size), s) for s in spreads]
    squares = [(np.square(b), np.square(near), np.square(far)) for b, near, far in biases]
    of_biases = sum(square for square, _, _ in squares)
    below = sum((square - near) ** 2 for square, near, _ in squares)
    above = sum((far - square) ** 2 for square, _, far in squares)
    above += sum(s.repeats * (np.square(s.upper) - square) ** 2 for _, square, s in counted)
    least, most = sum(least for least, _, _ in counted), sum(most for _, most, _ in counted)
    if counted:
        spent = sum(s.repeats * square**2 / s.df for square, _, s in counted)
        # Where readings are all alike nothing scatters, and any degrees of freedom give the same end, zero.
        df = np.where(spent > 0, least**2 / np.where(spent > 0, spent, 1.0), 1.0)
        below += (least - np.square(sd_interval(np.sqrt(least), df, confidence)[0])) ** 2
    low, high = (known**2 + of_biases + part for part in (least, most))
    return np.sqrt(np.maximum(low - np.sqrt(below), 0.0)), np.sqrt(high + np.sqrt(above))


@dataclass(frozen=True, slots=True)
class CombinedResult:
    """Combined and expanded uncertainty, in the unit of the result.

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
    """Join terms by root sum of squares.

    Parameters
    ----------
    terms : at least one, in the unit of the result, each with sensitivity one; independent but for mean squares that
        two of them share (`Term.repeats`)
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
    JCGM 100:2008, 5.1.2, 6.2.1, G.4.1, G.6.4 (from memory); interval: `uncertainty_interval`. Effective degrees of
    freedom by Welch and Satterthwaite over the independent mean squares: with s^2 = V + (1 - 1/n) W and e^2 = V / p the
    variance of s^2 + e^2 is that of s^2 plus (2 p + 1) times that of e^2.

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
    df = effective_df(u, sizes, [term.degrees_of_freedom / term.repeats for term in terms])
    k, whole = coverage_factor(df, coverage)
    distribution = RootSumOfSquares.of(u, terms) if u > 0 else None
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
    error: float,
    *,
    treatment: Treatment,
    reference: float = 0.0,
    degrees_of_freedom: float = inf,
    distribution: ConfidenceDistribution | None = None,
    runs: int | None = None,
) -> tuple[Term, ...]:
    """What an estimated bias brings to the uncertainty of results.

    What each treatment estimates, with beta the true bias, sigma the scatter of single results, e^2 and r^2 the
    variances of the estimated bias by scatter and by the reference values. "enlarge": sigma^2 + beta^2 + e^2 + r^2,
    the mean square error of a result that is not corrected, and what is not known of beta. "correct": sigma^2 + e^2 +
    r^2, the mean square error of a result from which the estimated bias is subtracted. "restrict": the same sum, for
    results that are not corrected, where beta is taken as zero.

    Parameters
    ----------
    bias, error : the bias and its standard error by scatter; one unit
    treatment : "enlarge": the results are not corrected, the bias itself and its uncertainty both count; "correct":
        the results are corrected, its uncertainty alone counts; "restrict": not corrected and not counted, which
        holds only where the bias does not show (`bias_shows`)
    reference : standard uncertainty of the reference values, taken as known
    degrees_of_freedom : of the error; in the effective ones the bias itself counts as known
    distribution : of the bias; None: no width from the bias itself
    runs : p, where the error is the standard error of the mean of the same p runs as the intermediate precision beside
        it: the two then share the mean square of the run means; None: independent, as from a recovery or a comparison

    Returns
    -------
    One to three terms

    Raises
    ------
    None.

    References
    ----------
    Nordtest TR 537: u_bias = sqrt(RMS_bias^2 + u(Cref)^2), a bias not corrected; JCGM 100:2008, 3.2.4 and F.2.4.5
    (from memory): a known bias should be corrected, and where it is not, said and allowed for. On average b^2 is
    beta^2 + e^2 + r^2, so that the reported sum with b^2 + e^2 + r^2 lies e^2 + r^2 above what is estimated.
    """
    enlarge = treatment == "enlarge"
    repeats = 1.0 if runs is None else 2.0 * runs + 1.0
    own = [Term("uncertainty of the bias", error, degrees_of_freedom, repeats=repeats, carried=enlarge)]
    if reference:
        own.append(Term("uncertainty of the reference values", reference, carried=enlarge))
    if not enlarge:
        return tuple(own)
    size = None if distribution is None else Magnitude(distribution)
    return Term(BIAS_ITSELF, abs(bias), distribution=size), *own


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
