"""Linear mixed model of one mean and several random factors, nested or crossed, balanced or not, by REML.

y = mu + sum_k Z_k a_k + e, a_k ~ N(0, s_k^2), e ~ N(0, s^2). Dense: meant for the readings of one level. What the
readings cannot tell apart is found from the design alone, before any number is estimated.

Beside statsmodels `MixedLM`: in 120 simulated crossed studies of 24 readings it did not converge in 38, and its Wald
intervals at 95 % held 75 to 83 %, the profile ones here 98 % or more. scipy's L-BFGS-B leaves a slope of the deviance
of 9e-9, Newton's method here 2e-15, and the intervals are roots of that deviance (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import inf, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import linalg
from scipy.optimize import brentq
from scipy.special import digamma

from validation.stats.confidence import ConfidenceDistribution
from validation.stats.estimate import Estimate, Number, centre
from validation.stats.intervals import Interval, check_confidence, chi_square_quantile

SOURCE = (
    "REML of the linear mixed model (Searle, Casella and McCulloch 1992, chapter 6); interval: profile of the "
    "restricted likelihood, chi-square limit with Bartlett's correction (all from memory)"
)
#: With fewer values than this a component's interval reaches from next to nothing to many times the estimate.
LEAST_VALUES = 3
_STEPS, _HALVINGS = 200, 40
#: Share of the sum of squares below which what is left between readings drowns in double precision.
_HIDDEN = 1e-14

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Component:
    """One random factor, or several that change together and so have one component between them.

    Attributes
    ----------
    factors : names of the factors that share this component, in the order given
    values : how many different values it takes
    estimate : standard deviation in the unit of the values, with its interval; degrees of freedom are the differences
        between its values that no other factor explains. None where it is not estimated
    reason : why not, as a whole sentence; empty with an estimate
    """

    factors: tuple[str, ...]
    values: int
    estimate: Estimate | None
    reason: str = ""

    @property
    def name(self) -> str:
        """ "analyst", "day and run"."""
        return _listed(self.factors)


@dataclass(frozen=True, slots=True)
class MixedModelResult:
    """Components in the order of the factors, and what is left between readings that agree in all of them.

    `residual_sd` is None where no model was fitted; `reason` then says why, as a whole sentence.

    Attributes
    ----------
    components : one a factor or group of factors
    residual_sd : in the unit of the values; None where no model was fitted
    residual_df : degrees of freedom left between readings
    reason : why no model was fitted; empty where one was
    """

    components: tuple[Component, ...]
    residual_sd: float | None
    residual_df: int
    reason: str = ""

    def get(self, factor: str) -> Component | None:
        """The component that a factor has a part in."""
        return next((component for component in self.components if factor in component.factors), None)


@dataclass(frozen=True, slots=True)
class Factor:
    """A factor as the design sees it: the names that share one partition of the readings, and its codes.

    Attributes
    ----------
    names : of the factors that divide the readings alike
    codes : shape (n,), numbered from 0
    """

    names: tuple[str, ...]
    codes: tuple[int, ...]

    @property
    def values(self) -> int:
        return max(self.codes) + 1

    def refines(self, other: Factor) -> bool:
        """Whether readings that agree in this factor agree in the other too."""
        return len(set(zip(self.codes, other.codes, strict=True))) == self.values


def mixed_model(values: Sequence[Number], factors: Mapping[str, Sequence[str]]) -> MixedModelResult:
    """Fit one component a factor, all at once, none below zero.

    Parameters
    ----------
    values : shape (n,), floats or exact decimals in one unit
    factors : name -> shape (n,), the value of the factor for each reading. A value names the same thing wherever it
        stands: number the runs of each day differently, or they are taken as crossed with the days

    Returns
    -------
    MixedModelResult. A factor with one value only is left out. Factors that divide the readings alike share one
    component. A factor with fewer than three values stays in the model, so that the others are free of it, but gets no
    estimate.

    Raises
    ------
    ValueError
        A factor whose length differs from that of `values`, or a value that is not finite.

    References
    ----------
    Searle, Casella and McCulloch 1992, Variance Components, 6.6 (restricted likelihood, Fisher's scoring); 2 l(s_k)
    against its maximum as chi-square with one degree of freedom, times the mean that it has for one mean square with
    the component's degrees of freedom, df (log(df/2) - digamma(df/2)) (Bartlett 1937; all from memory).

    Examples
    --------
    Travel times on six rails, Pinheiro and Bates 2000, 1.1: REML, printed 24.805 and 4.0208.

    >>> times = [55, 53, 54, 26, 37, 32, 78, 91, 85, 92, 100, 96, 49, 51, 50, 80, 85, 83]
    >>> result = mixed_model(times, {"rail": [rail for rail in "123456" for _ in range(3)]})
    >>> round(result.components[0].estimate.value, 3), round(result.residual_sd, 4)
    (24.805, 4.0208)
    """
    _, y = centre(values)
    wrong = [name for name, column in factors.items() if len(column) != len(y)]
    if wrong:
        raise ValueError(f"each factor must have {len(y)} values; {wrong[0]} has {len(factors[wrong[0]])}")
    columns = tuple((name, _codes(column)) for name, column in factors.items())
    design = _design(columns)
    unfitted = tuple(Component(f.names, f.values, None, design.reasons.get(f.names, "")) for f in design.factors)
    if not design.fitted:
        return MixedModelResult(unfitted, None, design.residual_df)
    if design.residual_df < 1:
        reason = "No two readings agree in all factors: what is left between readings cannot be told from the factors."
        return MixedModelResult(unfitted, None, design.residual_df, reason)
    differences = tuple(y.tolist())
    if _Fit(design, y).alike:
        reason = (
            "Readings that agree in all factors agree to the last digit written: their scatter is hidden by the "
            "rounding, and no component is estimated."
        )
        return MixedModelResult(unfitted, None, design.residual_df, reason)
    fit, best = _fitted(columns, differences)
    components = []
    for factor in design.factors:
        reason, estimate = design.reasons.get(factor.names, ""), None
        if not reason:
            position = design.fitted.index(factor)
            s = sqrt(best[position]) * fit.scale
            notes = () if s > 0 else ("The estimate of this component was not positive and is set to zero.",)
            estimate = Estimate(
                s,
                Profile(differences, columns, position),
                degrees_of_freedom=float(design.dfs[factor.names]),
                n=len(y),
                units=factor.values,
                notes=notes,
                source=SOURCE,
            )
        components.append(Component(factor.names, factor.values, estimate, reason))
    return MixedModelResult(tuple(components), sqrt(best[-1]) * fit.scale, design.residual_df)


#: Name and codes of each factor.
Columns = tuple[tuple[str, tuple[int, ...]], ...]


@dataclass(frozen=True)
class Profile(ConfidenceDistribution):
    """Profile likelihood of the component at `position` among those fitted.

    `differences` are the readings from the first of them, `columns` the factors as `mixed_model` numbers them.

    Attributes
    ----------
    differences : shape (n,), in the unit of the values
    columns : name and codes of each factor
    position : of the component among those fitted
    """

    differences: tuple[float, ...]
    columns: Columns
    position: int

    def interval(self, level: float) -> Interval:
        check_confidence(level)
        design = _design(self.columns)
        fit, best = _fitted(self.columns, self.differences)
        s = sqrt(best[self.position]) * fit.scale
        low, high = fit.interval(self.position, best, design.dfs[design.fitted[self.position].names], level)
        return min(s, low * fit.scale), max(s, high * fit.scale)


@lru_cache(maxsize=64)
def _fitted(columns: Columns, differences: tuple[float, ...]) -> tuple[_Fit, Vector]:
    """The fit and the variances of greatest likelihood: the intervals of all components and levels start from them."""
    fit = _Fit(_design(columns), np.array(differences))
    return fit, fit.best()


# --- the design ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Design:
    """What the factors' values alone determine.

    `factors` are those that vary, alike ones joined; `fitted` those in the model; `reasons` says by names why one gets
    no estimate. The readings act on the components only through their projection on `basis`, shape (n, r), where the
    component k adds s_k^2 `matrices[k]`; the last matrix is the identity of what is left.
    """

    factors: tuple[Factor, ...]
    fitted: tuple[Factor, ...]
    dfs: Mapping[tuple[str, ...], int]
    reasons: Mapping[tuple[str, ...], str]
    basis: Vector
    matrices: Vector
    residual_df: int


def _codes(column: Sequence[str]) -> tuple[int, ...]:
    """Values numbered in the order of their first appearance, so that equal partitions have equal codes."""
    numbers: dict[str, int] = {}
    return tuple(numbers.setdefault(value, len(numbers)) for value in column)


def joined(columns: Sequence[tuple[str, tuple[int, ...]]]) -> tuple[Factor, ...]:
    """The factors that vary; those that divide the readings alike are one.

    Parameters
    ----------
    columns : shape (k,) of names with codes, each codes of shape (n,), numbered from 0

    Returns
    -------
    Factors in the order of their first name

    Raises
    ------
    None.

    References
    ----------
    None: it is bookkeeping.
    """
    by_codes: dict[tuple[int, ...], list[str]] = {}
    for name, codes in columns:
        if len(set(codes)) > 1:
            by_codes.setdefault(codes, []).append(name)
    return tuple(Factor(tuple(names), codes) for codes, names in by_codes.items())


@lru_cache(maxsize=64)
def _design(columns: Columns) -> _Design:
    """Join, drop and order the factors: the levels of a study share one design."""
    factors, n = joined(columns), len(columns[0][1]) if columns else 0
    reasons: dict[tuple[str, ...], str] = {}
    for factor in factors:
        if factor.values == n:
            reasons[factor.names] = (
                f"The {_listed(factor.names)} change{_s(factor.names)} with every reading: what {_it(factor.names)} "
                "contributes is part of the scatter of the readings."
            )
    candidates = [factor for factor in factors if factor.names not in reasons]
    fitted = _told_apart(candidates, reasons, n)
    dfs = {factor.names: _own_df(factor, fitted) for factor in fitted}
    for factor in fitted:
        if factor.values < LEAST_VALUES or dfs[factor.names] < LEAST_VALUES - 1:
            reasons[factor.names] = _too_few(factor, dfs[factor.names])
    centred = [_incidence(factor) - _incidence(factor).mean(axis=0) for factor in fitted]
    basis = linalg.orth(np.hstack(centred), rcond=1e-9) if fitted else np.zeros((n, 0))
    halves = [basis.T @ z for z in centred]
    matrices = np.array([*(half @ half.T for half in halves), np.eye(basis.shape[1])])
    return _Design(factors, tuple(fitted), dfs, reasons, basis, matrices, n - 1 - basis.shape[1])


def _incidence(factor: Factor) -> Vector:
    return np.equal.outer(np.array(factor.codes), np.arange(factor.values)).astype(float)


def _rank(factors: Sequence[Factor], n: int) -> int:
    return int(np.linalg.matrix_rank(np.hstack([np.ones((n, 1)), *(_incidence(factor) for factor in factors)])))


def _told_apart(candidates: Sequence[Factor], reasons: dict[tuple[str, ...], str], n: int) -> list[Factor]:
    """The factors whose covariance matrices, free of the mean, are linearly independent of those before and of the
    identity: only their components enter the likelihood separately.
    """
    middle = np.eye(n) - 1 / n
    kept: list[Factor] = []
    flat = [middle.ravel()]
    for factor in candidates:
        z = middle @ _incidence(factor)
        added = [*flat, (z @ z.T).ravel()]
        scaled = np.array([row / np.linalg.norm(row) for row in added])
        if np.linalg.matrix_rank(scaled @ scaled.T, tol=1e-10, hermitian=True) == len(added):
            flat, kept = added, [*kept, factor]
        else:
            beside = _listed([name for other in kept for name in other.names]) or "scatter of the readings"
            reasons[factor.names] = (
                f"The {_listed(factor.names)} cannot be told apart from the {beside} in this design: "
                f"{_it(factor.names)} get{_s(factor.names)} no component."
            )
    return kept


def _own_df(factor: Factor, fitted: Sequence[Factor]) -> int:
    """How many differences between its values the factors that do not refine it leave unexplained."""
    others = [other for other in fitted if other is not factor and not other.refines(factor)]
    n = len(factor.codes)
    return _rank([*others, factor], n) - _rank(others, n)


def _too_few(factor: Factor, df: int) -> str:
    name = _listed(factor.names)
    if factor.values < LEAST_VALUES:
        return (
            f"The {name} take{_s(factor.names)} {factor.values} values only: an interval of the component would say "
            f"next to nothing, and none is given; {_it(factor.names)} {_is(factor.names)} allowed for in the others. "
            "Three values or more would supply one."
        )
    return (
        f"Beside the other factors {df} difference(s) between the values of the {name} are left: too few for a "
        f"component; {_it(factor.names)} {_is(factor.names)} allowed for in the others. Values that change "
        "independently of the other factors would supply one."
    )


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""


def _s(names: Sequence[str]) -> str:
    return "s" if len(names) == 1 else ""


def _it(names: Sequence[str]) -> str:
    return "it" if len(names) == 1 else "they"


def _is(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"


# --- the fit ---------------------------------------------------------------------------------------------------------


def _scaled(curve: Vector) -> Vector:
    """A matrix of second derivatives with a diagonal of one: the parameters differ in size."""
    size = np.sqrt(np.abs(np.diag(curve)).clip(1e-300))
    return curve / np.outer(size, size)


class _Fit:
    """The restricted likelihood of one set of readings; variances in the square of `scale`."""

    def __init__(self, design: _Design, y: Vector):
        self.matrices, self.df = design.matrices, design.residual_df
        self.sizes = np.linalg.norm(self.matrices, 2, axis=(1, 2))
        y = y - y.mean()
        w = design.basis.T @ y
        rest = y - design.basis @ w
        total = float(y @ y)
        self.alike = float(rest @ rest) <= _HIDDEN * total or total == 0
        self.scale = 1.0 if self.alike else sqrt(total / (len(y) - 1))
        self.w, self.rest = w / self.scale, float(rest @ rest) / self.scale**2

    def deviance(self, s: Vector) -> float:
        """-2 log restricted likelihood, constants left out, at the variances `s`, the residual one last.

        Infinite where the variances lie too far apart for double precision.
        """
        if s[-1] <= 1e-15 * float(s @ self.sizes):
            return inf
        root = np.linalg.cholesky(np.tensordot(s, self.matrices, 1))
        whitened = np.linalg.solve(root, self.w)
        return (
            2 * float(np.log(np.diag(root)).sum())
            + float(whitened @ whitened)
            + self.df * log(s[-1])
            + self.rest / float(s[-1])
        )

    def _slopes(self, s: Vector) -> tuple[Vector, Vector, Vector]:
        """Derivatives of the deviance, its second derivatives, and what those are expected to be."""
        inverse = np.linalg.inv(np.tensordot(s, self.matrices, 1))
        left = inverse @ self.matrices  # (k, r, r)
        u = inverse @ self.w
        pulled = self.matrices @ u  # (k, r)
        slope = np.trace(left, axis1=1, axis2=2) - pulled @ u
        expected = np.einsum("kij,lji->kl", left, left)
        seen = 2 * pulled @ inverse @ pulled.T - expected
        slope[-1] += self.df / s[-1] - self.rest / s[-1] ** 2
        seen[-1, -1] += 2 * self.rest / s[-1] ** 3 - self.df / s[-1] ** 2
        expected[-1, -1] += self.df / s[-1] ** 2
        return slope, seen, expected

    def minimise(self, start: Vector, *, fixed: int | None = None, tolerance: float) -> tuple[Vector, float]:
        """Newton's method with variances not below zero; a component at zero stays there while it wants to fall.

        Where the deviance does not curve upwards, Fisher's scoring takes the step.

        Ends once a step moves no variance by more than `tolerance` of itself.
        """
        s, d = start.copy(), self.deviance(start)
        while d == inf:
            s[-1] *= 100
            d = self.deviance(s)
        for _ in range(_STEPS):
            slope, seen, expected = self._slopes(s)
            free = ~((s <= 0) & (slope >= 0))
            if fixed is not None:
                free[fixed] = False
            step = np.zeros_like(s)
            block = np.ix_(free, free)
            upwards = bool(free.any()) and float(np.linalg.eigvalsh(_scaled(seen[block])).min()) > 1e-6
            step[free] = -np.linalg.lstsq((seen if upwards else expected)[block], slope[free], rcond=1e-14)[0]
            for _ in range(_HALVINGS):
                trial = np.maximum(s + step, 0.0)
                trial[-1] = max(trial[-1], s[-1] / 10)
                after = self.deviance(trial)
                # Next to the minimum the deviance is flat to its last digit: what it cannot tell apart may pass.
                if after <= d + 1e-12 * (1 + abs(d)):
                    break
                step /= 2
            else:
                return s, d
            settled = bool(np.all(np.abs(trial - s) <= tolerance * trial))
            s, d = trial, after
            if settled:
                break
        return s, d

    def best(self) -> Vector:
        """The least deviance from a start with equal parts and from one with the residual alone."""
        k = len(self.matrices)
        even = np.full(k, 1.0 / k)
        within = np.zeros(k)
        within[-1] = max(self.rest / self.df, 1e-6)
        both = [self.minimise(start, tolerance=1e-12) for start in (even, within)]
        # The two agree but for the last digits; which of them is told must not hang on those.
        return both[0][0] if both[0][1] <= both[1][1] + 1e-9 else both[1][0]

    def interval(self, position: int, found: Vector, df: int, confidence: float) -> tuple[float, float]:
        """Where the profile of the deviance over one standard deviation has risen by the limit, in units of scale."""
        limit = self.deviance(found) + float(chi_square_quantile(confidence, 1)) * df * (
            log(df / 2) - float(digamma(df / 2))
        )

        def excess(sd: float) -> float:
            start = found.copy()
            start[position] = sd**2
            # An error of the variances enters the least deviance by its square.
            return self.minimise(start, fixed=position, tolerance=1e-8)[1] - limit

        value = sqrt(found[position])
        low = 0.0
        if value > 0 and excess(0.0) > 0:
            low = float(brentq(excess, 0.0, value, xtol=1e-14, rtol=1e-13))
        inside, high = value, max(value, 0.05)
        while excess(high) <= 0:
            inside, high = high, 2 * high
        return low, float(brentq(excess, inside, high, xtol=1e-14, rtol=1e-13))
