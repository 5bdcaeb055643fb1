"""Confidence distributions: an estimate's interval at any level, from the few numbers that determine it.

A confidence distribution (Cox 1958, Ann. Math. Stat. 29, 357; Schweder and Hjort 2016; both from memory) holds the
intervals of all levels at once. Each kind is a frozen record of plain numbers, so that a notebook can hand it over as
JSON and the reader gets the same ends to the last digit.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import exp, sqrt
from typing import Any

import numpy as np
from scipy import special

from validation.stats.intervals import (
    Interval,
    check_confidence,
    chi_square_quantile,
    fieller,
    fieller_set,
    guarded_component_interval,
    guarded_sum_interval,
    mean_interval,
    root_interval,
    sd_interval,
    tails,
    weighted_t,
)

UNBOUNDED = (
    "The denominator of the ratio is not told apart from zero at this confidence: Fieller's set of ratios has no two "
    "ends, so there is no interval. More readings, or higher levels, would supply it."
)
#: Natural logarithm of the largest number and of the smallest: their exponentials are still doubles.
WIDEST_LOG = 700.0
TOO_FEW = "On so few degrees of freedom the upper end of the interval is no number: there is no interval."
TOO_WIDE = "The logarithms scatter so much that an end of the interval is no number: there is no interval."


@dataclass(frozen=True)
class ConfidenceDistribution:
    """The intervals of one estimate at every level. A kind that one statistic alone uses lives beside it.

    Attributes
    ----------
    None of its own; a kind has those that determine its intervals, plain numbers and texts.
    """

    def interval(self, level: float) -> Interval | None:
        """The two-sided interval at `level`, in the unit of the estimate; None where there is none at that level."""
        raise NotImplementedError

    def notes(self, level: float) -> tuple[str, ...]:
        """Sentences that hold at this level alone, such as why it has no interval."""
        return ()

    @property
    def untruncated(self) -> float | None:
        """Of a sum of components of variance the root before any was set to zero; None where there is no such sum."""
        return None

    def to_dict(self) -> dict[str, object]:
        """Kind and parameters, plain JSON types."""
        kind = f"{type(self).__module__.rpartition('.')[2]}.{type(self).__name__}"
        return {"kind": kind, **{item.name: _plain(getattr(self, item.name)) for item in fields(self)}}


def confidence_distribution(data: Mapping[str, Any]) -> ConfidenceDistribution:
    """The inverse of `ConfidenceDistribution.to_dict`.

    Parameters
    ----------
    data : what `to_dict` gave: "kind" (module.Class) and its members, floats, texts, lists or such mappings

    Returns
    -------
    ConfidenceDistribution, equal to the one that was written

    Raises
    ------
    ValueError
        The kind is none of this package's.

    References
    ----------
    None: it is bookkeeping.

    Examples
    --------
    Five voltages, Hahn and Meeker, Statistical Intervals, 1991, chapter 3 (from memory): prints mean 50.10, 95 %
    interval 48.5 to 51.7; s 1.31, 0.79 to 3.77.

    >>> written = StudentT(50.10, 1.31 / 5**0.5, 4).to_dict()
    >>> [round(end, 1) for end in confidence_distribution(written).interval(0.95)]
    [48.5, 51.7]
    >>> [round(end, 2) for end in ChiSquare(1.3134, 4).interval(0.95)]
    [0.79, 3.77]
    """
    module, _, name = str(data["kind"]).partition(".")
    kind = getattr(importlib.import_module(f"validation.stats.{module}"), name, None) if module.isidentifier() else None
    if not (isinstance(kind, type) and issubclass(kind, ConfidenceDistribution)):
        raise ValueError(f"kind must be a confidence distribution of this package; got {data['kind']}")
    return kind(**{name: _restored(value) for name, value in data.items() if name != "kind"})


def _plain(value: Any) -> Any:
    if isinstance(value, ConfidenceDistribution):
        return value.to_dict()
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value.item() if isinstance(value, np.generic) else value


def _restored(value: Any) -> Any:
    if isinstance(value, Mapping):
        return confidence_distribution(value)
    return tuple(_restored(item) for item in value) if isinstance(value, list) else value


@dataclass(frozen=True)
class StudentT(ConfidenceDistribution):
    """value -+ t times `error`, its standard error; the normal quantile where `df` is None.

    Attributes
    ----------
    value, error : in one unit
    df : degrees of freedom; None: as many as one likes
    """

    value: float
    error: float
    df: float | None

    def interval(self, level: float) -> Interval:
        check_confidence(level)
        return mean_interval(self.value, self.error, self.df, level)


@dataclass(frozen=True)
class WeightedT(ConfidenceDistribution):
    """value -+ `weighted_t` times the root of the sum of its variances.

    Attributes
    ----------
    value : the estimate
    variances, dfs : shape (k,), of the parts of its variance, in its unit squared, and their degrees of freedom
    """

    value: float
    variances: tuple[float, ...]
    dfs: tuple[float, ...]

    def interval(self, level: float) -> Interval:
        check_confidence(level)
        half = weighted_t((1 + level) / 2, self.variances, self.dfs) * sqrt(sum(self.variances))
        return self.value - half, self.value + half


@dataclass(frozen=True)
class ChiSquare(ConfidenceDistribution):
    """A standard deviation, or a constant times one, on `df` degrees of freedom.

    Attributes
    ----------
    value : in its unit
    df : degrees of freedom, above 0
    """

    value: float
    df: float

    def interval(self, level: float) -> Interval | None:
        check_confidence(level)
        lowest = chi_square_quantile(tails(level)[0], self.df)
        return sd_interval(self.value, self.df, level) if lowest > 1e-200 else None

    def notes(self, level: float) -> tuple[str, ...]:
        return (TOO_FEW,) if self.interval(level) is None else ()


@dataclass(frozen=True)
class SumOfMeanSquares(ConfidenceDistribution):
    """The root of a weighted sum of mean squares: modified large sample, `guarded_sum_interval`.

    `value` is the estimate: the interval is widened where a truncated estimate lies outside, so that it only covers
    more. There is none where nothing scattered at all.

    Attributes
    ----------
    value : the estimate, in the unit of the readings
    coefficients, mean_squares, raised, dfs : shape (k,), as `guarded_sum_interval`
    """

    value: float
    coefficients: tuple[float, ...]
    mean_squares: tuple[float, ...]
    raised: tuple[float, ...]
    dfs: tuple[float, ...]

    def interval(self, level: float) -> Interval | None:
        ends = guarded_sum_interval(self.coefficients, self.mean_squares, self.raised, self.dfs, confidence=level)
        return _with_estimate(self.value, ends)

    @property
    def untruncated(self) -> float:
        return sqrt(sum(c * square for c, square in zip(self.coefficients, self.mean_squares, strict=True)))


@dataclass(frozen=True)
class Component(ConfidenceDistribution):
    """The root of (ms_between - ms_within) / n, by `guarded_component_interval`; widened as `SumOfMeanSquares`.

    Where the component is too small for the design to see, the guard falls as the level rises: there the upper end
    of a higher level can be the smaller one.

    Attributes
    ----------
    value : the estimate, in the unit of the readings
    ms_between, ms_within : mean squares, in the squared unit of the readings
    df_between, df_within : their degrees of freedom
    n : readings a group
    """

    value: float
    ms_between: float
    ms_within: float
    df_between: float
    df_within: float
    n: float

    def interval(self, level: float) -> Interval | None:
        ends = guarded_component_interval(
            self.ms_between, self.ms_within, self.df_between, self.df_within, self.n, confidence=level
        )
        return _with_estimate(self.value, ends)


def _with_estimate(value: float, squares: tuple[float, float]) -> Interval | None:
    low, high = map(float, root_interval(value, squares))
    return (low, high) if high > 0 else None


@dataclass(frozen=True)
class Ratio(ConfidenceDistribution):
    """A ratio of two means by Fieller's theorem; `covariance` of the two, numerator first.

    Attributes
    ----------
    numerator, denominator : the two means
    covariance : shape (2, 2)
    df : degrees of freedom behind it
    """

    numerator: float
    denominator: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    df: float

    def interval(self, level: float) -> Interval | None:
        return fieller(
            self.numerator, self.denominator, self.covariance, degrees_of_freedom=self.df, confidence=level
        ).interval

    def notes(self, level: float) -> tuple[str, ...]:
        return (UNBOUNDED,) if self.interval(level) is None else ()


@dataclass(frozen=True)
class WeightedRatio(ConfidenceDistribution):
    """A ratio of two independent means by Fieller's theorem, at `weighted_t` of numerator - ratio * denominator.

    Attributes
    ----------
    numerator, denominator : the two means
    variances, dfs : shape (2,), of the two, numerator first
    """

    numerator: float
    denominator: float
    variances: tuple[float, float]
    dfs: tuple[float, float]

    def interval(self, level: float) -> Interval | None:
        check_confidence(level)
        (top, bottom), ratio = self.variances, self.numerator / self.denominator
        t = weighted_t((1 + level) / 2, (top, ratio**2 * bottom), self.dfs)
        return fieller_set(self.numerator, self.denominator, ((top, 0.0), (0.0, bottom)), t).interval

    def notes(self, level: float) -> tuple[str, ...]:
        return (UNBOUNDED,) if self.interval(level) is None else ()


@dataclass(frozen=True)
class Affine(ConfidenceDistribution):
    """offset + factor times another; `factor` not zero, a negative one turns the interval round.

    Attributes
    ----------
    inner : the other distribution
    factor : not zero
    offset : in the unit of the result
    """

    inner: ConfidenceDistribution
    factor: float
    offset: float = 0.0

    def interval(self, level: float) -> Interval | None:
        ends = self.inner.interval(level)
        if ends is None:
            return None
        low, high = (self.offset + self.factor * end for end in ends)
        return (low, high) if self.factor > 0 else (high, low)

    @property
    def untruncated(self) -> float | None:
        inner = self.inner.untruncated
        return None if inner is None else self.offset + self.factor * inner

    def notes(self, level: float) -> tuple[str, ...]:
        return self.inner.notes(level)


@dataclass(frozen=True)
class Reciprocal(ConfidenceDistribution):
    """`factor` over another that lies above zero.

    Attributes
    ----------
    inner : the other distribution
    factor : in the unit of the product
    """

    inner: ConfidenceDistribution
    factor: float

    def interval(self, level: float) -> Interval | None:
        ends = self.inner.interval(level)
        return None if ends is None else (self.factor / ends[1], self.factor / ends[0])

    def notes(self, level: float) -> tuple[str, ...]:
        return self.inner.notes(level)


@dataclass(frozen=True)
class Magnitude(ConfidenceDistribution):
    """The size of another, whatever its sign.

    Attributes
    ----------
    inner : the other distribution, in the same unit
    """

    inner: ConfidenceDistribution

    def interval(self, level: float) -> Interval | None:
        ends = self.inner.interval(level)
        if ends is None:
            return None
        near, far = sorted(map(abs, ends))
        return 0.0 if ends[0] < 0 < ends[1] else near, far


@dataclass(frozen=True)
class Between(ConfidenceDistribution):
    """On the straight line from `low` to `high`, at the share `share` of the way.

    Attributes
    ----------
    low, high : the two distributions, in one unit
    share : from 0 (all `low`) to 1 (all `high`)
    """

    low: ConfidenceDistribution
    high: ConfidenceDistribution
    share: float

    def interval(self, level: float) -> Interval | None:
        low, high = self.low.interval(level), self.high.interval(level)
        if low is None or high is None:
            return None
        share = self.share
        return (1 - share) * low[0] + share * high[0], (1 - share) * low[1] + share * high[1]

    @property
    def untruncated(self) -> float | None:
        low, high = self.low.untruncated, self.high.untruncated
        return None if low is None or high is None else (1 - self.share) * low + self.share * high


@dataclass(frozen=True)
class Exponential(ConfidenceDistribution):
    """The exponential of another: what was estimated on a logarithmic scale.

    Attributes
    ----------
    inner : the distribution of a natural logarithm
    """

    inner: ConfidenceDistribution

    def interval(self, level: float) -> Interval | None:
        ends = self.inner.interval(level)
        return None if ends is None or max(map(abs, ends)) > WIDEST_LOG else (exp(ends[0]), exp(ends[1]))

    def notes(self, level: float) -> tuple[str, ...]:
        ends = self.inner.interval(level)
        too_wide = (TOO_WIDE,) if ends is not None and self.interval(level) is None else ()
        return (*too_wide, *self.inner.notes(level))


@dataclass(frozen=True)
class NormalPercentile(ConfidenceDistribution):
    """mu + k sigma of a normal population from mean and sd of `n` readings: exact, by the non-central t.

    Attributes
    ----------
    mean, sd : of the readings, in one unit
    n : readings, 2 or more
    k : standard deviations above the mean, unit 1
    """

    mean: float
    sd: float
    n: int
    k: float

    def interval(self, level: float) -> Interval:
        check_confidence(level)
        root = sqrt(self.n)
        low, high = (float(special.nctdtrit(self.n - 1, self.k * root, p)) for p in tails(level))
        return self.mean + self.sd * low / root, self.mean + self.sd * high / root


@dataclass(frozen=True)
class Share(ConfidenceDistribution):
    """A probability of which `hits` of `trials` were seen: Clopper and Pearson 1934 (from memory).

    Attributes
    ----------
    hits, trials : counts, 0 <= hits <= trials
    """

    hits: int
    trials: int

    def interval(self, level: float) -> Interval:
        check_confidence(level)
        below, above = tails(level)
        missed = self.trials - self.hits
        low = special.betaincinv(self.hits, missed + 1, below) if self.hits else 0.0
        high = special.betaincinv(self.hits + 1, missed, above) if missed else 1.0
        return float(low), float(high)
