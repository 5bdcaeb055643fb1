"""What the true values of many samples are like before one is measured: assumed, or fitted to earlier results."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import exp, inf, isfinite, log, sqrt
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from validation.stats.confidence import ConfidenceDistribution
from validation.stats.estimate import Estimate, check_sizes
from validation.stats.intervals import Interval, check_confidence, t_quantile

Array = NDArray[np.float64]
#: Standard uncertainty of a result by its value, arrays of one shape in and out.
UncertaintyOf = Callable[[ArrayLike], Array]

SOURCE = "maximum likelihood of true value plus error (common practice, no source); delta method for the interval"
#: The largest standard deviation of natural logarithms: nine results in ten over fourteen powers of ten.
WIDEST = 10.0
#: Beyond so many standard uncertainties nothing of the error is left (1e-18).
REACH = 9.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(20)
#: Chances in either tail at whose quantiles the panels of an integral begin.
_TAILS = (1e-13, 1e-11, 1e-9, 1e-7, 1e-5, 1e-4, 1e-3, 0.01, 0.05, 0.15, 0.3, 0.5)

#: Half-width of a logarithm beyond which an interval says nothing: a factor of ten thousand to either side.
WIDEST = 4 * log(10)
UNDETERMINED = "The earlier results do not determine how sure this probability is: it has no interval."
TOO_SMALL = "The earlier results say next to nothing about so small a probability: it has no interval."


class Prior(Protocol):
    """A distribution of true values: its density, the probability above a value, and quantiles to integrate between.

    Attributes
    ----------
    name : of the family
    """

    @property
    def name(self) -> str: ...

    def density(self, y: ArrayLike) -> Array: ...

    def above(self, y: float) -> float: ...

    def marks(self) -> Array: ...


@dataclass(frozen=True, slots=True)
class NormalPrior:
    """Normal true values.

    Attributes
    ----------
    mean, sd : mean and standard deviation, above 0, in the unit of the results
    """

    mean: float
    sd: float
    name: str = "normal"

    def __post_init__(self) -> None:
        _positive("sd", self.sd)

    def density(self, y: ArrayLike) -> Array:
        return np.exp(-0.5 * ((np.asarray(y) - self.mean) / self.sd) ** 2) / (self.sd * sqrt(2 * np.pi))

    def above(self, y: float) -> float:
        return float(special.ndtr((self.mean - y) / self.sd))

    def marks(self) -> Array:
        return self.mean + self.sd * _Z


@dataclass(frozen=True, slots=True)
class LognormalPrior:
    """True values whose logarithm is normal.

    Attributes
    ----------
    median : above 0, in the unit of the results
    log_sd : standard deviation of the natural logarithm, above 0
    """

    median: float
    log_sd: float
    name: str = "lognormal"

    def __post_init__(self) -> None:
        _positive("median", self.median)
        _positive("log_sd", self.log_sd)
        if self.log_sd > WIDEST:
            raise ValueError(
                f"log_sd must be {WIDEST:g} or less, beyond it results are of no one kind; got {self.log_sd}"
            )

    def density(self, y: ArrayLike) -> Array:
        y = np.asarray(y, dtype=float)
        safe = np.where(y > 0, y, 1.0)
        z = np.log(safe / self.median) / self.log_sd
        return np.where(y > 0, np.exp(-0.5 * z**2) / (safe * self.log_sd * sqrt(2 * np.pi)), 0.0)

    def above(self, y: float) -> float:
        return 1.0 if y <= 0 else float(special.ndtr(log(self.median / y) / self.log_sd))

    def marks(self) -> Array:
        return self.median * np.exp(self.log_sd * _Z)


@dataclass(frozen=True, slots=True)
class GammaPrior:
    """Gamma-distributed true values; mean = shape * scale.

    Attributes
    ----------
    shape : above 0
    scale : above 0, in the unit of the results

    Examples
    --------
    NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4 (from memory): chi-square on 10 degrees of freedom, a
    gamma of shape 5 and scale 2, exceeds 18.307 with probability 0.05 and 23.209 with 0.01.

    >>> [f"{GammaPrior(5, 2).above(y):.4f}" for y in (18.307, 23.209)]
    ['0.0500', '0.0100']
    """

    shape: float
    scale: float
    name: str = "gamma"

    def __post_init__(self) -> None:
        _positive("shape", self.shape)
        _positive("scale", self.scale)

    def density(self, y: ArrayLike) -> Array:
        y = np.asarray(y, dtype=float)
        safe = np.where(y > 0, y, 1.0) / self.scale
        inside = np.exp((self.shape - 1) * np.log(safe) - safe - special.gammaln(self.shape)) / self.scale
        return np.where(y > 0, inside, 0.0)

    def above(self, y: float) -> float:
        return 1.0 if y <= 0 else float(special.gammaincc(self.shape, y / self.scale))

    def marks(self) -> Array:
        low, high = special.gammaincinv(self.shape, _TAILS), special.gammainccinv(self.shape, _TAILS)
        return self.scale * np.unique([*low, *high])


@dataclass(frozen=True, slots=True)
class TwoLognormalsPrior:
    """Two kinds of samples, each lognormal: most of them, and others, such as engines with a leak.

    Attributes
    ----------
    most, others : the two kinds
    share : of the others, above 0 and below 1
    """

    most: LognormalPrior
    others: LognormalPrior
    share: float
    name: str = "two lognormals"

    def __post_init__(self) -> None:
        if not 0 < self.share < 1:
            raise ValueError(f"share must lie between 0 and 1; got {self.share}")

    def density(self, y: ArrayLike) -> Array:
        return (1 - self.share) * self.most.density(y) + self.share * self.others.density(y)

    def above(self, y: float) -> float:
        return (1 - self.share) * self.most.above(y) + self.share * self.others.above(y)

    def marks(self) -> Array:
        return np.unique([*self.most.marks(), *self.others.marks()])


@dataclass(frozen=True)
class ResultsPrior:
    """Earlier results taken for true values, each with the same weight.

    Results scatter more than true values, by the error of measurement; so this prior overstates the spread, and with
    it the share of samples near and beyond a limit.

    Attributes
    ----------
    values : shape (n,), n >= 1
    """

    values: tuple[float, ...]
    name: str = "results as they are"

    def __post_init__(self) -> None:
        if not self.values:
            raise ValueError("values must hold at least one result; got none")

    def above(self, y: float) -> float:
        return float(np.mean(np.asarray(self.values) > y))


#: The standard normal's quantiles at `_TAILS`, on both sides.
_Z = np.unique([*special.ndtri(_TAILS), *-special.ndtri(_TAILS)])


def _positive(name: str, value: float) -> None:
    if not (value > 0 and isfinite(value)):
        raise ValueError(f"{name} must be positive and finite; got {value}")


def split_nodes(prior: Prior | ResultsPrior, limit: float, u: UncertaintyOf) -> tuple[tuple[Array, Array], ...]:
    """Points and weights that integrate over the true values at or below `limit`, and over those above it.

    Gauss's rule with 20 points on panels whose edges lie at multiples of u about the limit, where an error function
    turns, and at quantiles of the prior.

    Parameters
    ----------
    prior : distribution of the true values; earlier results are their own points, of equal weight
    limit : float, in the unit of the true values
    u : standard uncertainty by value

    Returns
    -------
    Two pairs of arrays, below and above: true values, and the prior's probability that each stands for

    Raises
    ------
    None.

    References
    ----------
    Gauss and Legendre's rule (any handbook); where the panels begin is common practice, no source.
    """
    if isinstance(prior, ResultsPrior):
        values = np.sort(np.asarray(prior.values, dtype=float))
        weights = np.full(values.size, 1.0 / values.size)
        return tuple((values[side], weights[side]) for side in (values <= limit, values > limit))
    marks = prior.marks()
    near = limit + float(u(limit)) * np.array([-13, -9, -6, -4.5, -3, -2, -1, -0.5, 0.5, 1, 2, 3, 4.5, 6, 9, 13])
    edges = np.unique([*marks, *near, limit])
    edges = np.unique(np.clip(edges, marks[0], marks[-1]))
    sides = (edges[edges <= limit], edges[edges >= limit])
    return tuple(_weighted(prior, *_panels(side)) for side in sides)


def _weighted(prior: Prior, y: Array, widths: Array) -> tuple[Array, Array]:
    return y, prior.density(y) * widths


def _panels(edges: Array) -> tuple[Array, Array]:
    """Points and weights of Gauss's rule on each panel between neighbouring edges."""
    if edges.size < 2:
        return np.empty(0), np.empty(0)
    middle, half = (edges[1:] + edges[:-1]) / 2, (edges[1:] - edges[:-1]) / 2
    return (middle[:, None] + half[:, None] * _NODES).ravel(), (half[:, None] * _WEIGHTS).ravel()


