"""Mean squares and components of the one-way model, for one study or many of one design at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from validation.stats.intervals import guarded_component_interval, guarded_sum_interval, root_interval

Floats = NDArray[np.float64]

_GRID = np.concatenate([[0.0], np.logspace(-6, 3, 181)])
_HALVINGS = 64  # of one step of the grid: to the last digit of a double
_AT_ONCE = 2_000_000  # numbers held while the grid is searched


@dataclass(frozen=True, slots=True, eq=False)
class MeanSquares:
    """The analysis of variance of studies whose groups hold the same numbers of readings.

    Attributes
    ----------
    means : shape (studies, p), of the groups, minus the offset of the readings
    counts : shape (p,), readings of each group
    ss_within : shape (studies,), sum of squares within groups

    Examples
    --------
    Dyestuff (Davies and Goldsmith 1972, Table 6.1): the mean squares are 11271.5 and 2451.25.

    >>> batches = [[1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
    ...            [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445]]
    >>> y = np.array([[value - 1500.0 for batch in batches for value in batch]])
    >>> squares = MeanSquares.of(y, [5] * 6)
    >>> round(float(squares.between[0]), 1), round(float(squares.within[0]), 2)
    (11271.5, 2451.25)
    """

    means: Floats
    counts: NDArray[np.int_]
    ss_within: Floats

    @classmethod
    def of(cls, y: Floats, counts: ArrayLike) -> MeanSquares:
        """From readings `y`, shape (studies, sum of counts), the readings of a group side by side.

        Large readings come as small differences from an exact offset (`validation.stats.estimate.centre`).
        """
        sizes = np.asarray(counts, dtype=int)
        means, squares = group_sums(y, sizes)
        return cls(means, sizes, squares.sum(axis=1))

    @property
    def n(self) -> int:
        """Readings of a study."""
        return int(self.counts.sum())

    @property
    def n_groups(self) -> int:
        """Groups of a study."""
        return self.counts.size

    @property
    def df_within(self) -> int:
        """Degrees of freedom within groups."""
        return self.n - self.n_groups

    @property
    def df_between(self) -> int:
        """Degrees of freedom between groups."""
        return self.n_groups - 1

    @property
    def equal(self) -> bool:
        """Whether all groups hold the same number of readings."""
        return len(set(self.counts.tolist())) == 1

    @property
    def harmonic_n(self) -> float:
        """Harmonic mean of the counts."""
        return float(self.n_groups / (1.0 / self.counts).sum())

    @property
    def within(self) -> Floats:
        """Mean square within groups, shape (studies,); some group holds two readings."""
        return self.ss_within / self.df_within

    @property
    def between(self) -> Floats:
        """Mean square between groups, shape (studies,); two groups or more."""
        grand = np.average(self.means, weights=self.counts, axis=1)
        return (self.counts * (self.means - grand[:, None]) ** 2).sum(axis=1) / self.df_between

    @property
    def unweighted(self) -> Floats:
        """Harmonic n times the variance of the group means, shape (studies,); `between` for equal counts."""
        return self.between if self.equal else self.harmonic_n * self.means.var(axis=1, ddof=1)


def group_sums(y: Floats, counts: NDArray[np.int_]) -> tuple[Floats, Floats]:
    """Means of the groups and sums of squares about them.

    Parameters
    ----------
    y : shape (studies, n), readings of a group side by side, one unit
    counts : shape (p,), int, readings of each group

    Returns
    -------
    means, sums of squares : each of shape (studies, p)

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    Analysis of variance (any textbook; common practice).
    """
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    means = np.add.reduceat(y, starts, axis=1) / counts
    # Second pass: the residual of the first mean is not zero in doubles, and for large groups it matters.
    means = means + np.add.reduceat(y - np.repeat(means, counts, axis=1), starts, axis=1) / counts
    return means, np.add.reduceat((y - np.repeat(means, counts, axis=1)) ** 2, starts, axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """The components of studies that hold two groups or more, and replicates; variances, shape (studies,).

    Attributes
    ----------
    squares : the analysis of variance
    between : REML estimate of the variance between groups, not below zero
    at_zero : whether it was set to zero
    """

    squares: MeanSquares
    between: Floats
    at_zero: NDArray[np.bool_]

    @classmethod
    def of(cls, squares: MeanSquares) -> Components:
        """Estimate them."""
        return cls(squares, *reml_between(squares.means, squares.counts, squares.ss_within))

    @property
    def within(self) -> Floats:
        """Variance within groups."""
        return self.squares.within

    @property
    def total(self) -> Floats:
        """Both together."""
        return self.between + self.within

    @property
    def component_terms(self) -> tuple[Floats, Floats, int, int, float]:
        """What `guarded_component_interval` takes for the variance between groups."""
        squares = self.squares
        return squares.unweighted, squares.within, squares.df_between, squares.df_within, squares.harmonic_n

    @property
    def total_terms(self) -> tuple[tuple[float, float], tuple[Floats, Floats], tuple[Floats, Floats], tuple[int, int]]:
        """What `guarded_sum_interval` takes for the total: coefficients, mean squares, raised ones, df."""
        squares, share = self.squares, 1 / self.squares.harmonic_n
        above, below = squares.unweighted, squares.within
        return (
            (share, 1 - share),
            (above, below),
            (np.maximum(above, below), below),
            (squares.df_between, squares.df_within),
        )

    @property
    def variance_of_mean(self) -> Floats:
        """Variance of the mean of the group means."""
        return (self.between + self.within / self.squares.harmonic_n) / self.squares.n_groups

    def s_between_interval(self, confidence: float) -> tuple[Any, Any]:
        """Of the standard deviation between groups, in the unit of the readings."""
        ends = guarded_component_interval(*self.component_terms, confidence=confidence)
        return root_interval(np.sqrt(self.between), ends)

    def s_total_interval(self, confidence: float) -> tuple[Any, Any]:
        """Of the total standard deviation, in the unit of the readings."""
        ends = guarded_sum_interval(*self.total_terms, confidence=confidence)
        return root_interval(np.sqrt(self.total), ends)


def reml_between(
    means: Floats, counts: NDArray[np.int_] | Floats, ss_within: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """REML estimates of the between variance from group means, counts and sums of squares within.

    Closed form for equal counts; else the root of the derivative of the restricted likelihood, profiled on the ratio
    theta = between / within. At theta = 0 the estimate is zero.

    Parameters
    ----------
    means, counts, ss_within : shapes (studies, p), (p,) and (studies,), p >= 2; at least one count above one

    Returns
    -------
    variances, whether each was truncated at zero; shape (studies,)

    Raises
    ------
    None: the shapes are the caller's to keep.

    References
    ----------
    Searle, Casella and McCulloch 1992, 6.6 (restricted likelihood of the one-way model; from memory).
    """
    n, p = float(np.sum(counts)), means.shape[1]
    within, spread = ss_within / (n - p), means.var(axis=1, ddof=1)
    if np.all(counts == counts[0]):
        variance = spread - within / counts[0]
        return np.maximum(variance, 0.0), (variance <= 0) & (within > 0)
    variance = np.where(within == 0, spread, 0.0)
    open_ones = np.flatnonzero((within > 0) & (spread > 0))
    step = max(1, _AT_ONCE // (p * _GRID.size))
    for start in range(0, open_ones.size, step):
        block = open_ones[start : start + step]
        variance[block] = _Profile(means[block], np.asarray(counts, dtype=float), ss_within[block]).variances()
    return variance, (variance == 0) & (within > 0)


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """The restricted likelihood of unequal groups, profiled on theta; `study` and `theta` are parallel arrays."""

    means: Floats
    counts: Floats
    ss_within: Floats

    def variances(self) -> Floats:
        """The between variance of each study at the least of the minima of its deviance."""
        studies, p = self.means.shape
        df = self.counts.sum() - p
        scale = self.means.var(axis=1, ddof=1) / (self.ss_within / df)
        grid, every = _GRID * scale[:, None], np.repeat(np.arange(studies), _GRID.size)
        slopes = self._slope(every, grid.ravel()).reshape(grid.shape)
        # A minimum of the deviance lies where its slope turns from negative to positive, or at zero.
        study, turn = np.nonzero((slopes[:, :-1] < 0) & (slopes[:, 1:] >= 0))
        roots = _root(lambda theta: self._slope(study, theta), grid[study, turn], grid[study, turn + 1])
        rising = np.flatnonzero(slopes[:, 0] >= 0)
        study, theta = np.concatenate([study, rising]), np.concatenate([roots, np.zeros(rising.size)])
        order = np.lexsort((self._deviance(study, theta), study))
        known, first = np.unique(study[order], return_index=True)
        best = np.zeros(studies)
        best[known] = theta[order][first]
        return best * self._parts(np.arange(studies), best)[2] / (self.counts.sum() - 1)

    def _parts(self, study: NDArray[np.int_], theta: Floats) -> tuple[Floats, Floats, Floats]:
        """Weights and residuals of the group means, and the sum of squares within and between."""
        weights = self.counts / (1 + self.counts * theta[:, None])
        means = self.means[study]
        residuals = means - ((weights * means).sum(axis=1) / weights.sum(axis=1))[:, None]
        return weights, residuals, self.ss_within[study] + (weights * residuals**2).sum(axis=1)

    def _deviance(self, study: NDArray[np.int_], theta: Floats) -> Floats:
        weights, _, total = self._parts(study, theta)
        logs = np.log1p(self.counts * theta[:, None]).sum(axis=1) + np.log(weights.sum(axis=1))
        return (self.counts.sum() - 1) * np.log(total) + logs

    def _slope(self, study: NDArray[np.int_], theta: Floats) -> Floats:
        weights, residuals, total = self._parts(study, theta)
        squares = weights**2
        pull = (self.counts.sum() - 1) * (squares * residuals**2).sum(axis=1) / total
        return -pull + weights.sum(axis=1) - squares.sum(axis=1) / weights.sum(axis=1)


def _root(function: Callable[[Floats], Floats], low: Floats, high: Floats) -> Floats:
    """Where each rises through zero between `low` and `high`, by halving."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        below = function(middle) < 0
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2
