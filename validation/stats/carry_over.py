"""Carry-over from planned triples high - blank - blank: what the first blank finds above the second."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from validation.stats.estimate import Estimate, Number, exact, mean
from validation.stats.two_means import ALIKE, paired_difference, paired_ratio

EFFECT_SOURCE = (
    "IUPAC 1991, Pure Appl. Chem. 63, 301 (the term carry-over); paired differences within the triple, Student t over "
    "triples (common practice)"
)
SHARE_SOURCE = "ratio of means over triples; Fieller 1954, J. R. Statist. Soc. B 16, 175 (from memory)"
REACH_SOURCE = "allowed effect over the one-sided bound of the share, carry-over in proportion (common practice)"
ONE_TRIPLE = "There is one triple only: the effect has no interval; further triples would supply it."


def carry_over_effect(first: Sequence[Number], second: Sequence[Number]) -> Estimate:
    """Mean over triples of the first blank minus the second.

    Parameters
    ----------
    first, second : shape (n,), n >= 1, the two blanks of each triple, floats or exact decimals, one unit

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

    Examples
    --------
    Peak flow by two meters, Bland and Altman 1986, Lancet i, 307: prints the mean of the paired differences, -2.1.

    >>> large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    >>> mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    >>> round(carry_over_effect(large, mini).value, 1)
    -2.1
    """
    _differences(first, second)
    return _of_triples(paired_difference(first, second), EFFECT_SOURCE)


def carry_over_share(high: Sequence[Number], first: Sequence[Number], second: Sequence[Number]) -> Estimate | None:
    """The effect as a share of the mean high result, with Fieller's interval over the triples.

    Parameters
    ----------
    high, first, second : shape (n,), n >= 1, the three results of each triple, one unit

    Returns
    -------
    Estimate of unit 1; None where the high results have the mean 0. Without an interval for one triple, where the
    differences do not differ, or where the mean high result may be zero.

    Raises
    ------
    ValueError
        Lengths differ, or there is no triple.

    References
    ----------
    Fieller 1954, J. R. Statist. Soc. B 16, 175 (from memory).
    """
    differences = _differences(first, second)
    if len(high) != len(differences):
        raise ValueError(f"high, first and second must be equally long; got {len(high)} and {len(differences)}")
    if mean(high) == 0:
        return None
    n = 3 * len(differences)
    share = paired_ratio(differences, high, n=n, what="share")
    if len(differences) > 1 and len(set(differences)) == 1:
        share = Estimate(share.value, n=n, units=share.units, notes=(ALIKE,))
    return _of_triples(share, SHARE_SOURCE)


@dataclass(frozen=True, slots=True)
class ReachResult:
    """The highest sample after which an allowed effect is still kept.

    Attributes
    ----------
    reach : in the unit of the results, without an interval: it is itself a bound
    capped : the bound keeps the allowed effect as far as samples were read; nothing is known beyond
    """

    reach: Estimate
    capped: bool


def carry_over_reach(share: Estimate, allowed: float, highest: float, *, one_sided: float = 0.95) -> ReachResult | None:
    """The highest sample after which the upper bound of the share keeps the next vial within the allowed effect.

    Parameters
    ----------
    share : as `carry_over_share` gives it
    allowed : allowed effect, above zero, in the unit of the results
    highest : mean result of the high samples, above zero: the reach is never put beyond it
    one_sided : level of the upper bound of the share

    Returns
    -------
    ReachResult; None where the share has no interval at that level

    Raises
    ------
    ValueError
        `allowed` or `highest` is not above zero.

    References
    ----------
    Common practice: carry-over in proportion to the sample before. The bound is the upper end of Fieller's interval at
    2 * one_sided - 1.
    """
    if not (allowed > 0 and highest > 0):
        raise ValueError(f"allowed and highest must be above zero; got {allowed} and {highest}")
    interval = share.interval(2 * one_sided - 1)
    if interval is None:
        return None
    bound = interval[1]
    capped = bound * highest <= allowed
    reach = replace(
        share,
        value=highest if capped else allowed / bound,
        distribution=None,
        standard_uncertainty=None,
        notes=(),
        source=REACH_SOURCE,
    )
    return ReachResult(reach, capped)


def _of_triples(estimate: Estimate, source: str) -> Estimate:
    """The same with its source, and its note in terms of triples."""
    return replace(estimate, notes=(ONE_TRIPLE,) if estimate.units == 1 else estimate.notes, source=source)


def _differences(first: Sequence[Number], second: Sequence[Number]) -> list[Fraction]:
    if len(first) != len(second) or not first:
        raise ValueError(f"first and second must be equally long, 1 or more; got {len(first)} and {len(second)}")
    return [exact(a) - exact(b) for a, b in zip(first, second, strict=True)]