# Fitting --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Family:
    """How a prior is built from free parameters, and where the search for them begins."""

    build: Callable[[Sequence[float]], Prior]
    start: Callable[[Array, float], Sequence[float]]
    negative: bool = False


def _normal_start(x: Array, variance: float) -> Sequence[float]:
    return float(x.mean()), 0.5 * log(variance)


def _lognormal_start(x: Array, variance: float) -> Sequence[float]:
    squared = log(1 + variance / float(x.mean()) ** 2)
    return log(float(x.mean())) - 0.5 * squared, 0.5 * log(squared)


def _gamma_start(x: Array, variance: float) -> Sequence[float]:
    mean = float(x.mean())
    return 2 * log(mean) - log(variance), log(variance) - log(mean)


def _two_start(x: Array, variance: float) -> Sequence[float]:
    """The upper fifth as the others: their medians and log standard deviations."""
    logs = np.log(np.maximum(np.sort(x), 0.02 * float(x.mean())))
    low, high = np.split(logs, [max(2, int(0.8 * x.size))])
    return (
        float(np.median(low)),
        log(max(float(low.std()), 0.1)),
        float(np.median(high)),
        log(max(float(high.std()), 0.2)),
        log(0.2 / 0.8),
    )


_FAMILIES: dict[str, _Family] = {
    "normal": _Family(lambda p: NormalPrior(p[0], exp(p[1])), _normal_start, negative=True),
    "lognormal": _Family(lambda p: LognormalPrior(exp(p[0]), exp(p[1])), _lognormal_start),
    "gamma": _Family(lambda p: GammaPrior(exp(p[0]), exp(p[1])), _gamma_start),
    "two lognormals": _Family(
        lambda p: TwoLognormalsPrior(
            LognormalPrior(exp(p[0]), exp(p[1])), LognormalPrior(exp(p[2]), exp(p[3])), float(special.expit(p[4]))
        ),
        _two_start,
    ),
}
FAMILIES = tuple(_FAMILIES)


