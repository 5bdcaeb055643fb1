"""Two means side by side: their difference and their ratio, independent or paired by run.

Beside scipy `ttest_ind`: exact centring keeps the ends of an interval of decimals on 4e8 to 6e-16, there 4e-7
(docs/libraries.md); a ratio by Fieller's theorem is in neither scipy nor statsmodels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp, isfinite, log, sqrt

import numpy as np
from numpy.typing import NDArray

from validation.stats.confidence import Exponential, Ratio, StudentT, WeightedRatio, WeightedT
from validation.stats.estimate import Estimate, Number, centre, exact, mean
from validation.stats.intervals import check_confidence, fieller, satterthwaite, t_quantile

FIELLER = "Fieller's theorem (Fieller 1954, J. R. Statist. Soc. B 16, 175)"
PAIRED_RATIO = f"{FIELLER} on paired run values, Student t"
WELCH_RATIO = f"{FIELLER} on independent means; degrees of freedom by Welch and Satterthwaite at the ratio found"
PAIRED_DIFFERENCE = "Student t over the differences of the runs (common practice)"
WELCH_DIFFERENCE = "Welch's t for two independent means (Welch 1947, Biometrika 34, 28; from memory)"
FEW_RATIO = f"{FIELLER} on independent means; quantile by Cochran and Cox 1950 (from memory)"
FEW_DIFFERENCE = "Cochran and Cox's t for two independent means (Experimental Designs, 1950; from memory)"

ONE_PAIR = "There is one run only: the {what} has no interval; further runs would supply it."
ALIKE = (
    "The values agree to the last digit: their rounding hides how far they differ, so no interval can be formed. "
    "Readings with more digits would supply it."
)
FEW = (
    "One side holds two or three readings and the other another number: the interval takes the mean of both sides' "
    "quantiles of Student's t, weighted by their variances (Cochran and Cox); Welch's holds down to 88 % there in "
    "place of 95 %. The degrees of freedom are Satterthwaite's, for information."
)
SINGLE = "One of the two sides holds a single reading: its scatter is unknown, so the {what} has no interval."


def ratio_of_means(
    numerator: float,
    denominator: float,
    covariance: Sequence[Sequence[float]] | NDArray[np.float64],
    df: float,
    *,
    n: int,
    units: int,
    source: str,
) -> Estimate:
    """Ratio of two means with a known covariance matrix of shape (2, 2), numerator first, on `df` degrees of freedom.

    Without an interval, and with a note, where nothing scatters; at levels where Fieller's set has no two ends the
    distribution says so.

    Parameters
    ----------
    numerator, denominator : float, the two means, in one unit or two
    covariance : shape (2, 2), of the two means
    df : float, degrees of freedom behind it, above 0
    n, units : int, readings and independent units that entered
    source : what the estimate cites

    Returns
    -------
    Estimate, in the unit of the quotient

    Raises
    ------
    ValueError
        The denominator is zero, or the degrees of freedom are not above zero.

    References
    ----------
    Fieller 1954, J. R. Statist. Soc. B 16, 175.
    """
    ratio = numerator / denominator
    error = fieller(numerator, denominator, covariance, degrees_of_freedom=df).standard_uncertainty
    # Rounding of the quotient leaves a little where the values themselves leave nothing.
    if error <= 1e-13 * abs(ratio):
        return Estimate(ratio, n=n, units=units, notes=(ALIKE,), source=source)
    (v_nn, v_nd), (v_dn, v_dd) = np.asarray(covariance, dtype=float).tolist()
    distribution = Ratio(numerator, denominator, ((v_nn, v_nd), (v_dn, v_dd)), df)
    return Estimate(ratio, distribution, error, df, n, units, source=source)


def paired_ratio(
    numerators: Sequence[Number], denominators: Sequence[Number], *, n: int = 0, what: str = "ratio"
) -> Estimate:
    """Ratio of two means of values that belong together run by run.

    Parameters
    ----------
    numerators, denominators : shape (p,), one value a run, in the same order
    n : readings that entered, for the record
    what : how a note names the ratio

    Returns
    -------
    Estimate with p - 1 degrees of freedom; without an interval for one run, for values that do not scatter, and where
    Fieller's set is unbounded

    Raises
    ------
    ValueError
        Shapes differ, no values, or denominators that sum to zero.

    References
    ----------
    Fieller 1954, J. R. Statist. Soc. B 16, 175.
    """
    p = len(numerators)
    if p != len(denominators):
        raise ValueError(f"numerators and denominators must pair up; got {p} and {len(denominators)}")
    top, bottom = mean(numerators, "numerators"), mean(denominators, "denominators")
    if bottom == 0:
        raise ValueError("the denominators must not average to zero")
    n = n or 2 * p
    if p == 1:
        return Estimate(top / bottom, n=n, units=1, notes=(ONE_PAIR.format(what=what),), source=PAIRED_RATIO)
    covariance = np.cov(np.vstack([centre(numerators)[1], centre(denominators)[1]])) / p
    return ratio_of_means(top, bottom, covariance, float(p - 1), n=n, units=p, source=PAIRED_RATIO)


def welch_ratio(numerators: Sequence[Number], denominators: Sequence[Number], *, what: str = "ratio") -> Estimate:
    """Ratio of the means of two independent groups, each with its own scatter.

    Parameters
    ----------
    numerators, denominators : shapes (n,), (m,), both 1 or more, one unit
    what : how a note names the ratio

    Returns
    -------
    Estimate whose `units` is the effective number of pairs, 2 n m / (n + m) rounded down; without an interval where
    a group holds one reading, where nothing scatters, and where Fieller's set is unbounded

    Raises
    ------
    ValueError
        An empty group, or denominators that average to zero.

    References
    ----------
    Fieller 1954; Satterthwaite's degrees of freedom of numerator - ratio * denominator at the ratio found, as for
    ratios of normal means by Tamhane and Logan 2004, J. Biopharm. Statist. 14, 843 (from memory). Where the groups are
    few and unequal (`few_and_unequal`), the quantile of Cochran and Cox 1950 at the ratio found.

    Examples
    --------
    A public note of 2012-12-12 prints 0.8643849, from 0.4056763 to 2.6170008, for these two samples of five drawn in R
    (mikuhatsune.hatenadiary.com/entry/20121212/1355320912).

    >>> ratio = welch_ratio(
    ...     [1.5855288178, 1.7094660175, 0.8906966853, 0.5465028265, 1.6058874558],
    ...     [0.1820440323, 2.6300985511, 1.7238158948, 1.7158402561, 1.0806779975],
    ... )
    >>> round(ratio.value, 7), [round(end, 7) for end in ratio.interval(0.95)]
    (0.8643849, [0.4056763, 2.6170008])
    """
    top, bottom = mean(numerators, "numerators"), mean(denominators, "denominators")
    if bottom == 0:
        raise ValueError("the denominators must not average to zero")
    ratio, counts = top / bottom, (len(numerators), len(denominators))
    if min(counts) < 2:
        note = SINGLE.format(what=what)
        return Estimate(ratio, n=sum(counts), units=1, notes=(note,), source=WELCH_RATIO)
    v_n, v_d = _variance_of_mean(numerators), _variance_of_mean(denominators)
    dfs = (counts[0] - 1.0, counts[1] - 1.0)
    df = satterthwaite((1.0, ratio**2), (v_n, v_d), dfs)
    if df is None:
        return Estimate(ratio, n=sum(counts), units=_pairs(counts), notes=(ALIKE,), source=WELCH_RATIO)
    covariance = ((v_n, 0.0), (0.0, v_d))
    found = ratio_of_means(top, bottom, covariance, df, n=sum(counts), units=_pairs(counts), source=WELCH_RATIO)
    if found.distribution is None or not few_and_unequal(dfs):
        return found
    return replace(found, distribution=WeightedRatio(top, bottom, (v_n, v_d), dfs), source=FEW_RATIO).with_notes(FEW)


def paired_difference(
    first: Sequence[Number], second: Sequence[Number], *, n: int = 0, what: str = "difference"
) -> Estimate:
    """Mean of first minus second over runs; shape (p,) each, in the same order, one unit.

    Without an interval for one run, and where the differences agree to the last digit.

    Parameters
    ----------
    first, second : shape (p,), p >= 1, one value a run, in the same order, one unit
    n : int, readings that entered, for the record
    what : how a note names the difference

    Returns
    -------
    Estimate in the unit of the values; without an interval for one run, and where the differences agree to the last
    digit

    Raises
    ------
    ValueError
        Shapes differ, or no values.

    References
    ----------
    Student's t on paired differences (any handbook).
    """
    p = len(first)
    if p != len(second):
        raise ValueError(f"first and second must pair up; got {p} and {len(second)}")
    differences = [exact(a) - exact(b) for a, b in zip(first, second, strict=True)]
    value, n = mean(differences, "first and second"), n or 2 * p
    if p == 1:
        return Estimate(value, n=n, units=1, notes=(ONE_PAIR.format(what=what),), source=PAIRED_DIFFERENCE)
    error = float(centre(differences)[1].std(ddof=1)) / sqrt(p)
    if error == 0:
        return Estimate(value, n=n, units=p, notes=(ALIKE,), source=PAIRED_DIFFERENCE)
    return Estimate.of_mean(value, error, float(p - 1), n=n, units=p, source=PAIRED_DIFFERENCE)


def welch_difference(first: Sequence[Number], second: Sequence[Number], *, what: str = "difference") -> Estimate:
    """Mean of `first` minus mean of `second`, independent groups of one unit, each with its own scatter.

    Without an interval where a group holds one reading, and where nothing scatters; by Cochran and Cox where the groups
    are few and unequal. `units` as in `welch_ratio`.

    Parameters
    ----------
    first, second : shapes (n,) and (m,), both 1 or more, one unit
    what : how a note names the difference

    Returns
    -------
    Estimate in the unit of the values

    Raises
    ------
    ValueError
        An empty group.

    References
    ----------
    Welch 1947, Biometrika 34, 28 (from memory).
    """
    counts = (len(first), len(second))
    differences = centre([*first, *second], "first and second")[1]  # the centre stands in both means
    value = float(differences[: counts[0]].mean() - differences[counts[0] :].mean())
    if min(counts) < 2:
        note = SINGLE.format(what=what)
        return Estimate(value, n=sum(counts), units=1, notes=(note,), source=WELCH_DIFFERENCE)
    variances = (_variance_of_mean(first), _variance_of_mean(second))
    plain = Estimate(value, n=sum(counts), units=_pairs(counts), source=WELCH_DIFFERENCE)
    if not any(variances):
        return plain.with_notes(ALIKE)
    found = with_variances(plain, variances, [n - 1.0 for n in counts])
    return replace(found, source=FEW_DIFFERENCE) if FEW in found.notes else found


def few_and_unequal(dfs: Sequence[float]) -> bool:
    """Whether Welch's interval does not hold: unequal numbers of readings, of which one is below four.

    Parameters
    ----------
    dfs : shape (k,), degrees of freedom of independent parts, readings - 1; infinite ones do not count

    Returns
    -------
    bool

    Raises
    ------
    ValueError
        No finite degrees of freedom.

    References
    ----------
    Own, by simulation: Welch's interval of nominal 95 % holds 93.7 % and more outside this rule, down to 88 % inside it
    (docs/lots.md).
    """
    finite = [df for df in dfs if isfinite(df)]
    return min(finite) < 3 and min(finite) != max(finite)


def with_variances(plain: Estimate, variances: Sequence[float], dfs: Sequence[float]) -> Estimate:
    """An estimate with the interval of the parts of its variance: Welch's, or Cochran and Cox's by `few_and_unequal`.

    Parameters
    ----------
    plain : the estimate without its interval
    variances : shape (k,), of its independent parts, in its unit squared, not all zero
    dfs : shape (k,), their degrees of freedom; infinite for a part that is known

    Returns
    -------
    Estimate, with degrees of freedom by Welch and Satterthwaite

    Raises
    ------
    ValueError
        No finite degrees of freedom.

    References
    ----------
    Welch 1947, Biometrika 34, 28; Cochran and Cox, Experimental Designs, 1950 (both from memory).
    """
    df, error = satterthwaite([1.0] * len(variances), variances, dfs), sqrt(sum(variances))
    if few_and_unequal(dfs):
        distribution = WeightedT(plain.value, tuple(variances), tuple(dfs))
        plain = replace(plain, distribution=distribution).with_notes(FEW)
    else:
        plain = replace(plain, distribution=StudentT(plain.value, error, df))
    return replace(plain, standard_uncertainty=error, degrees_of_freedom=df)


def log_ratio(numerators: Sequence[Number], denominators: Sequence[Number], *, paired: bool = False) -> Estimate | None:
    """The ratio by way of logarithms: what scatters in proportion scatters evenly there; ratio of geometric means.

    Parameters
    ----------
    numerators, denominators : positive values; shape (p,) each where `paired`
    paired : values belong together run by run

    Returns
    -------
    Estimate without a standard uncertainty; None where a value is not positive

    Raises
    ------
    ValueError
        An empty group, or pairs of different number.

    References
    ----------
    Student's t of the logarithms (common practice).
    """
    if min(map(float, numerators)) <= 0 or min(map(float, denominators)) <= 0:
        return None
    logs: list[list[Number]] = [[log(float(v)) for v in values] for values in (numerators, denominators)]
    difference = (paired_difference if paired else welch_difference)(logs[0], logs[1])
    return replace(
        difference,
        value=exp(difference.value),
        distribution=None if difference.distribution is None else Exponential(difference.distribution),
        standard_uncertainty=None,
        source="Student t of the logarithms (common practice)",
    )


def half_width_to_expect(relative_sd: float, readings: int, *, confidence: float = 0.9) -> float:
    """Half-width of the interval of a ratio near 1 of two means of `readings` each.

    t(2 n - 2) * relative_sd * sqrt(2 / n), with the relative standard deviation of one reading; both groups alike.

    Parameters
    ----------
    relative_sd : float, relative standard deviation of one reading, unit 1
    readings : int, in each group, 2 or more
    confidence : level of the interval

    Returns
    -------
    float, unit 1

    Raises
    ------
    ValueError
        Fewer than two readings, or a negative standard deviation.

    References
    ----------
    Any handbook (difference of two means of one variance), relative to a ratio near 1.
    """
    check_confidence(confidence)
    if readings < 2 or not relative_sd >= 0:
        raise ValueError(f"needs two readings and a standard deviation of 0 or more; got {readings}, {relative_sd}")
    return t_quantile((1 + confidence) / 2, 2 * readings - 2) * relative_sd * sqrt(2 / readings)


def pooled_relative_sd(groups: Sequence[Sequence[Number]]) -> float | None:
    """Root mean square of the groups' relative standard deviations, weighted by n - 1.

    None without replicates, or where a group averages to zero.

    Parameters
    ----------
    groups : shape (k,) of readings, floats or exact decimals, one unit

    Returns
    -------
    float, unit 1; or None

    Raises
    ------
    ValueError
        An empty group, or a number that is not finite.

    References
    ----------
    Common practice, no source.
    """
    parts = []
    for values in groups:
        middle = mean(values)
        if middle == 0:
            return None
        relative = centre(values)[1] / middle
        parts.append((float(((relative - relative.mean()) ** 2).sum()), len(values) - 1))
    df = sum(d for _, d in parts)
    return sqrt(sum(ss for ss, _ in parts) / df) if df else None


def _variance_of_mean(values: Sequence[Number]) -> float:
    differences: NDArray[np.float64] = centre(values)[1]
    return float(differences.var(ddof=1)) / len(values)


def _pairs(counts: tuple[int, int]) -> int:
    """Pairs of readings that two equal groups would need for the same standard error of a difference."""
    return max(1, 2 * counts[0] * counts[1] // sum(counts))
