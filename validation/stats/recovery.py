"""Recovery of a spike: what comes back of an amount added to a sample, sample by sample and over samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import inf, isfinite, sqrt

from validation.stats.estimate import Estimate, Number, centre, check_sizes, exact, exact_mean
from validation.stats.two_means import with_variances

SOURCE = (
    "IUPAC/ISO/AOAC/Eurachem harmonised guidelines on recovery, Pure Appl. Chem. 1999, 71, 337; JCGM 100:2008, 5.1.2 "
    "and G.4.1 (clauses from memory)"
)
MEAN_SOURCE = "mean over samples, Student t on samples - 1 (common practice)"
ADDED_EXACT = "The uncertainty of the added amount is not stated (u_added) and is not part of the interval."
ONE_READING = (
    "There is one reading before or after the addition only: its scatter is not known, and the recovery has no "
    "interval; repeating both readings would supply it."
)
NO_SCATTER = "The readings do not differ as written: rounding hides their scatter, so no interval can be formed."
ONE_SAMPLE = "There is one sample only: the mean recovery has no interval over samples."
SAMPLES_ALIKE = (
    "The recoveries of the samples agree to the last digit: rounding hides how far they differ, so no interval can be "
    "formed."
)


@dataclass(frozen=True, slots=True)
class RecoveryResult:
    """Recovery of one spike.

    Attributes
    ----------
    recovery : with its interval; a share, 1 = all of it
    uncorrected : the same without regard to dilution; equal to the value where dilution is not counted
    u_before, u_after, u_added : what each contributes to the standard uncertainty of the recovery; None where unknown
    before, after : mean reading before and after, in the unit of the readings
    expected : reading after the addition if all of it came back
    """

    recovery: Estimate
    uncorrected: float
    u_before: float | None
    u_after: float | None
    u_added: float | None
    before: float
    after: float
    expected: float


def recovery(
    before: Sequence[Number],
    after: Sequence[Number],
    added: Number,
    *,
    u_added: float | None = None,
    whole: float | None = None,
) -> RecoveryResult:
    """Recovery (after - before) / added of one spike, its interval from all three uncertainties.

    Parameters
    ----------
    before, after : readings of the sample as it is and with the addition, floats or exact decimals, one unit
    added : amount added, as a content of the spiked sample in the same unit; above zero
    u_added : its standard uncertainty, taken as known; None where not stated
    whole : content of the pure substance in this unit (100 for mass fractions in %): the addition then dilutes what was
        there, and `before` counts with 1 - added/whole. None: no dilution is counted

    Returns
    -------
    RecoveryResult; no interval with one reading before or after, or readings that do not differ and no u_added

    Raises
    ------
    ValueError
        No reading before or after, `added` not above zero or not below `whole`, a negative `u_added`.

    References
    ----------
    R = (after - before (1 - added/whole)) / added; sensitivities 1/added, -(1 - added/whole)/added and
    (before/whole - R)/added; root sum of squares (JCGM 100:2008, 5.1.2), degrees of freedom by Welch and Satterthwaite
    (G.4.1).

    Examples
    --------
    Quantitative Chemical Analysis, 9th ed., exercise on spike recovery: 10.0 and, after adding 5.0, 15.3: 106 %.

    >>> round(100 * recovery([10.0], [15.3], 5.0).recovery.value)
    106
    """
    amount = exact(added)
    if not before or not after:
        raise ValueError(f"before and after must hold a reading each; got {len(before)} and {len(after)}")
    if amount <= 0 or (whole is not None and amount >= exact(whole)):
        raise ValueError(f"added must be above zero{'' if whole is None else f' and below {whole:g}'}; got {added}")
    if u_added is not None and not (isfinite(u_added) and u_added >= 0):
        raise ValueError(f"u_added must not be negative; got {u_added}")
    check_sizes([float(amount), u_added or 0.0], "added and u_added")
    check_sizes([float(value) for value in (*before, *after)], "before and after")
    first, last = exact_mean(before), exact_mean(after)
    kept = Fraction(1) if whole is None else 1 - amount / exact(whole)
    value = (last - first * kept) / amount
    diluting = Fraction(0) if whole is None else first / exact(whole)
    parts = (
        (_error(before), float(kept / amount), len(before) - 1),
        (_error(after), float(1 / amount), len(after) - 1),
        (u_added, float((diluting - value) / amount), inf),
    )
    shares = [None if error is None else error * abs(factor) for error, factor, _ in parts]
    notes = () if u_added is not None else (ADDED_EXACT,)
    plain = Estimate(float(value), n=len(before) + len(after), units=len(after), notes=notes, source=SOURCE)
    return RecoveryResult(
        recovery=_with_interval(plain, shares, [df for _, _, df in parts]),
        uncorrected=float((last - first) / amount),
        u_before=shares[0],
        u_after=shares[1],
        u_added=shares[2],
        before=float(first),
        after=float(last),
        expected=float(first * kept + amount),
    )


def mean_recovery(recoveries: Sequence[float]) -> Estimate:
    """Mean over samples, with Student's t on samples - 1: how far samples differ is in the interval.

    Parameters
    ----------
    recoveries : shape (p,), p >= 1, one a sample

    Returns
    -------
    Estimate; without an interval for one sample, or where the recoveries do not differ at all

    Raises
    ------
    ValueError
        No recoveries, or one that is not finite.

    References
    ----------
    Student's t (common practice).
    """
    offset, d = centre(recoveries, "recoveries")
    p = d.size
    value = float(offset + exact_mean(d.tolist()))
    error = float(d.std(ddof=1)) / sqrt(p) if p > 1 else 0.0
    if error == 0:
        note = SAMPLES_ALIKE if p > 1 else ONE_SAMPLE
        return Estimate(value, n=p, units=p, notes=(note,), source=MEAN_SOURCE)
    return Estimate.of_mean(value, error, float(p - 1), n=p, units=p, source=MEAN_SOURCE)


def _error(values: Sequence[Number]) -> float | None:
    """Standard error of the mean; None for one reading."""
    _, d = centre(values)
    return float(d.std(ddof=1)) / sqrt(d.size) if d.size > 1 else None


def _with_interval(plain: Estimate, shares: Sequence[float | None], dfs: Sequence[float]) -> Estimate:
    if shares[0] is None or shares[1] is None:
        return plain.with_notes(ONE_READING)
    check_sizes([share or 0.0 for share in shares], "contributions")
    squares = [(share or 0.0) ** 2 for share in shares]
    return with_variances(plain, squares, dfs) if any(squares) else plain.with_notes(NO_SCATTER)