@dataclass(frozen=True)
class Probability(ConfidenceDistribution):
    """A probability whose logarithm is normal with the standard error `log_error`; it never exceeds 1.

    There is no interval at a level at which the logarithm would be uncertain by more than `WIDEST`.

    Attributes
    ----------
    value : the probability, above 0
    log_error : standard error of its natural logarithm
    """

    value: float
    log_error: float

    def interval(self, level: float) -> Interval | None:
        check_confidence(level)
        half = t_quantile((1 + level) / 2, None) * self.log_error
        return (self.value * exp(-half), min(1.0, self.value * exp(half))) if half < WIDEST else None

    def notes(self, level: float) -> tuple[str, ...]:
        return (TOO_SMALL,) if self.interval(level) is None else ()


@dataclass(frozen=True)
class FittedPrior:
    """A prior fitted to earlier results, the variance of the measurement taken out.

    Attributes
    ----------
    prior : the distribution of true values of greatest likelihood
    log_likelihood : of the results; comparable between families fitted to the same results
    n, censored : results that entered with their value, and as "below a bound"
    parameters, covariance : the free parameters on the scale of the fit, and their covariance (None where the
        likelihood is flat, so that no interval can be formed)
    """

    prior: Prior
    log_likelihood: float
    n: int
    censored: int
    parameters: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...] | None
    source: str = SOURCE
    family: str = field(default="")

    @property
    def criterion(self) -> float:
        """Akaike's criterion: of several families fitted to the same results the smallest describes them best."""
        return 2 * len(self.parameters) - 2 * self.log_likelihood

    def estimate(self, of: Callable[[Prior], float]) -> Estimate:
        """A probability computed from the fitted prior, with the interval that the number of results leaves.

        Delta method on the logarithm of the probability: its gradient by central differences, normal quantile.
        """
        value, entered = of(self.prior), self.n + self.censored
        error = self._log_error(of) if value > 0 else inf
        if not isfinite(error):
            return Estimate(value, n=entered, units=entered, notes=(UNDETERMINED,), source=self.source)
        return Estimate(value, Probability(value, error), n=entered, units=entered, source=self.source)

    def _log_error(self, of: Callable[[Prior], float]) -> float:
        """Standard error of the logarithm of the probability; infinite where the likelihood is flat."""
        if self.covariance is None:
            return inf
        build, covariance, at = _FAMILIES[self.family].build, np.asarray(self.covariance), np.asarray(self.parameters)

        def log_at(parameters: Array) -> float:
            return log(max(of(build(parameters.tolist())), 1e-300))

        steps = np.diag(0.05 * np.sqrt(np.diag(covariance)))
        gradient = np.array([(log_at(at + step) - log_at(at - step)) / (2 * step.sum()) for step in steps])
        return sqrt(float(gradient @ covariance @ gradient))


