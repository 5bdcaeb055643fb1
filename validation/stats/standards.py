"""The mass fraction of a standard made by weighing: assigned value and uncertainty, by propagation and Monte Carlo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from validation.stats.distributions import Distribution
from validation.stats.estimate import Estimate
from validation.stats.monte_carlo import AgreementResult, MonteCarloResult, agreement, monte_carlo
from validation.stats.propagation import PropagationResult, propagate

SOURCE = "JCGM 100:2008, 5.1.2 and 6.2; mass fraction by weighing"
#: Two significant digits of u are stable from seed to seed with this many (JCGM 101:2008, 7.2, asks for about 10^6
#: where the interval is wanted to two digits for any distribution; the block errors are printed beside it).
DRAWS = 200_000

PURITY, LOSS = "purity of the fuel", "loss while weighing"
AIR, WEIGHTS, FUEL_DENSITY, OIL_DENSITY = "density of air", "density of weights", "density of fuel", "density of oil"
DENSITIES = (AIR, WEIGHTS, FUEL_DENSITY, OIL_DENSITY)


@dataclass(frozen=True, slots=True)
class Weighed:
    """One component weighed, by the names of its balance readings among the inputs.

    Attributes
    ----------
    component : "fuel" or "oil"
    gross, tare : names of the readings; `tare` empty: `gross` is a net mass
    """

    component: str
    gross: str
    tare: str = ""


@dataclass(frozen=True, slots=True)
class AssignedValueResult:
    """The assigned value of a lot with its budget.

    Attributes
    ----------
    weighed : mass fraction of the weighings and the purity alone, no correction
    propagated : value, combined standard uncertainty and its parts, first order
    drawn, agreement : the same by Monte Carlo and how the two intervals compare; None where it was not asked for
    weighings : how many there were
    loss_shift, buoyancy_shift : what the correction for the mean loss, and for buoyancy, adds to the value

    All in the unit that `scale` makes of a mass fraction.
    """

    weighed: float
    propagated: PropagationResult
    weighings: int
    loss_shift: float
    buoyancy_shift: float
    drawn: MonteCarloResult | None = None
    agreement: AgreementResult | None = None

    @property
    def value(self) -> float:
        return self.propagated.value

    @property
    def standard_uncertainty(self) -> float:
        return self.propagated.combined

    @property
    def estimate(self) -> Estimate:
        """The assigned value with its coverage interval at any probability; effective degrees of freedom truncated."""
        distribution = self.propagated.distribution
        return Estimate(
            self.value,
            distribution=distribution,
            standard_uncertainty=self.standard_uncertainty,
            degrees_of_freedom=distribution.df,
            n=self.weighings,
            units=self.weighings,
            source=SOURCE,
        )


def buoyancy_factor(air: Any, weights: Any, object_: Any) -> Any:
    """Mass over balance reading for a balance adjusted with weights of conventional density.

    Parameters
    ----------
    air, weights, object_ : densities of air, weights and the object weighed, one unit; floats or arrays

    Returns
    -------
    (1 - air / weights) / (1 - air / object_), unit 1

    Raises
    ------
    ZeroDivisionError
        Floats: a density of weights or object that is zero, or an object as light as air.

    References
    ----------
    Air buoyancy of a weighing in air, as in the conventional-mass documents (OIML D 28, from memory).
    """
    return (1 - air / weights) / (1 - air / object_)


def mass_fraction(weighings: Sequence[Weighed], relative: Sequence[str], *, scale: float, **inputs: Any) -> Any:
    """w = m_f (1 - loss) P / (m_f (1 - loss) + m_o) times every relative factor, in the unit of `scale`.

    The impurity of the fuel stays in the denominator: it is mass all the same. What evaporates leaves both.

    Parameters
    ----------
    weighings : components "fuel" and "oil", with the names of their balance readings
    relative : names of the factors about 1 that multiply the result
    scale : float, 100 for %, 1e6 for mg/kg
    **inputs : the balance readings, `PURITY`, and where they are known `LOSS` and the four densities; floats or arrays

    Returns
    -------
    The mass fraction, a float or an array as the inputs are

    Raises
    ------
    KeyError
        A component that is neither, or a name that is not among the inputs.
    ZeroDivisionError
        Floats: nothing was weighed.

    References
    ----------
    The pattern of Eurachem/CITAC CG 4 (QUAM:2012), example A1, as a mass fraction.
    """
    masses: dict[str, Any] = {"fuel": 0.0, "oil": 0.0}
    for item in weighings:
        net = inputs[item.gross] - inputs[item.tare] if item.tare else inputs[item.gross]
        masses[item.component] = masses[item.component] + net
    fuel, oil = masses["fuel"], masses["oil"]
    if AIR in inputs:
        fuel = fuel * buoyancy_factor(inputs[AIR], inputs[WEIGHTS], inputs[FUEL_DENSITY])
        oil = oil * buoyancy_factor(inputs[AIR], inputs[WEIGHTS], inputs[OIL_DENSITY])
    fuel = fuel * (1 - inputs.get(LOSS, 0.0))
    result = scale * fuel * inputs[PURITY] / (fuel + oil)
    for name in relative:
        result = result * inputs[name]
    return result


def assigned_value(
    weighings: Sequence[Weighed],
    inputs: Mapping[str, Distribution],
    relative: Sequence[str] = (),
    *,
    scale: float = 100.0,
    confidence: float = 0.95,
    seed: int | None = None,
    draws: int = DRAWS,
) -> AssignedValueResult:
    """Assigned value of a standard made by weighing, corrected for the mean of a one-sided loss and for buoyancy.

    Parameters
    ----------
    weighings : what was weighed, in any order; at least one of "fuel" and one of "oil"
    inputs : distribution of every balance reading, of `PURITY`, of `LOSS` and the four densities where they are known,
        and of every factor in `relative`; masses in one unit, densities in one unit
    relative : factors about 1: homogeneity, loss in use
    scale : unit of the result, 100 for %
    confidence : of the coverage intervals
    seed : of the Monte Carlo; None: by propagation alone
    draws : of the Monte Carlo

    Returns
    -------
    AssignedValueResult

    Raises
    ------
    ValueError
        A component has no weighing, an input is missing, or only some of the four densities are given.

    References
    ----------
    JCGM 100:2008, 5.1.2; JCGM 101:2008, 7. The pattern, mass times purity over the total, is that of Eurachem/CITAC
    CG 4 (QUAM:2012), example A1.

    Examples
    --------
    Eurachem/CITAC CG 4 (QUAM:2012), example A1: 100.28 mg (u = 0.05 mg) of cadmium of purity 0.9999 +- 0.0001 in
    100.0 mL (u = 0.07 mL) make 1002.7 mg/L, u = 0.9 mg/L. Here in grams, a litre read as a kilogram.

    >>> from validation.stats.distributions import Normal, Rectangular
    >>> metal, solvent = Normal(0.10028, 0.00005), Normal(100 - 0.10028, 0.07)
    >>> inputs = {"metal": metal, "solvent": solvent, PURITY: Rectangular(0.9998, 1.0)}
    >>> result = assigned_value([Weighed("fuel", "metal"), Weighed("oil", "solvent")], inputs, scale=1e6)
    >>> f"{result.value:.1f} {result.standard_uncertainty:.1f}"
    '1002.7 0.9'
    """
    _check(weighings, inputs, relative)

    def model(**values: Any) -> Any:
        return mass_fraction(weighings, relative, scale=scale, **values)

    propagated = propagate(model, inputs, confidence=confidence)
    means = {name: item.mean for name, item in inputs.items()}
    no_loss = model(**{**means, LOSS: 0.0})
    in_vacuum = {name: value for name, value in means.items() if name not in DENSITIES}
    drawn = None if seed is None else monte_carlo(model, inputs, draws=draws, seed=seed, confidence=confidence)
    return AssignedValueResult(
        weighed=float(model(**{**in_vacuum, LOSS: 0.0, **dict.fromkeys(relative, 1.0)})),
        propagated=propagated,
        weighings=len(weighings),
        loss_shift=float(propagated.value - no_loss),
        buoyancy_shift=float(propagated.value - model(**in_vacuum)),
        drawn=drawn,
        agreement=None if drawn is None else agreement(propagated, drawn),
    )


@dataclass(frozen=True, slots=True)
class SharedValues:
    """Assigned values that share errors.

    Attributes
    ----------
    covariance : shape (lots, lots), in the squared unit of the values
    """

    covariance: NDArray[np.float64]

    @property
    def correlation(self) -> NDArray[np.float64]:
        """Of each pair, shape (lots, lots); 1 on the diagonal."""
        u = np.sqrt(np.diag(self.covariance))
        return self.covariance / np.outer(u, u)

    @property
    def u_mean(self) -> float:
        """Standard uncertainty of the plain mean of the values: what is shared does not average away."""
        return float(np.sqrt(self.covariance.mean()))

    @property
    def u_mean_if_independent(self) -> float:
        """The same, had they nothing in common."""
        return float(np.sqrt(np.trace(self.covariance)) / len(self.covariance))

    def u_difference(self, one: int, other: int) -> float:
        """Standard uncertainty of the difference of two values, from which what both share cancels."""
        own, against = self.covariance[one], self.covariance[other]
        return float(np.sqrt(max(own[one] - own[other] - against[one] + against[other], 0.0)))


def shared_values(contributions: Sequence[Mapping[str, float]]) -> SharedValues:
    """Covariance of assigned values from what each error brings to each of them.

    Parameters
    ----------
    contributions : of each lot, by the name of the error: sensitivity times standard uncertainty, with its sign, in the
        unit of the value. One name in several lots is one and the same error, fully correlated; other names are
        independent

    Returns
    -------
    SharedValues

    Raises
    ------
    ValueError
        No lot, or one without any contribution above zero.

    References
    ----------
    JCGM 100:2008, 5.2.2 and F.1.2.3: u(q, r) = sum over common inputs of (dq/dx)(dr/dx) u(x)^2 (from memory).

    Examples
    --------
    JCGM 100:2008, 5.2.2, example (from memory): ten resistors of 1000 ohm, each compared with one standard of u = 100
    mohm, in series: u of their sum is 1 ohm, that of their mean 0.1 ohm; had they been independent 0.32 and 0.03.

    >>> result = shared_values([{"standard": 0.1}] * 10)
    >>> round(result.u_mean, 3), round(result.u_mean_if_independent, 3)
    (0.1, 0.032)
    """
    if not contributions or not all(any(own.values()) for own in contributions):
        raise ValueError("each lot must have a contribution other than zero")
    names = list(dict.fromkeys(name for own in contributions for name in own))
    table = np.array([[own.get(name, 0.0) for name in names] for own in contributions])
    return SharedValues(table @ table.T)


#: A variance smaller than this share of what it was subtracted from is the rounding of doubles.
ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class StandardOfRuns:
    """What a standard adds to results beyond what runs calibrated with several lots show already.

    With C the covariance of the errors of the lots and R that of the run means by their lots: of p runs the expected
    mean square of the run means holds D = mean of the variances R_ii - mean of R_ij over pairs of different runs.

    Attributes
    ----------
    u : of the value of the lot in use; where none is named, of the lot of a run, root mean square
    in_scatter : root of D, which the scatter of the run means shows
    beside_scatter : root of u^2 - D, at least 0: what counts where the bias of the runs does not hold the standard
    beside_bias : root of V - D, at least 0, V the variance of the error of the lot in use minus the mean error of the
        runs: what counts where the bias holds the lots of the runs

    All in the unit of the errors.
    """

    u: float
    in_scatter: float
    beside_scatter: float
    beside_bias: float


def standard_of_runs(joint: SharedValues, shares: NDArray[np.float64], in_use: int | None = None) -> StandardOfRuns:
    """Each error of several lots counted once: in the scatter of the runs, in their mean, or beside both.

    Var(mean of the runs) - E[s^2] / p is the mean covariance over pairs of different runs: what the lots share does not
    average away and does not show in the scatter. With lots of equal u, `beside_scatter` is its root: u itself for one
    lot in all runs, 0 for a lot in each run and nothing in common.

    Parameters
    ----------
    joint : covariance of the errors of the k lots
    shares : shape (p, k), of each run the share of its readings under each lot; each row adds up to 1
    in_use : position of the lot that results lean on; None: any lot of the runs

    Returns
    -------
    StandardOfRuns

    Raises
    ------
    ValueError
        Shares of another shape, or a row that does not add up to 1.

    References
    ----------
    JCGM 100:2008, 5.2.2 (from memory); the expected mean square of correlated observations is elementary.

    Examples
    --------
    Two lots, 3 of their own and 4 in common, two runs each: D = 25 - (2 x 25 + 4 x 16) / 6 = 6, and 25 - 6 = 19.

    >>> lots = shared_values([{"own a": 3.0, "both": 4.0}, {"own b": 3.0, "both": 4.0}])
    >>> result = standard_of_runs(lots, np.array([[1, 0], [1, 0], [0, 1], [0, 1]]), in_use=0)
    >>> round(result.in_scatter**2, 9), round(result.beside_scatter**2, 9), result.beside_bias
    (6.0, 19.0, 0.0)
    """
    C, p = joint.covariance, len(shares)
    if shares.shape != (p, len(C)) or not p or not np.allclose(shares.sum(axis=1), 1.0):
        raise ValueError(f"shares must have shape (p >= 1, {len(C)}) with rows that add up to 1; got {shares.shape}")
    of_runs, mean_share = shares @ C @ shares.T, shares.mean(axis=0)
    variance, of_mean = np.trace(of_runs) / p, of_runs.mean()
    shown = p / (p - 1) * (variance - of_mean) if p > 1 else 0.0
    if in_use is None:
        own, apart = variance, variance - of_mean
    else:
        away = np.eye(len(C))[in_use] - mean_share
        own, apart = C[in_use, in_use], away @ C @ away
    return StandardOfRuns(
        float(np.sqrt(own)), _root(shown, variance), _root(own - shown, own), _root(apart - shown, own)
    )


def _root(variance: float, of: float) -> float:
    """Of a variance that was left over from `of`; 0 where nothing was."""
    return float(np.sqrt(variance)) if variance > ROUNDING * of else 0.0


def _check(weighings: Sequence[Weighed], inputs: Mapping[str, Distribution], relative: Sequence[str]) -> None:
    """Both components weighed, every input there, and all four densities or none."""
    names = {item.component for item in weighings}
    if names != {"fuel", "oil"}:
        raise ValueError(f"weighings must be of fuel and of oil; got {sorted(names)}")
    needed = [name for item in weighings for name in (item.gross, item.tare) if name] + [PURITY, *relative]
    needed += DENSITIES if any(name in inputs for name in DENSITIES) else ()
    missing = [name for name in needed if name not in inputs]
    if missing:
        raise ValueError(f"inputs must hold {', '.join(dict.fromkeys(missing))}")
