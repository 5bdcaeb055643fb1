"""Carry-over from planned triples high - blank - blank: what the first blank finds above the second."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import sqrt

import numpy as np
from scipy import stats

from validation.stats.estimate import Estimate, Number, centre, mean
from validation.stats.one_way import check_confidence
from validation.stats.two_means import fieller

EFFECT_SOURCE = (
    "IUPAC 1991, Pure Appl. Chem. 63, 301 (the term carry-over); paired differences within the triple, Student t over "
    "triples (common practice)"
)
SHARE_SOURCE = "ratio of means over triples; Fieller 1954, J. R. Statist. Soc. B 16, 175 (from memory)"
ONE_TRIPLE = "There is one triple only: the effect has no interval; further triples would supply it."
ALIKE = (
    "The differences of the blanks agree to the last digit: their rounding hides how far they differ, so no interval "
    "can be formed. Readings with more digits would supply it."
)


def carry_over_effect(first: Sequence[Number], second: Sequence[Number], *, confidence: float = 0.95) -> Estimate:
    """Mean over triples of the first blank minus the second.

    Parameters
    ----------
    first, second : shape (n,), n >= 1, the two blanks of each triple, floats or exact decimals, one unit
    confidence : level of the two-sided interval

    Returns
    -------
    Estimate in the unit of the blanks; without an interval for one triple or where the differences do not differ

    Raises
    ------
    ValueError
        Lengths differ, or there is no triple.

    References
    ----------
    Student's t on the paired differences (common practice).
    """
    check_confidence(confidence)
    differences = _differences(first, second)
    value, n = mean(differences), len(differences)
    if n == 1:
        return Estimate(value, n=2, units=1, notes=(ONE_TRIPLE,), source=EFFECT_SOURCE)
    error = float(centre(differences)[1].std(ddof=1)) / sqrt(n)
    if error == 0:
        return Estimate(value, n=2 * n, units=n, notes=(ALIKE,), source=EFFECT_SOURCE)
    half = float(stats.t.ppf((1 + confidence) / 2, n - 1)) * error
    interval = (value - half, value + half)
    return Estimate(value, interval, confidence, error, float(n - 1), 2 * n, n, (), EFFECT_SOURCE)


def carry_over_share(
    high: Sequence[Number], first: Sequence[Number], second: Sequence[Number], *, confidence: float = 0.95
) -> Estimate | None:
    """The effect as a share of the mean high result, with Fieller's interval over the triples.

    Parameters
    ----------
    high, first, second : shape (n,), n >= 1, the three results of each triple, one unit
    confidence : level of the two-sided interval

    Returns
    -------
    Estimate of unit 1; None where the high results have the mean 0. Without an interval for one triple, where the
    differences do not differ, or where the mean high result may be zero.

    Raises
    ------
    ValueError
        Lengths differ, or there is no triple.
    """
    check_confidence(confidence)
    differences = _differences(first, second)
    if len(high) != len(differences):
        raise ValueError(f"high, first and second must be equally long; got {len(high)} and {len(differences)}")
    n, bottom = len(differences), mean(high)
    if bottom == 0:
        return None
    value = mean(differences) / bottom
    if n == 1:
        return Estimate(value, n=3, units=1, notes=(ONE_TRIPLE,), source=SHARE_SOURCE)
    covariance = np.cov(centre(differences)[1], centre(high)[1]) / n
    if covariance[0, 0] == 0:
        return Estimate(value, n=3 * n, units=n, notes=(ALIKE,), source=SHARE_SOURCE)
    found = fieller(mean(differences), bottom, covariance, degrees_of_freedom=n - 1, confidence=confidence)
    error, df = found.standard_uncertainty, float(n - 1)
    if found.interval is None:
        note = "The mean high result is so uncertain that it may be zero: the share has no interval."
        return Estimate(value, None, None, error, df, 3 * n, n, (note,), SHARE_SOURCE)
    return Estimate(value, found.interval, confidence, error, df, 3 * n, n, (), SHARE_SOURCE)


def _differences(first: Sequence[Number], second: Sequence[Number]) -> list[Fraction]:
    if len(first) != len(second) or not first:
        raise ValueError(f"first and second must be equally long, 1 or more; got {len(first)} and {len(second)}")
    return [Fraction(a) - Fraction(b) for a, b in zip(first, second, strict=True)]