def fit_prior(
    results: Sequence[float], u: UncertaintyOf, *, family: str = "lognormal", below: Sequence[float] = ()
) -> FittedPrior:
    """Fit the distribution of true values behind earlier results.

    A result is a true value plus a normal error of standard uncertainty u at the true value. The likelihood of each
    result is therefore the integral of the prior's density against the error; what is fitted is the distribution of
    true values, narrower than that of the results.

    Parameters
    ----------
    results : shape (n,), n >= 3, not all alike
    u : standard uncertainty by value
    family : one of FAMILIES
    below : bounds of results that were only reported as below them; each enters as the probability of that

    Returns
    -------
    FittedPrior

    Raises
    ------
    ValueError
        Too few results, results without any spread beyond the error, an unknown family, or a result so far below
        zero that a family of positive true values cannot hold it.

    References
    ----------
    Maximum likelihood with the error of measurement in the likelihood (common practice, no source).
    """
    if family not in _FAMILIES:
        raise ValueError(f"family must be one of {', '.join(FAMILIES)}; got {family}")
    model = _FAMILIES[family]
    x = np.asarray(results, dtype=float)
    if x.ndim != 1 or x.size < 3:
        raise ValueError(f"results must hold at least three finite numbers; got {x.size}")
    check_sizes(x, "results")
    variance = float(np.var(x, ddof=1) - np.mean(u(x) ** 2))
    if variance <= 0:
        raise ValueError("results must scatter more than their uncertainty; these scatter less")
    if not model.negative and x.mean() <= 0:
        raise ValueError(f"results must have a positive mean for the family {family}; got {float(x.mean())}")
    likelihood = _Likelihood(x, np.asarray(below, dtype=float), u, -inf if model.negative else 0.0)

    def loss(parameters: Sequence[float]) -> float:
        try:
            return -likelihood.log(model.build(parameters))
        except (OverflowError, ValueError):
            return 1e12

    first = optimize.minimize(loss, np.asarray(model.start(x, variance)), method="BFGS", options={"gtol": 1e-4})
    parameters = tuple(float(p) for p in first.x)
    covariance = _covariance(loss, np.asarray(parameters))
    return FittedPrior(
        model.build(parameters), -float(first.fun), int(x.size), len(below), parameters, covariance, family=family
    )


