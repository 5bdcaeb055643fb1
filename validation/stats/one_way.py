"""One-way random model: readings in groups (runs, laboratories) of equal or unequal size.

y_ij = mu + a_i + e_ij. Mean squares are formed after exact centring; the between component is the REML estimate; the
intervals are the modified-large-sample ones, which keep their coverage where Satterthwaite's do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import isfinite, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import chi2
from scipy.stats import f as f_distribution

from validation.stats.estimate import Estimate, Number, centre, exact

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

Interval = tuple[float, float]
#: One study's number, or an array of one number a study: the interval functions take both.
Studies = float | NDArray[np.float64]


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


def one_way(groups: Sequence[Sequence[Number]], *, confidence: float = 0.95, group: str = "run") -> OneWayResult:
    """Estimate the components within and between groups.

    Parameters
    ----------
    groups : sequence of groups, each of one or more readings (floats or exact decimals), all in one unit
    confidence : level of the two-sided intervals
    group : what a group is called in the notes, such as "run" or "laboratory"

    Returns
    -------
    OneWayResult. `s_within` is None without replicates, `s_between` with one group or without replicates. Without
    replicates `s_total` is the standard deviation of the single readings; with one group it is None.

    Raises
    ------
    ValueError
        No group, an empty group, a number that is not finite, or a confidence outside (0, 1).

    References
    ----------
    Searle, Casella and McCulloch 1992, Variance Components, chapters 3 and 6; Burdick and Graybill 1992, Confidence
    Intervals on Variance Components, chapters 3 (equal counts) and 4 (unweighted means); all from memory.
    """
    check_confidence(confidence)
    if not groups or any(len(values) == 0 for values in groups):
        raise ValueError("groups must hold at least one group, and each group at least one reading")
    counts = np.array([len(values) for values in groups])
    offset, flat = centre([value for values in groups for value in values], "groups")
    parts = np.split(flat, np.cumsum(counts)[:-1])
    means = np.array([part.mean() for part in parts])
    # Second pass: the residual of the first mean is not zero in doubles, and for large groups it matters.
    means = means + np.array([(part - m).mean() for part, m in zip(parts, means, strict=True)])
    ss_within = float(sum(((part - m) ** 2).sum() for part, m in zip(parts, means, strict=True)))
    n, p = int(counts.sum()), len(groups)
    df_within, df_between = n - p, p - 1
    grand = float(np.average(means, weights=counts))
    ms_between = float((counts * (means - grand) ** 2).sum() / df_between) if df_between else None
    ms_within = ss_within / df_within if df_within else None
    harmonic_n = float(p / (1.0 / counts).sum())
    unweighted = harmonic_n * float(means.var(ddof=1)) if df_between else None
    if unweighted is not None and len(set(counts.tolist())) == 1:
        unweighted = ms_between
    ratio = ms_between / ms_within if ms_between is not None and ms_within else None
    p_value = float(f_distribution.sf(ratio, df_between, df_within)) if ratio is not None else None

    within = None if ms_within is None else _within(ms_within, df_within, n, p, confidence)
    between = total = None
    notes: list[str] = []
    if df_between == 0:
        notes.append(f"There is one {group} only: the component between {_plural(group)} cannot be estimated.")
    elif ms_within is None:
        note = (
            f"Each {group} holds a single reading: the total standard deviation is that of the single readings, "
            f"and its parts within and between {_plural(group)} cannot be told apart."
        )
        notes.append(note)
        s = sqrt(float(means.var(ddof=1)))
        said = (note,) if s > 0 else (ALL_ALIKE, note)
        ends = claimed(s, sd_interval(s, df_between, confidence), confidence)
        total = Estimate(s, *ends, None, float(df_between), n, p, said, TOTAL_SOURCE)
    elif unweighted is not None:
        component, at_zero = reml_between(means, counts, ss_within)
        between_notes: tuple[str, ...] = ()
        if at_zero:
            between_notes = (
                f"The estimate of the variance between {_plural(group)} was not positive and is set to zero.",
            )
        if len(set(counts.tolist())) > 1:
            between_notes += (
                f"The {_plural(group)} hold unequal numbers of readings: the component is estimated by REML, the "
                "intervals use unweighted means.",
            )
        interval = guarded_component_interval(
            unweighted, ms_within, df_between, df_within, harmonic_n, confidence=confidence
        )
        alike = _alike_notes(unweighted, ms_within, group)
        notes.extend((*alike, *between_notes))
        s_between = sqrt(component)
        ends = claimed(s_between, (sqrt(interval[0]), sqrt(interval[1])), confidence)
        between = Estimate(s_between, *ends, None, None, n, p, (*alike, *between_notes), BETWEEN_SOURCE)
        total_notes = (*alike, *between_notes)
        if at_zero:
            total_notes += ("With the between component at zero the total equals the standard deviation within.",)
        total = _total(
            component, ms_within, unweighted, harmonic_n, (df_between, df_within), n, p, confidence, total_notes
        )

    return OneWayResult(
        n=n,
        n_groups=p,
        counts=tuple(counts.tolist()),
        general_mean=_shifted(offset, grand),
        mean_of_means=_shifted(offset, float(means.mean())),
        group_means=tuple(_shifted(offset, float(m)) for m in means),
        deviations=tuple(float(m) for m in means - means.mean()),
        ms_between=ms_between,
        df_between=df_between,
        ms_within=ms_within,
        df_within=df_within,
        ms_between_unweighted=unweighted,
        harmonic_n=harmonic_n,
        F=ratio,
        p=p_value,
        s_within=within,
        s_between=between,
        s_total=total,
        notes=tuple(notes),
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


def sd_interval(s: float, df: float, confidence: float) -> Interval:
    """Two-sided chi-square interval of a standard deviation with `df` degrees of freedom (ISO 2854, from memory)."""
    low, high = _tails(confidence)
    return s * sqrt(df / chi2.ppf(high, df)), s * sqrt(df / chi2.ppf(low, df))


def sum_of_mean_squares_interval(
    coefficients: Sequence[float], mean_squares: Sequence[Any], dfs: Sequence[float], *, confidence: float
) -> tuple[Any, Any]:
    """Two-sided modified-large-sample interval of a sum of mean squares, all coefficients non-negative.

    Parameters
    ----------
    coefficients, mean_squares, dfs : shape (k,), one entry a mean square; a mean square may itself be an array with
        one value a study, and then the ends are arrays

    Returns
    -------
    (low, high) in the unit of the mean squares

    References
    ----------
    Graybill and Wang 1980, J. Am. Stat. Assoc. 75, 869; Burdick and Graybill 1992, 3.2 (from memory).
    """
    check_confidence(confidence)
    if np.any(np.asarray(coefficients) < 0):
        raise ValueError("coefficients must not be negative; use between_component_interval for a difference")
    g, h = _g_and_h(np.asarray(dfs, dtype=float), confidence)
    terms = np.asarray(coefficients, dtype=float) * np.asarray(mean_squares, dtype=float).T
    total = terms.sum(axis=-1)
    below, above = (np.sqrt(((factor * terms) ** 2).sum(axis=-1)) for factor in (g, h))
    return np.maximum(0.0, total - below), total + above


def between_component_interval(
    ms_between: Studies, ms_within: Studies, df_between: float, df_within: float, n: float, *, confidence: float
) -> tuple[Any, Any]:
    """Two-sided modified-large-sample interval of (ms_between - ms_within) / n, ends not below zero.

    Parameters
    ----------
    ms_between, ms_within, df_between, df_within : the two mean squares and their degrees of freedom; the mean squares
        may be arrays with one value a study, and then the ends are arrays
    n : readings a group; the harmonic mean, with the unweighted mean square between, where counts differ

    References
    ----------
    Ting, Burdick, Graybill, Jeyaratnam and Lu 1990, J. Stat. Comput. Simul. 35, 135; Burdick and Graybill 1992, 3.3
    and 4.3 (from memory).
    """
    check_confidence(confidence)
    (g1, g2), (h1, h2) = _g_and_h(np.array([df_between, df_within], dtype=float), confidence)
    low_tail, high_tail = _tails(confidence)
    f_high = float(f_distribution.ppf(high_tail, df_between, df_within))
    f_low = float(f_distribution.ppf(low_tail, df_between, df_within))
    g12 = ((f_high - 1) ** 2 - g1**2 * f_high**2 - h2**2) / f_high
    h12 = ((1 - f_low) ** 2 - h1**2 * f_low**2 - g2**2) / f_low
    a, b = ms_between / n, ms_within / n
    below = (g1 * a) ** 2 + (h2 * b) ** 2 + g12 * a * b
    above = (h1 * a) ** 2 + (g2 * b) ** 2 + h12 * a * b
    low, high = a - b - np.sqrt(np.maximum(0.0, below)), a - b + np.sqrt(np.maximum(0.0, above))
    return np.maximum(0.0, low), np.maximum(0.0, high)


def guarded_component_interval(
    ms_between: Studies, ms_within: Studies, df_between: float, df_within: float, n: float, *, confidence: float
) -> tuple[Any, Any]:
    """The interval of `between_component_interval`, its upper end never below that at a lower point of F.

    Where the group means agree better than the scatter within the groups explains, the upper end falls towards zero,
    and below the lower alpha / 2 point of F it is zero: a bound that any limit meets, by luck of the draw. It is held
    at the one for a ratio of mean squares at the lower alpha point of F, alpha = 1 - confidence. The interval only
    covers more, and only where the component is too small for the design to see. (Own choice: held at equal mean
    squares, which is safer still, it covers a component of a quarter of the variance within in 98 % instead of 95 %.)

    Parameters and unit as `between_component_interval`.
    """
    low, _ = between_component_interval(ms_between, ms_within, df_between, df_within, n, confidence=confidence)
    floor = min(1.0, float(f_distribution.ppf(1 - confidence, df_between, df_within)))
    raised = np.maximum(ms_between, floor * ms_within)
    _, high = between_component_interval(raised, ms_within, df_between, df_within, n, confidence=confidence)
    return low, high


def guarded_sum_interval(
    coefficients: Sequence[float],
    mean_squares: Sequence[Any],
    raised: Sequence[Any],
    dfs: Sequence[float],
    *,
    confidence: float,
) -> tuple[Any, Any]:
    """The interval of `sum_of_mean_squares_interval`, its upper end from the mean squares `raised` to equality.

    Parameters
    ----------
    coefficients, mean_squares, raised, dfs : shape (k,); `raised` holds each mean square or, where it is smaller than
        the stage below explains, what that stage explains: a component below zero cannot narrow the bound of a sum
    """
    low, _ = sum_of_mean_squares_interval(coefficients, mean_squares, dfs, confidence=confidence)
    _, high = sum_of_mean_squares_interval(coefficients, raised, dfs, confidence=confidence)
    return low, high


def claimed(value: float, interval: Interval, confidence: float) -> tuple[Interval | None, float | None]:
    """Interval and confidence of a standard deviation as they may be claimed.

    Widened where a truncated estimate lies outside, so that it only covers more; none where the upper end is zero, for
    then nothing scattered at all.
    """
    high = max(value, interval[1])
    return ((min(value, interval[0]), high), confidence) if high > 0 else (None, None)


def satterthwaite(coefficients: Sequence[float], mean_squares: Sequence[float], dfs: Sequence[float]) -> float | None:
    """Degrees of freedom of a sum of mean squares (Satterthwaite 1946, Biometrics 2, 110); None where all are zero."""
    terms = np.asarray(coefficients, dtype=float) * np.asarray(mean_squares, dtype=float)
    bottom = float((terms**2 / np.asarray(dfs, dtype=float)).sum())
    return float(terms.sum()) ** 2 / bottom if bottom > 0 else None


def exact_mean(values: Sequence[Number]) -> Fraction:
    """Arithmetic mean without any rounding; shape (n,), n >= 1, finite numbers."""
    return sum((exact(value) for value in values), Fraction(0)) / len(values)


def check_confidence(confidence: float) -> None:
    """Refuse a level of confidence outside (0, 1)."""
    if not (isfinite(confidence) and 0 < confidence < 1):
        raise ValueError(f"confidence must lie between 0 and 1; got {confidence}")


def _within(ms_within: float, df: int, n: int, p: int, confidence: float) -> Estimate:
    s = sqrt(ms_within)
    notes = (ALL_ALIKE,) if s == 0 else ()
    ends = claimed(s, sd_interval(s, df, confidence), confidence)
    return Estimate(s, *ends, None, float(df), n, p, notes, WITHIN_SOURCE)


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


def _total(
    component: float,
    ms_within: float,
    unweighted: float,
    n_each: float,
    dfs: tuple[int, int],
    n: int,
    p: int,
    confidence: float,
    notes: tuple[str, ...],
) -> Estimate:
    """sqrt(between + within) with the Graybill-Wang interval and Satterthwaite's degrees of freedom."""
    coefficients, squares = (1 / n_each, 1 - 1 / n_each), (unweighted, ms_within)
    raised = (max(unweighted, ms_within), ms_within)
    low, high = guarded_sum_interval(coefficients, squares, raised, dfs, confidence=confidence)
    s = sqrt(component + ms_within)
    df = satterthwaite(coefficients, squares, dfs)
    return Estimate(s, *claimed(s, (sqrt(low), sqrt(high)), confidence), None, df, n, p, notes, TOTAL_SOURCE)


def _tails(confidence: float) -> Interval:
    return (1 - confidence) / 2, (1 + confidence) / 2


def _g_and_h(dfs: NDArray[np.float64], confidence: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Burdick and Graybill's G = 1 - df/chi2(upper) and H = df/chi2(lower) - 1."""
    low, high = _tails(confidence)
    return 1 - dfs / chi2.ppf(high, dfs), dfs / chi2.ppf(low, dfs) - 1


def _shifted(offset: Fraction, difference: float) -> float:
    """Exact offset plus a small difference, rounded once."""
    return float(offset + Fraction(difference))


def _plural(group: str) -> str:
    return group[:-1] + "ies" if group.endswith("y") else group + "s"
