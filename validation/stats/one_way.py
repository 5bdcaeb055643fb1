"""One-way random model: readings in groups (runs, laboratories) of equal or unequal size.

y_ij = mu + a_i + e_ij. Mean squares are formed after exact centring; the between component is the REML estimate; the
intervals are the modified-large-sample ones, which keep their coverage where Satterthwaite's do not.

Beside scipy `f_oneway` and statsmodels: of F on NIST's SmLs09, 14.0 correct digits, theirs 4.2 and 1.9, for the
differences are formed exactly; statsmodels `MixedLM` stops 5e-5 from the REML estimate (docs/libraries.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.optimize import brentq

from validation.stats.confidence import Component, SumOfMeanSquares
from validation.stats.estimate import Estimate, Number, centre
from validation.stats.intervals import satterthwaite

WITHIN_SOURCE = "ISO 5725-2 (variance within cells, pooled; from memory); chi-square interval"
BETWEEN_SOURCE = (
    "REML (Searle, Casella and McCulloch 1992); interval: modified large sample, "
    "Ting et al. 1990 (Burdick and Graybill 1992; all from memory)"
)
TOTAL_SOURCE = (
    "ISO 5725-3 (sum of the components); interval: modified large sample, "
    "Graybill and Wang 1980 (Burdick and Graybill 1992; all from memory)"
)

#: A spread below the last digit written is unknown, not zero: a bound of zero would meet any limit.
ALL_ALIKE = (
    "The readings agree within each group to the last digit written: the standard deviation of zero shows their "
    "rounding, not their precision, and no bound can be claimed. Readings with more digits would supply it."
)
WITHIN_HIDDEN = (
    "The readings agree within each group to the last digit written: their scatter is hidden by the rounding and "
    "counts as zero here."
)


@dataclass(frozen=True, slots=True)
class OneWayResult:
    """One-way random model. Standard deviations in the unit of the values, mean squares in its square.

    Attributes
    ----------
    n, n_groups, counts : readings, groups, readings of each group
    general_mean : mean of all readings; mean_of_means : mean of the group means
    group_means : in the order of the groups
    deviations : group means minus `mean_of_means`, free of the rounding of large readings
    ms_between, df_between : mean square between groups of the analysis of variance; None with one group
    ms_within, df_within : pooled variance within groups; None where no group has two readings
    ms_between_unweighted : harmonic n times the variance of the group means; equals `ms_between` for equal counts
    harmonic_n : harmonic mean of the counts
    F, p : ratio of the mean squares and its upper tail; None where it does not exist
    s_within : pooled standard deviation within groups, chi-square interval; without one where nothing scatters
    s_between : REML estimate, zero where not positive (noted), interval of Ting et al., whose upper end is never below
        that at a lower point of F (`guarded_component_interval`)
    s_total : sqrt(s_between^2 + s_within^2), interval of Graybill and Wang, its upper end never below that for equal
        mean squares; degrees of freedom of Satterthwaite
    """

    n: int
    n_groups: int
    counts: tuple[int, ...]
    general_mean: float
    mean_of_means: float
    group_means: tuple[float, ...]
    deviations: tuple[float, ...]
    ms_between: float | None
    df_between: int
    ms_within: float | None
    df_within: int
    ms_between_unweighted: float | None
    harmonic_n: float
    F: float | None
    p: float | None
    s_within: Estimate | None
    s_between: Estimate | None
    s_total: Estimate | None
    notes: tuple[str, ...] = ()

    @property
    def balanced(self) -> bool:
        """Whether all groups hold the same number of readings."""
        return len(set(self.counts)) == 1


def one_way(groups: Sequence[Sequence[Number]], *, group: str = "run") -> OneWayResult:
    """Estimate the components within and between groups.

    Parameters
    ----------
    groups : sequence of groups, each of one or more readings (floats or exact decimals), all in one unit
    group : what a group is called in the notes, such as "run" or "laboratory"

    Returns
    -------
    OneWayResult. `s_within` is None without replicates, `s_between` with one group or without replicates. Without
    replicates `s_total` is the standard deviation of the single readings; with one group it is None.

    Raises
    ------
    ValueError
        No group, an empty group, or a number that is not finite.

    References
    ----------
    Searle, Casella and McCulloch 1992, Variance Components, chapters 3 and 6; Burdick and Graybill 1992, Confidence
    Intervals on Variance Components, chapters 3 (equal counts) and 4 (unweighted means); all from memory.

    Examples
    --------
    Yield of six batches of dyestuff, Davies and Goldsmith 1972 (REML by R's lme4 42.001 and 49.510; F 4.598).

    >>> result = one_way(
    ...     [
    ...         [1545, 1440, 1440, 1520, 1580],
    ...         [1540, 1555, 1490, 1560, 1495],
    ...         [1595, 1550, 1605, 1510, 1560],
    ...         [1445, 1440, 1595, 1465, 1545],
    ...         [1595, 1630, 1515, 1635, 1625],
    ...         [1520, 1455, 1450, 1480, 1445],
    ...     ]
    ... )
    >>> [f"{value:.3f}" for value in (result.s_between.value, result.s_within.value, result.F)]
    ['42.001', '49.510', '4.598']
    """
    if not groups or any(len(values) == 0 for values in groups):
        raise ValueError("groups must hold at least one group, and each group at least one reading")
    squares = _MeanSquares.of(groups)
    within, between, total, notes = _components(squares, group)
    ratio = squares.between / squares.within if squares.between is not None and squares.within else None
    p_value = None if ratio is None else float(special.fdtrc(squares.df_between, squares.df_within, ratio))
    return OneWayResult(
        n=squares.n,
        n_groups=squares.n_groups,
        counts=tuple(squares.counts.tolist()),
        general_mean=_shifted(squares.offset, float(np.average(squares.means, weights=squares.counts))),
        mean_of_means=_shifted(squares.offset, float(squares.means.mean())),
        group_means=tuple(_shifted(squares.offset, float(m)) for m in squares.means),
        deviations=tuple(float(m) for m in squares.means - squares.means.mean()),
        ms_between=squares.between,
        df_between=squares.df_between,
        ms_within=squares.within,
        df_within=squares.df_within,
        ms_between_unweighted=squares.unweighted,
        harmonic_n=squares.harmonic_n,
        F=ratio,
        p=p_value,
        s_within=within,
        s_between=between,
        s_total=total,
        notes=notes,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _MeanSquares:
    """The analysis of variance of groups, after exact centring on `offset`."""

    offset: Fraction
    means: NDArray[np.float64]
    counts: NDArray[np.int64]
    ss_within: float

    @classmethod
    def of(cls, groups: Sequence[Sequence[Number]]) -> _MeanSquares:
        counts = np.array([len(values) for values in groups])
        offset, flat = centre([value for values in groups for value in values], "groups")
        parts = np.split(flat, np.cumsum(counts)[:-1])
        means = np.array([part.mean() for part in parts])
        # Second pass: the residual of the first mean is not zero in doubles, and for large groups it matters.
        means = means + np.array([(part - m).mean() for part, m in zip(parts, means, strict=True)])
        return cls(offset, means, counts, float(sum(((p - m) ** 2).sum() for p, m in zip(parts, means, strict=True))))

    @property
    def n(self) -> int:
        return int(self.counts.sum())

    @property
    def n_groups(self) -> int:
        return self.counts.size

    @property
    def df_within(self) -> int:
        return self.n - self.n_groups

    @property
    def df_between(self) -> int:
        return self.n_groups - 1

    @property
    def equal(self) -> bool:
        return len(set(self.counts.tolist())) == 1

    @property
    def within(self) -> float | None:
        return self.ss_within / self.df_within if self.df_within else None

    @property
    def between(self) -> float | None:
        if not self.df_between:
            return None
        grand = float(np.average(self.means, weights=self.counts))
        return float((self.counts * (self.means - grand) ** 2).sum() / self.df_between)

    @property
    def harmonic_n(self) -> float:
        return float(self.n_groups / (1.0 / self.counts).sum())

    @property
    def unweighted(self) -> float | None:
        """Mean square between, from the unweighted means."""
        if not self.df_between:
            return None
        return self.between if self.equal else self.harmonic_n * float(self.means.var(ddof=1))


_Parts = tuple[Estimate | None, Estimate | None, Estimate | None, tuple[str, ...]]


def _components(squares: _MeanSquares, group: str) -> _Parts:
    """Standard deviations within, between and in all, and what holds for the groups as a whole."""
    n, p, many = squares.n, squares.n_groups, _plural(group)
    if squares.within is None:
        within = None
    else:
        s = sqrt(squares.within)
        alike = (ALL_ALIKE,) if s == 0 else ()
        within = Estimate.of_sd(s, squares.df_within, n=n, units=p, notes=alike, source=WITHIN_SOURCE)
    if squares.unweighted is None:
        return within, None, None, (f"There is one {group} only: the component between {many} cannot be estimated.",)
    if squares.within is None:
        return None, None, *_single_readings(squares, group)
    component, at_zero = reml_between(squares.means, squares.counts, squares.ss_within)
    notes = _alike_notes(squares.unweighted, squares.within, group)
    if at_zero:
        notes += (f"The estimate of the variance between {many} was not positive and is set to zero.",)
    if not squares.equal:
        notes += (
            f"The {many} hold unequal numbers of readings: the component is estimated by REML, the intervals use "
            "unweighted means.",
        )
    between = _between(squares.unweighted, squares.within, component, squares, notes)
    of_total = notes
    if at_zero:
        of_total += ("With the between component at zero the total equals the standard deviation within.",)
    return within, between, _total(squares.unweighted, squares.within, component, squares, of_total), notes


def _single_readings(squares: _MeanSquares, group: str) -> tuple[Estimate, tuple[str, ...]]:
    """The total alone, where no group holds two readings."""
    note = (
        f"Each {group} holds a single reading: the total standard deviation is that of the single readings, "
        f"and its parts within and between {_plural(group)} cannot be told apart."
    )
    s = sqrt(float(squares.means.var(ddof=1)))
    notes = (note,) if s > 0 else (ALL_ALIKE, note)
    total = Estimate.of_sd(s, squares.df_between, n=squares.n, units=squares.n_groups, notes=notes, source=TOTAL_SOURCE)
    return total, (note,)


def _between(
    unweighted: float, within: float, component: float, squares: _MeanSquares, notes: tuple[str, ...]
) -> Estimate:
    """The component between groups, with the interval of Ting et al."""
    s = sqrt(component)
    distribution = Component(s, unweighted, within, squares.df_between, squares.df_within, squares.harmonic_n)
    return Estimate(
        s,
        distribution if unweighted > 0 or within > 0 else None,
        n=squares.n,
        units=squares.n_groups,
        notes=notes,
        source=BETWEEN_SOURCE,
    )


def _total(
    unweighted: float, within: float, component: float, squares: _MeanSquares, notes: tuple[str, ...]
) -> Estimate:
    """sqrt(between + within) with the Graybill-Wang interval and Satterthwaite's degrees of freedom."""
    share = 1 / squares.harmonic_n
    terms = ((share, 1 - share), (unweighted, within), (float(squares.df_between), float(squares.df_within)))
    raised = (max(unweighted, within), within)
    return root_of_sum(
        sqrt(component + within),
        terms,
        raised,
        n=squares.n,
        units=squares.n_groups,
        notes=notes,
        source=TOTAL_SOURCE,
    )


#: Coefficients, mean squares and their degrees of freedom.
Terms = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]