class _Likelihood:
    """Log likelihood of the results for any prior: the error's part is computed once."""

    def __init__(self, x: Array, below: Array, u: UncertaintyOf, floor: float) -> None:
        self.y, self.weight = self._around(x, u, floor)
        self.weight = self.weight * _normal_density(x[:, None] - self.y, u(self.y))
        if not (self.weight.sum(axis=1) > 0).all():
            worst = float(x.min())
            raise ValueError(f"results must be possible for true values above zero; {worst} lies too far below")
        self.below_from = np.maximum(below - REACH * u(below), floor) if below.size else below
        if below.size:
            self.below_y, widths = self._around(below, u, floor)
            self.below_weight = widths * special.ndtr((below[:, None] - self.below_y) / u(self.below_y))

    @staticmethod
    def _around(x: Array, u: UncertaintyOf, floor: float) -> tuple[Array, Array]:
        """Points about each result, over nine standard uncertainties to each side, in two panels."""
        reach = REACH * u(x)
        low, high = np.maximum(x - reach, floor), np.maximum(x + reach, floor)
        middle = np.clip(x, low, high)
        parts = []
        for a, b in ((low, middle), (middle, high)):
            half = (b - a)[:, None] / 2
            parts.append(((a + b)[:, None] / 2 + half * _NODES, half * _WEIGHTS))
        return np.hstack([y for y, _ in parts]), np.hstack([w for _, w in parts])

    def log(self, prior: Prior) -> float:
        with np.errstate(over="ignore", under="ignore", divide="ignore", invalid="ignore"):
            each = (prior.density(self.y) * self.weight).sum(axis=1)
            total = float(np.log(np.maximum(each, 1e-300)).sum())
            if self.below_from.size:
                under = (prior.density(self.below_y) * self.below_weight).sum(axis=1)
                under += [1 - prior.above(float(start)) if isfinite(start) else 0.0 for start in self.below_from]
                total += float(np.log(np.maximum(under, 1e-300)).sum())
        return total


def _normal_density(d: Array, u: Array) -> Array:
    return np.exp(-0.5 * (d / u) ** 2) / (u * sqrt(2 * np.pi))


def _covariance(loss: Callable[[Sequence[float]], float], at: Array) -> tuple[tuple[float, ...], ...] | None:
    """Inverse of the observed information, by central second differences; None where it is not positive definite."""
    k = at.size
    e = np.eye(k) * 1e-3
    hessian = np.empty((k, k))
    for i in range(k):
        for j in range(i + 1):
            corners = loss(at + e[i] + e[j]) - loss(at + e[i] - e[j]) - loss(at - e[i] + e[j]) + loss(at - e[i] - e[j])
            hessian[i, j] = hessian[j, i] = corners / (4 * 1e-6)
    if not np.isfinite(hessian).all() or np.linalg.eigvalsh(hessian)[0] <= 0:
        return None
    return tuple(tuple(row) for row in np.linalg.inv(hessian).tolist())


def density_of_results(prior: Prior, results: ArrayLike, u: UncertaintyOf) -> Array:
    """Density of results, true value plus error, at some results; to hold a fitted prior against them.

    Parameters
    ----------
    prior : of true values above zero
    results : shape (n,)
    u : standard uncertainty by value

    Returns
    -------
    Densities, shape (n,), in the inverse of the unit of the results

    Raises
    ------
    ValueError
        A result so far below zero that no true value above zero can have given it.

    References
    ----------
    The integral of `fit_prior` (common practice, no source).
    """
    x = np.asarray(results, dtype=float)
    around = _Likelihood(x, np.empty(0), u, 0.0)
    return np.asarray((prior.density(around.y) * around.weight).sum(axis=1))
