"""Two methods on the same samples: what the replicates of each say of its scatter, and what scatters beside that.

Throughout, x is the reference method and y the candidate; a difference is candidate minus reference. Differences are in
`paired_differences` and `agreement`, lines in `deming`, `york`, `weighted_comparison` and `passing_bablok`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from validation.stats.estimate import Number, centre

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]
#: Lower and upper ends, one of each a study.
Limits = tuple[NDArray[np.float64], NDArray[np.float64]]

#: Differences beyond these have squares, or squares of squares, that doubles do not hold.
_LEAST, _MOST = 1e-70, 1e70
BEYOND_SQUARES = "must differ by between 1e-70 and 1e70: the squares of others leave the range of doubles"


@dataclass(frozen=True, slots=True)
class ReplicateVariance:
    """Variance of replicates of one method, pooled over samples.

    `mean_reciprocal` is the mean of 1 / (number of replicates): the share of the variance that a sample's mean keeps.

    Attributes
    ----------
    variance : in the squared unit of the readings; None without replicates
    degrees_of_freedom : behind it
    mean_reciprocal : unit 1
    """

    variance: float | None
    degrees_of_freedom: int
    mean_reciprocal: float

    @property
    def of_means(self) -> float | None:
        """Variance of the means over replicates, averaged over the samples."""
        return None if self.variance is None else self.variance * self.mean_reciprocal


def replicate_variance(samples: Sequence[Sequence[Number]]) -> ReplicateVariance:
    """Pool the variance of replicates over samples.

    Parameters
    ----------
    samples : shape (m,), each of one or more readings of one method, in one unit

    Returns
    -------
    ReplicateVariance, in the squared unit of the readings; its variance is None without replicates

    Raises
    ------
    ValueError
        A sample without a reading, or a number that is not finite.

    References
    ----------
    Bland and Altman 1986, Lancet i, 307-310, "repeatability": each variance counts by its degrees of freedom.

    Examples
    --------
    By hand: duplicates that differ by 0.2 and 0.4 have the variances 0.02 and 0.08, on one degree of freedom each.

    >>> round(replicate_variance([[1.0, 1.2], [2.0, 2.4]]).variance, 12)
    0.05
    """
    squares, df = 0.0, 0
    for readings in samples:
        _, d = centre(readings)
        squares += float(((d - d.mean()) ** 2).sum())
        df += d.size - 1
    reciprocal = float(np.mean([1 / len(readings) for readings in samples]))
    return ReplicateVariance(squares / df if df else None, df, reciprocal)


def error_variance_ratio(candidate: ReplicateVariance, reference: ReplicateVariance) -> tuple[float, tuple[str, ...]]:
    """Ratio of the error variances of the samples' means, for Deming's line.

    Parameters
    ----------
    candidate, reference : pooled replicates of the two methods, in one squared unit

    Returns
    -------
    ratio : candidate over reference; 1 where a method has no replicates, or replicates that do not scatter
    notes : what must be known of it, in whole sentences

    Raises
    ------
    None.

    References
    ----------
    Linnet 1990, Stat. Med. 9, 1463 (ratio from replicates; from memory).
    """
    if candidate.of_means and reference.of_means:
        ratio = candidate.of_means / reference.of_means
        if candidate.mean_reciprocal == reference.mean_reciprocal:
            return ratio, ()
        return ratio, (
            "The methods have different numbers of replicates: the ratio is that of the variances of their means.",
        )
    lacking = [name for name, v in (("candidate", candidate), ("reference", reference)) if not v.degrees_of_freedom]
    if lacking:
        reason = f"There are no replicates of the {' and the '.join(lacking)} method"
    else:
        reason = "The replicates of a method do not scatter at all"
    return 1.0, (f"{reason}: the ratio of the error variances is taken as 1.",)


@dataclass(frozen=True, slots=True)
class SampleScatter:
    """Scatter of the differences beside what the replicates explain; standard deviations in the unit of the readings.

    Attributes
    ----------
    observed : standard deviation of the differences
    expected : what the replicates of both methods explain of it
    sample_specific : what is left over, 0 where nothing is
    single : standard deviation of differences of single readings instead of means
    F, p : (observed / expected)^2 and its upper tail, degrees of freedom of the observed variance and Satterthwaite's
    """

    observed: float
    expected: float
    sample_specific: float
    single: float
    F: float | None
    p: float | None
    source: str = "Bland and Altman 1986 (correction for replicates); F with Satterthwaite's degrees of freedom"


def sample_scatter(
    variance: float,
    degrees_of_freedom: int,
    candidate: ReplicateVariance,
    reference: ReplicateVariance,
    *,
    slope: float = 1.0,
) -> SampleScatter | None:
    """Compare the variance of differences with the replicates; None where a method has no replicates.

    Parameters
    ----------
    variance : of the differences, or of the residuals y - a - b x about a line, squared unit of the readings
    degrees_of_freedom : behind it: n - 1 of differences, n - 2 of residuals
    candidate, reference : pooled replicates of the two methods, in the same squared unit
    slope : b of that line, which multiplies the errors of the reference; 1 for differences

    Returns
    -------
    SampleScatter in the unit of the readings, or None

    Raises
    ------
    None.

    References
    ----------
    Bland and Altman 1986, Lancet i, 307-310, "measuring agreement using repeated measurements".
    """
    if candidate.variance is None or reference.variance is None:
        return None
    methods = ((candidate, 1.0), (reference, slope**2))
    parts = [(k * v.variance * v.mean_reciprocal, v.degrees_of_freedom) for v, k in methods if v.variance]
    expected = float(sum(part for part, _ in parts))
    single = variance + sum(k * (v.variance or 0.0) * (1 - v.mean_reciprocal) for v, k in methods)
    ratio = p = None
    if expected > 0:
        df = expected**2 / sum(part**2 / freedom for part, freedom in parts)
        ratio = float(variance / expected)
        p = float(special.fdtrc(degrees_of_freedom, df, ratio))
    return SampleScatter(sqrt(variance), sqrt(expected), sqrt(max(0.0, variance - expected)), sqrt(single), ratio, p)


def can_be_squared(values: ArrayLike) -> bool:
    """Whether sums of squares of the values stay in the range of doubles; values of zero do.

    Parameters
    ----------
    values : shape (n,), n >= 1, finite floats in one unit

    Returns
    -------
    bool

    Raises
    ------
    ValueError
        No values.

    References
    ----------
    IEEE 754: doubles reach from 1e-308 to 1e308; own limits, 1e-70 and 1e70, keep fourth powers inside.
    """
    largest = float(np.abs(np.asarray(values, dtype=float)).max())
    return largest == 0 or _LEAST <= largest <= _MOST


def centred_pair(x: Sequence[Number], y: Sequence[Number]) -> tuple[Vector, Vector, tuple[Fraction, Fraction]]:
    """Results of both methods, each minus its first one, exactly.

    Parameters
    ----------
    x, y : shape (n,), n >= 3, reference and candidate in one unit

    Returns
    -------
    x, y : shape (n,), minus their first values
    first : those, exact

    Raises
    ------
    ValueError
        n < 3, lengths that differ, or values whose squares leave the range of doubles.

    References
    ----------
    As `centre`.
    """
    if len(x) != len(y) or len(x) < 3:
        raise ValueError(f"x and y must hold the same number of values, at least 3; got {len(x)} and {len(y)}")
    shift_x, xs = centre(x, "x")
    shift_y, ys = centre(y, "y")
    if not (can_be_squared(xs) and can_be_squared(ys)):
        raise ValueError(f"x and y {BEYOND_SQUARES}")
    return xs, ys, (shift_x, shift_y)