def root_of_sum(
    value: float, terms: Terms, raised: tuple[float, ...], *, n: int, units: int, notes: tuple[str, ...], source: str
) -> Estimate:
    """A standard deviation whose square is a weighted sum of mean squares; `raised` as in `guarded_sum_interval`.

    Parameters
    ----------
    value : float, the estimate, in the unit of the readings
    terms : coefficients, mean squares and degrees of freedom, each shape (k,)
    raised : shape (k,), mean squares for the upper end
    n, units : int, readings and independent units that entered
    notes, source : what the estimate carries

    Returns
    -------
    Estimate in the unit of the readings; without an interval where nothing scatters

    Raises
    ------
    None.

    References
    ----------
    Graybill and Wang 1980, J. Am. Stat. Assoc. 75, 869; Satterthwaite 1946 (both from memory).
    """
    coefficients, squares, dfs = terms
    scatter = any(square > 0 for square in raised)
    return Estimate(
        value,
        SumOfMeanSquares(value, coefficients, squares, raised, dfs) if scatter else None,
        degrees_of_freedom=satterthwaite(*terms),
        n=n,
        units=units,
        notes=notes,
        source=source,
    )


def reml_between(means: NDArray[np.float64], counts: NDArray[np.int64], ss_within: float) -> tuple[float, bool]:
    """REML estimate of the between variance from group means, counts and the sum of squares within.

    Closed form for equal counts; else the root of the derivative of the restricted likelihood, profiled on the ratio
    theta = between / within. At theta = 0 the estimate is zero.

    Parameters
    ----------
    means, counts : shape (p,), p >= 2; at least one count above one
    ss_within : sum of squares within groups

    Returns
    -------
    variance, whether it was truncated at zero

    Raises
    ------
    None: the shapes are those of `one_way`.

    References
    ----------
    Searle, Casella and McCulloch 1992, 6.6 (restricted likelihood of the one-way model; from memory).
    """
    means = np.asarray(means, dtype=float)
    counts = np.asarray(counts, dtype=float)
    n, p = counts.sum(), means.size
    ms_within = ss_within / (n - p)
    spread = float(means.var(ddof=1))
    if ms_within == 0:
        return spread, False
    if np.all(counts == counts[0]):
        variance = spread - ms_within / counts[0]
        return (variance, False) if variance > 0 else (0.0, True)
    if spread == 0:
        return 0.0, True

    def parts(theta: float) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
        weights = counts / (1 + counts * theta)
        residuals = means - np.average(means, weights=weights)
        return weights, residuals, ss_within + float((weights * residuals**2).sum())

    def deviance(theta: float) -> float:
        weights, _, total = parts(theta)
        return float((n - 1) * np.log(total) + np.log1p(counts * theta).sum() + np.log(weights.sum()))

    def slope(theta: float) -> float:
        weights, residuals, total = parts(theta)
        squares = weights**2
        return float(-(n - 1) * (squares * residuals**2).sum() / total + weights.sum() - squares.sum() / weights.sum())

    scale = spread / ms_within
    grid = np.concatenate(([0.0], scale * np.logspace(-6, 3, 181)))
    slopes = np.array([slope(theta) for theta in grid])
    # A minimum of the deviance lies where its slope turns from negative to positive; the least of them counts.
    turns = [i for i in range(grid.size - 1) if slopes[i] < 0 <= slopes[i + 1]]
    candidates = [float(brentq(slope, grid[i], grid[i + 1], xtol=1e-300, rtol=1e-14)) for i in turns]
    if slopes[0] >= 0:
        candidates.append(0.0)
    theta = min(candidates, key=deviance)
    if theta == 0:
        return 0.0, True
    return theta * parts(theta)[2] / (n - 1), False


def _alike_notes(ms_between: float, ms_within: float, group: str) -> tuple[str, ...]:
    """Where the scatter within or between groups is too small to be taken at its word."""
    if ms_within == 0:
        return (ALL_ALIKE,) if ms_between == 0 else (WITHIN_HIDDEN,)
    if ms_between >= ms_within:
        return ()
    return (
        f"The means of the {_plural(group)} agree better than the scatter within them explains: upper ends do not "
        "follow that luck towards zero; that of the component is held at a lower point of F, that of the sum at equal "
        "mean squares.",
    )


def _shifted(offset: Fraction, difference: float) -> float:
    """Exact offset plus a small difference, rounded once."""
    return float(offset + Fraction(difference))


def _plural(group: str) -> str:
    return group[:-1] + "ies" if group.endswith("y") else group + "s"
