"""Deciding on one limit: the risk of one result, guard bands and zones, and the risk over all results."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, isfinite, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from validation.stats.confidence import ConfidenceDistribution
from validation.stats.prior import REACH, Prior, ResultsPrior, UncertaintyOf, split_nodes

Array = NDArray[np.float64]
RuleName = Literal["simple", "guarded", "non-binary"]
Zone = Literal["below", "conditionally below", "conditionally above", "above"]

RULES: tuple[RuleName, ...] = ("simple", "guarded", "non-binary")
RULE = "ILAC-G8:09/2019, 4.2; JCGM 106:2012, 8 (from memory)"
#: Levels at which a confidence distribution is taken to average over it.
_LEVELS = 40
OVERALL = "JCGM 106:2012, 9 (clause from memory); numerical integration"


# One result -----------------------------------------------------------------------------------------------------


def probability_above(
    result: ArrayLike, u: ArrayLike, limit: float, *, degrees_of_freedom: float | None = None
) -> Array:
    """Probability that the true value lies above a limit, given one result and nothing else.

    The true value is taken as result + u * Z, with Z standard normal, or Student's t where degrees of freedom are
    given. One minus this is the conformance probability for an upper limit; this itself for a lower one.

    Parameters
    ----------
    result, u : floats or arrays of one shape, one unit; u > 0
    limit : in the same unit
    degrees_of_freedom : effective degrees of freedom of u; None for the normal distribution

    Returns
    -------
    Probabilities, an array of the shape of result and u

    Raises
    ------
    ValueError
        A standard uncertainty that is not positive, or degrees of freedom below 1.

    References
    ----------
    JCGM 106:2012, 7.3 (normal), from memory. Student's t: JCGM 101:2008, 6.4.9 (from memory).
    """
    u = np.asarray(u, dtype=float)
    if not (u > 0).all():
        raise ValueError(f"u must be positive; got {float(u.min())}")
    z = (np.asarray(result, dtype=float) - limit) / u
    if degrees_of_freedom is None:
        return np.asarray(special.ndtr(z))
    _check_df(degrees_of_freedom)
    return np.asarray(special.stdtr(degrees_of_freedom, z))


def averaged(distribution: ConfidenceDistribution, of: Callable[[float], float]) -> float | None:
    """Mean of a function of an estimated quantity over its confidence distribution.

    With of(u) the probability of a wrong report, it is that probability when what is not known of u itself is counted.
    Where u has the chi-square distribution of a standard deviation on nu degrees of freedom, a normal tail averages to
    that of Student's t on nu.

    Parameters
    ----------
    distribution : of the quantity, such as u; its intervals at all levels hold it
    of : bounded function of the quantity, any unit

    Returns
    -------
    float, in the unit of the function; None where the quantity has no intervals

    Raises
    ------
    None.

    References
    ----------
    Schweder and Hjort 2016 (confidence distributions; from memory): half the integral over all levels of the function
    at both ends, here by Gauss's rule.
    """
    nodes, weights = np.polynomial.legendre.leggauss(_LEVELS)
    ends = [distribution.interval(float(level)) for level in (1 + nodes) / 2]
    if any(pair is None for pair in ends):
        return None
    return float(sum(w * (of(pair[0]) + of(pair[1])) for w, pair in zip(weights, ends, strict=True) if pair) / 4)


def guard_factor(risk: float, *, degrees_of_freedom: float | None = None) -> float:
    """The z of a guard band z * u that leaves a one-sided risk at the acceptance limit: 1.645 for 5 %.

    Parameters
    ----------
    risk : one-sided probability, unit 1
    degrees_of_freedom : effective degrees of freedom of u; None for the normal distribution

    Returns
    -------
    float, unit 1

    Raises
    ------
    ValueError
        A risk that is not above 0 and below 0.5: at 0.5 there is no guard band; degrees of freedom below 1.

    References
    ----------
    JCGM 106:2012, 8.3 and table 1; ILAC-G8:09/2019, table 1 (from memory).

    Examples
    --------
    JCGM 106:2012, table 1 (from memory): z = 1.64 for a conformance probability of 0.95, 2.33 for 0.99.

    >>> [f"{guard_factor(risk):.2f}" for risk in (0.05, 0.01)]
    ['1.64', '2.33']
    """
    if not 0 < risk < 0.5:
        raise ValueError(f"risk must lie above 0 and below 0.5; got {risk}")
    if degrees_of_freedom is None:
        return -float(special.ndtri(risk))
    _check_df(degrees_of_freedom)
    return -float(special.stdtrit(degrees_of_freedom, risk))


def _check_df(df: float) -> None:
    if not df >= 1:
        raise ValueError(f"degrees_of_freedom must be at least 1; got {df}")


def u_curve(values: ArrayLike, u: ArrayLike) -> UncertaintyOf:
    """The standard uncertainty between values where it is known: straight lines from point to point.

    Below the first point it stays, above the last one it keeps its share of the value.

    Parameters
    ----------
    values, u : shape (k,), k >= 1; u > 0

    Returns
    -------
    The standard uncertainty by value, arrays of one shape in and out

    Raises
    ------
    ValueError
        Arrays of different shapes, no values or one that is not finite, or a standard uncertainty that is not
        positive and finite.

    References
    ----------
    Common practice, no source.
    """
    x, s = np.asarray(values, dtype=float), np.asarray(u, dtype=float)
    if x.ndim != 1 or x.shape != s.shape or x.size == 0:
        raise ValueError(f"values and u must have one shape (k >= 1,); got {x.shape} and {s.shape}")
    if not ((s > 0) & np.isfinite(s) & np.isfinite(x)).all():
        raise ValueError("u must be positive and finite at every value")
    order = np.argsort(x)
    x, s = x[order], s[order]
    top, at_top = float(x[-1]), float(s[-1])

    def curve(at: ArrayLike) -> Array:
        at = np.asarray(at, dtype=float)
        inside = np.interp(at, x, s)
        return np.where((at > top) & (top > 0), at_top * at / (top if top > 0 else 1.0), inside)

    return curve


def acceptance_limit(limit: float, u: UncertaintyOf, factor: float) -> float:
    """The largest result A that still lies `factor` of its own standard uncertainties below the limit.

    Solves A + factor * u(A) = limit. With a constant u this is limit - factor * u.

    Parameters
    ----------
    limit, u : the limit, and the standard uncertainty by value in the same unit
    factor : standard uncertainties between the two, zero or more

    Returns
    -------
    float, in the unit of the limit

    Raises
    ------
    ValueError
        No such result exists.

    References
    ----------
    JCGM 106:2012, 8.3.2 (clause from memory).
    """
    return _solved(lambda x: x + factor * float(u(x)) - limit, limit, -1.0, factor * float(u(limit)))


def rejection_limit(limit: float, u: UncertaintyOf, factor: float) -> float:
    """The smallest result R that lies `factor` of its own standard uncertainties above the limit.

    Solves R - factor * u(R) = limit.

    Parameters
    ----------
    limit, u, factor : as for `acceptance_limit`

    Returns
    -------
    float, in the unit of the limit

    Raises
    ------
    ValueError
        u grows so fast with the value that there is no such result.

    References
    ----------
    JCGM 106:2012, 8.3.3 example: a speed limit with a relative uncertainty (clause from memory).

    Examples
    --------
    The same example: a limit of 100 km/h, u of 2 % of the speed, a conformance probability of 0.999: 107 km/h.

    >>> f"{rejection_limit(100, lambda v: 0.02 * np.asarray(v), guard_factor(0.001)):.0f}"
    '107'
    """
    return _solved(lambda x: x - factor * float(u(x)) - limit, limit, 1.0, factor * float(u(limit)))


def _solved(f: Callable[[float], float], limit: float, sign: float, first: float) -> float:
    if first == 0:
        return limit
    near, far = limit, limit + sign * first
    for _ in range(60):
        if sign * f(far) >= 0:
            return float(optimize.brentq(f, near, far, xtol=1e-13, rtol=1e-14))
        near, far = far, limit + 2 * (far - limit)
    side = "above" if sign > 0 else "below"
    raise ValueError(f"no result lies far enough {side} {limit}: the uncertainty grows as fast as the distance")


# Rules ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Zones:
    """A decision rule at one upper limit: which results are reported how.

    Attributes
    ----------
    rule : "simple", "guarded" or "non-binary"
    limit : what the customer set
    acceptance_limit : results up to it are reported as below the limit
    rejection_limit : results from it on are reported as above; the binary rules report all others so, so that for
        them it is the acceptance limit itself
    guard_band : width set against the risk; 0 for the simple rule
    """

    rule: RuleName
    limit: float
    acceptance_limit: float
    rejection_limit: float
    guard_band: float
    source: str = RULE

    def zone(self, result: float) -> Zone:
        """How a result is reported."""
        if result <= self.acceptance_limit:
            return "below"
        if self.rule != "non-binary" or result >= self.rejection_limit:
            return "above"
        return "conditionally below" if result <= self.limit else "conditionally above"

    def spans(self) -> tuple[tuple[Zone, float, float], ...]:
        """The zones in order, each with its ends; the outer ends are infinite."""
        a, r = self.acceptance_limit, self.rejection_limit
        if self.rule != "non-binary":
            return ("below", -inf, a), ("above", a, inf)
        return (
            ("below", -inf, a),
            ("conditionally below", a, self.limit),
            ("conditionally above", self.limit, r),
            ("above", r, inf),
        )


def simple_rule(limit: float) -> Zones:
    """Simple acceptance: the result alone decides. At the limit the risk is 50 %.

    Parameters
    ----------
    limit : float, what the customer set, in the unit of the results

    Returns
    -------
    Zones, both limits at `limit`

    Raises
    ------
    None.

    References
    ----------
    ILAC-G8:09/2019, 4.2.1; JCGM 106:2012, 8.2 (from memory).
    """
    return Zones("simple", limit, limit, limit, 0.0)


def guarded_rule(limit: float, u: UncertaintyOf, factor: float, *, at_result: bool = False) -> Zones:
    """Binary with guard band: below the limit is only what lies the guard band below it; all else is above.

    Parameters
    ----------
    limit, u : float, the limit, and the standard uncertainty by value in the same unit
    factor : the guard band in standard uncertainties, `guard_factor(risk)`, or U / u
    at_result : take the uncertainty at the result, solving for the acceptance limit, instead of that at the limit

    Returns
    -------
    Zones, in the unit of the limit

    Raises
    ------
    ValueError
        A factor that is not positive and finite, or an uncertainty for which no result lies far enough from the limit.

    References
    ----------
    ILAC-G8:09/2019, 4.2.2.
    """
    width = _width(limit, u, factor)
    a = acceptance_limit(limit, u, factor) if at_result else limit - width
    return Zones("guarded", limit, a, a, width)


def non_binary_rule(limit: float, u: UncertaintyOf, factor: float, *, at_result: bool = False) -> Zones:
    """Four zones: below, conditionally below, conditionally above, above.

    Parameters
    ----------
    limit, u, factor, at_result : as for `guarded_rule`

    Returns
    -------
    Zones, in the unit of the limit

    Raises
    ------
    ValueError
        As for `guarded_rule`.

    References
    ----------
    ILAC-G8:09/2019, 4.2.3 (from memory).
    """
    width = _width(limit, u, factor)
    if at_result:
        return Zones("non-binary", limit, acceptance_limit(limit, u, factor), rejection_limit(limit, u, factor), width)
    return Zones("non-binary", limit, limit - width, limit + width, width)


def _width(limit: float, u: UncertaintyOf, factor: float) -> float:
    if not (factor > 0 and isfinite(factor)):
        raise ValueError(f"factor must be positive and finite; got {factor}")
    return factor * float(u(limit))


def rounding_uncertainty(step: float) -> float:
    """Standard uncertainty of rounding to a step: step / sqrt(12).

    Parameters
    ----------
    step : float, above 0

    Returns
    -------
    float, in the unit of the step

    Raises
    ------
    ValueError
        The step is not positive.

    References
    ----------
    JCGM 100:2008, F.2.2.1 (resolution of an indication).
    """
    if not step > 0:
        raise ValueError(f"step must be positive; got {step}")
    return step / sqrt(12)


@dataclass(frozen=True, slots=True)
class OneResult:
    """What a rule says of one result.

    Attributes
    ----------
    result, u : the result and the standard uncertainty at it, one unit
    above : probability that the true value lies above the limit
    zone : how it is reported
    """

    result: float
    u: float
    above: float
    zone: Zone

    @property
    def wrong(self) -> float:
        """Probability that the report names the wrong side of the limit."""
        return self.above if self.zone.endswith("below") else 1 - self.above


def one_result(
    zones: Zones, u: UncertaintyOf, results: Sequence[float], *, degrees_of_freedom: float | None = None
) -> tuple[OneResult, ...]:
    """What a rule says of single results.

    Parameters
    ----------
    zones : the decision rule
    u : standard uncertainty by value
    results : shape (n,), in the unit of the limit
    degrees_of_freedom : effective degrees of freedom of u; None for the normal distribution

    Returns
    -------
    One record a result, in their order

    Raises
    ------
    ValueError
        As for `probability_above`.

    References
    ----------
    JCGM 106:2012, 7.3, from memory.
    """
    x = np.asarray(results, dtype=float)
    s = u(x)
    p = probability_above(x, s, zones.limit, degrees_of_freedom=degrees_of_freedom)
    columns = zip(x.tolist(), s.tolist(), p.tolist(), strict=True)
    return tuple(OneResult(a, b, above, zones.zone(a)) for a, b, above in columns)


# All results ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OverallRisk:
    """What a rule does to samples drawn from a prior. All are probabilities for one sample taken at random.

    Attributes
    ----------
    false_clearance : true value above the limit, though reported as below (for an upper limit: the consumer's risk)
    false_condemnation : true value at or below the limit, though reported as above (the producer's risk)
    above : true value above the limit
    cleared, condemned : reported as below, as above
    """

    false_clearance: float
    false_condemnation: float
    above: float
    cleared: float
    condemned: float
    source: str = OVERALL

    @property
    def between(self) -> float:
        """Neither reported as below nor as above."""
        rest = 1.0 - self.cleared - self.condemned
        return rest if rest > 1e-12 else 0.0  # what rounding leaves under a binary rule

    @property
    def missed(self) -> float | None:
        """Of the samples above the limit, the share that is cleared; None where there are none."""
        return self.false_clearance / self.above if self.above > 0 else None


def overall_risk(prior: Prior | ResultsPrior, zones: Zones, u: UncertaintyOf) -> OverallRisk:
    """False clearance and false condemnation over all samples.

    A result is the true value plus a normal error whose standard uncertainty is u at the true value. The joint
    distribution of true value and result is integrated over the two wrong corners.

    Parameters
    ----------
    prior : distribution of the true values
    zones : the decision rule
    u : standard uncertainty by value, arrays of one shape in and out

    Returns
    -------
    OverallRisk, probabilities

    Raises
    ------
    None.

    References
    ----------
    JCGM 106:2012, 9.3 and 9.4: consumer's and producer's risk (clauses from memory).
    """
    (low, low_weight), (high, high_weight) = split_nodes(prior, zones.limit, u)
    a, r = zones.acceptance_limit, zones.rejection_limit
    above = prior.above(zones.limit)
    missed = _sum(high_weight, special.ndtr((a - high) / u(high)))
    rightly_above = _sum(high_weight, special.ndtr((high - r) / u(high)))
    wrongly_above = _sum(low_weight, special.ndtr((low - r) / u(low)))
    not_cleared = _sum(low_weight, special.ndtr((low - a) / u(low)))
    # The bulk of the prior lies far below the limit: its share is taken exactly, only the losses are integrated.
    return OverallRisk(missed, wrongly_above, above, 1 - above - not_cleared + missed, rightly_above + wrongly_above)


def _sum(weights: Array, values: Array) -> float:
    return float((weights * values).sum())


def probability_above_with(prior: Prior, result: float, limit: float, u: UncertaintyOf) -> float | None:
    """Probability that the true value lies above the limit, given the result and what earlier samples were like.

    Parameters
    ----------
    prior : distribution of the true values
    result, limit : floats, one unit
    u : standard uncertainty by value

    Returns
    -------
    The probability; None where the prior leaves nothing at such a result

    Raises
    ------
    None.

    References
    ----------
    JCGM 106:2012, 6.2: Bayes' theorem (clause from memory).
    """
    reach = REACH * float(u(result))
    low, high = result - reach, result + reach
    middle = min(max(limit, low), high)
    parts = []
    for a, b in ((low, middle), (middle, high)):
        edges = np.linspace(a, b, 7)
        nodes, weights = np.polynomial.legendre.leggauss(20)
        half = (edges[1:] - edges[:-1])[:, None] / 2
        y = ((edges[1:] + edges[:-1])[:, None] / 2 + half * nodes).ravel()
        s = u(y)
        error = np.exp(-0.5 * ((result - y) / s) ** 2) / s
        parts.append(float((prior.density(y) * error * (half * weights).ravel()).sum()))
    total = sum(parts)
    if not total > 0:
        return None
    return parts[1] / total if limit < high else 0.0
