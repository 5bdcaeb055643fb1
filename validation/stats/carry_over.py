"""Carry-over from planned triples high - blank - blank: what the first blank finds above the second."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from validation.stats.estimate import Number, OldEstimate, exact, mean
from validation.stats.two_means import ALIKE, paired_difference, paired_ratio

EFFECT_SOURCE = (
    "IUPAC 1991, Pure Appl. Chem. 63, 301 (the term carry-over); paired differences within the triple, Student t over "
    "triples (common practice)"
)
SHARE_SOURCE = "ratio of means over triples; Fieller 1954, J. R. Statist. Soc. B 16, 175 (from memory)"
ONE_TRIPLE = "There is one triple only: the effect has no interval; further triples would supply it."


def carry_over_effect(first: Sequence[Number], second: Sequence[Number], *, confidence: float = 0.95) -> OldEstimate:
    """Mean over triples of the first blank minus the second.

    Parameters
    ----------
    first, second : shape (n,), n >= 1, the two blanks of each triple, floats or exact decimals, one unit
    confidence : level of the two-sided interval

    Returns
    -------
    OldEstimate in the unit of the blanks; without an interval for one triple or where the differences do not differ

    Raises
    ------
    ValueError
        Lengths differ, or there is no triple.

    References
    ----------
    Student's t on the paired differences (common practice).
    """
    _differences(first, second)
    return _of_triples(paired_difference(first, second, confidence=confidence), EFFECT_SOURCE)


def carry_over_share(
    high: Sequence[Number], first: Sequence[Number], second: Sequence[Number], *, confidence: float = 0.95
) -> OldEstimate | None:
    """The effect as a share of the mean high result, with Fieller's interval over the triples.

    Parameters
    ----------
    high, first, second : shape (n,), n >= 1, the three results of each triple, one unit
    confidence : level of the two-sided interval

    Returns
    -------
    OldEstimate of unit 1; None where the high results have the mean 0. Without an interval for one triple, where the
    differences do not differ, or where the mean high result may be zero.

    Raises
    ------
    ValueError
        Lengths differ, or there is no triple.
    """
    differences = _differences(first, second)
    if len(high) != len(differences):
        raise ValueError(f"high, first and second must be equally long; got {len(high)} and {len(differences)}")
    if mean(high) == 0:
        return None
    n = 3 * len(differences)
    found = paired_ratio(differences, high, confidence=confidence, n=n, what="share")
    if len(differences) > 1 and len(set(differences)) == 1:
        found = OldEstimate(found.value, n=n, units=found.units, notes=(ALIKE,))
    return _of_triples(found, SHARE_SOURCE)


def _of_triples(found: OldEstimate, source: str) -> OldEstimate:
    """The same, told of triples."""
    return replace(found, notes=(ONE_TRIPLE,) if found.units == 1 else found.notes, source=source)


def _differences(first: Sequence[Number], second: Sequence[Number]) -> list[Fraction]:
    if len(first) != len(second) or not first:
        raise ValueError(f"first and second must be equally long, 1 or more; got {len(first)} and {len(second)}")
    return [exact(a) - exact(b) for a, b in zip(first, second, strict=True)]
