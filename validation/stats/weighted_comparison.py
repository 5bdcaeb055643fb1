"""Line of candidate on reference where both methods err, each by its own s(x), and samples have a part of their own.

The weights follow the level, so that the samples that scatter most count least. They rank the samples: the
standard error comes from leaving each sample out, and does not rest on their size.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from validation.stats.comparison import BEYOND_SQUARES, Matrix, Vector, can_be_squared
from validation.stats.deming import no_interval
from validation.stats.estimate import Estimate, Number, centre, exact_mean
from validation.stats.variance_function import linear_sd_many

_WEIGHTED = (
    "York et al. 2004, Am. J. Phys. 72, 367, weights from s(x) of the replicates and the samples' own part; interval: "
    "jackknife weighted by leverage (Wu 1986), t on Satterthwaite's degrees of freedom (both from memory)"
)
#: The fewest samples: without one of them a line must leave a residual.
LEAST_SAMPLES = 4
#: The fewest degrees of freedom of a method's replicates: two parameters of s(x).
LEAST_REPLICATES = 2
#: With this many of either the 95 % intervals hold the truth in 94 to 98 % of simulated comparisons (docs/coverage.md).
_ENOUGH = 8

FEW_SAMPLES = (
    "Of fewer than 8 samples the 95 % intervals of the weighted line held the truth in 91 to 95 % of simulated "
    "comparisons."
)
FEW_REPLICATES = (
    "A method has fewer than 8 degrees of freedom of replicates: with 3 the 95 % intervals of the weighted line held "
    "the truth in 92 to 95 % of simulated comparisons."
)
UNDETERMINED = "x and y must vary together for a weighted line; with or without one sample they do not"

_STEPS = 300
_SETTLED = 1e-12
#: Values of all samples of all lines that are worked on at once: some 16 MiB an array.
_AT_ONCE = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class ReplicatedPairs:
    """Means and replicates of many comparisons of one design, in one unit.

    Attributes
    ----------
    x, y : shape (studies, n), means of the reference and of the candidate, minus their offsets
    squares_x, squares_y : shape (studies, n), sums of squares of the replicates about those means
    counts_x, counts_y : shape (n,), how many replicates a sample has
    offsets : what was taken from x and y, in their unit
    """

    x: Matrix
    y: Matrix
    squares_x: Matrix
    squares_y: Matrix
    counts_x: Vector
    counts_y: Vector
    offsets: tuple[float, float] = (0.0, 0.0)

    def spreads(self) -> tuple[Spread, Spread]:
        """s(x) of the reference and of the candidate, by likelihood from the replicates of each."""
        levels = np.concatenate([self.x + self.offsets[0], self.y + self.offsets[1]])
        squares = np.concatenate([self.squares_x, self.squares_y])
        df = np.repeat([self.counts_x - 1, self.counts_y - 1], len(self.x), axis=0)
        # A level below zero counts as zero.
        constant, growth = linear_sd_many(np.maximum(levels, 0.0), squares[:, None], df[:, None])
        (of_x, of_y), (by_x, by_y) = (np.split(part, 2) for part in (constant, growth))
        return Spread(of_x, by_x, self.counts_x), Spread(of_y, by_y, self.counts_y)


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Standard deviation of a sample's mean by one method, (constant + growth * level) / sqrt(count).

    Attributes
    ----------
    constant, growth : shape (studies, 1) or (studies, n), in the unit of the readings, and that per unit of level
    counts : shape (n,)
    """

    constant: Matrix
    growth: Matrix
    counts: Vector

    @classmethod
    def stated(cls, u: Vector) -> Spread:
        """From a standard uncertainty of each mean of one study, shape (n,)."""
        return cls(u[None, :], np.zeros((1, 1)), np.ones(len(u)))

    def variance(self, levels: Matrix) -> Matrix:
        """Of the means at these levels, shape (studies, n)."""
        return (self.constant + self.growth * np.maximum(levels, 0.0)) ** 2 / self.counts

    @property
    def none(self) -> NDArray[np.bool_]:
        """Whether nothing scatters, shape (studies,): no replicate of the method differs from another."""
        return np.asarray((self.constant + self.growth).max(axis=1) == 0)

    def alike(self, where: NDArray[np.bool_]) -> Spread:
        """Of unit size at every level in these studies: weights that are all alike."""
        return Spread(np.where(where[:, None], 1.0, self.constant), self.growth, self.counts)

    def of(self, rows: NDArray[np.int_]) -> Spread:
        """Of these studies, which may repeat."""
        return Spread(self.constant[rows], self.growth[rows], self.counts)


@dataclass(frozen=True, slots=True, eq=False)
class WeightedLines:
    """The weighted lines of many comparisons of one design, one row a study; NaN where a line does not settle.

    Attributes
    ----------
    slopes, intercepts : shape (studies, n + 1), from all samples, then without each in turn; of x and y minus offsets
    own : shape (studies,), standard deviation of the samples' own part, as a share of the level
    levels : shape (studies, n), adjusted x minus its offset
    weights : shape (studies, n), 1 / variance about the line
    """

    slopes: Matrix
    intercepts: Matrix
    own: Vector
    levels: Matrix
    weights: Matrix

    @classmethod
    def of(cls, pairs: ReplicatedPairs, spreads: tuple[Spread, Spread]) -> WeightedLines:
        """Fit every study, then without each of its samples; s(x) stays that of all samples."""
        studies, n = pairs.x.shape
        nothing = spreads[0].none & spreads[1].none
        spreads = spreads[0].alike(nothing), spreads[1].alike(nothing)
        most = max(1, _AT_ONCE // (n * (n + 1)))
        blocks = [np.arange(at, min(at + most, studies)) for at in range(0, studies, most)]
        parts = [_fit(pairs, spreads, nothing, rows) for rows in blocks]
        return cls(*(np.concatenate(column) for column in zip(*parts, strict=True)))

    def combined(self, of_intercept: float, of_slope: float) -> tuple[Vector, Vector, Vector]:
        """of_intercept * intercept + of_slope * slope: values, standard errors, degrees of freedom, shape (studies,).

        A sample's change of the value counts by 1 - leverage, which makes the error unbiased where the weights are
        right. The degrees of freedom are Satterthwaite's of the samples' shares in that error, n - 2 at most: few
        where few samples carry the value.
        """
        fits = of_intercept * self.intercepts + of_slope * self.slopes
        total = self.weights.sum(axis=1, keepdims=True)
        middle = (self.weights * self.levels).sum(axis=1, keepdims=True) / total
        away = self.levels - middle
        spread = (self.weights * away**2).sum(axis=1, keepdims=True)
        leverage = self.weights * (1 / total + away**2 / spread)
        changes = (1 - leverage) * (fits[:, 1:] - fits[:, :1]) ** 2
        shares = self.weights * (of_intercept / total + (of_slope - of_intercept * middle) * away / spread) ** 2
        df = shares.sum(axis=1) ** 2 / (shares**2).sum(axis=1)
        return fits[:, 0], np.sqrt(changes.sum(axis=1)), np.minimum(df, self.levels.shape[1] - 2.0)


def _fit(
    pairs: ReplicatedPairs, spreads: tuple[Spread, Spread], nothing: NDArray[np.bool_], rows: NDArray[np.int_]
) -> tuple[Matrix, Matrix, Vector, Matrix, Matrix]:
    """The fields of `WeightedLines` of these studies."""
    n = pairs.x.shape[1]
    study = np.repeat(rows, n + 1)
    kept = np.tile(np.vstack([np.ones(n), 1.0 - np.eye(n)]), (len(rows), 1))
    of_lines = [spread.of(study) for spread in spreads]
    slope, intercept, own, levels, weights = _settle(
        pairs.x[study], pairs.y[study], kept, of_lines, ~nothing[study], pairs.offsets
    )
    shape, whole = (len(rows), n + 1), slice(None, None, n + 1)
    return slope.reshape(shape), intercept.reshape(shape), np.sqrt(own[whole]), levels[whole], weights[whole]


def _settle(
    x: Matrix,
    y: Matrix,
    kept: Matrix,
    spreads: Sequence[Spread],
    known: NDArray[np.bool_],
    offsets: tuple[float, float],
) -> tuple[Vector, Vector, Vector, Matrix, Matrix]:
    """Iterate levels, weights and line together until each has settled, each left alone once it has.

    `known` : whether the replicates say how much is explained; else there is no own part.
    """
    slope, intercept = _ordinary(x, y, kept)
    own, levels, weights = np.zeros(len(x)), x.copy(), np.zeros_like(x)
    active = np.isfinite(slope)
    slope[~active] = np.nan
    for _ in range(_STEPS):
        i = np.flatnonzero(active)
        if not i.size:
            break
        step = _step(
            x[i], y[i], kept[i], (slope[i], intercept[i], own[i], levels[i]), [s.of(i) for s in spreads], offsets
        )
        before = slope[i], np.sqrt(own[i])
        slope[i], intercept[i], own[i], levels[i], weights[i] = step
        own[i] = np.where(known[i], own[i], 0.0)
        moved = np.abs(slope[i] - before[0]) + np.abs(np.sqrt(own[i]) - before[1])
        active[i] = ~(moved <= _SETTLED * np.maximum(1.0, np.abs(slope[i]))) & np.isfinite(slope[i])
    slope[active] = np.nan
    return slope, intercept, own, levels, weights


def _ordinary(x: Matrix, y: Matrix, kept: Matrix) -> tuple[Vector, Vector]:
    """The ordinary line, where the iteration starts; not finite where x does not vary."""
    count = kept.sum(axis=1, keepdims=True)
    mx, my = ((kept * v).sum(axis=1, keepdims=True) / count for v in (x, y))
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (kept * (x - mx) * y).sum(axis=1) / (kept * (x - mx) ** 2).sum(axis=1)
    return slope, my[:, 0] - slope * mx[:, 0]


def _step(
    x: Matrix,
    y: Matrix,
    kept: Matrix,
    state: tuple[Vector, Vector, Vector, Matrix],
    spreads: Sequence[Spread],
    offsets: tuple[float, float],
) -> tuple[Vector, Vector, Vector, Matrix, Matrix]:
    """Slope, intercept, variance of the own part, levels and weights after one more step from those before."""
    slope, intercept, own, levels = state
    b, a = slope[:, None], intercept[:, None]
    above = np.maximum(levels + offsets[0], 0.0)
    v_x = spreads[0].variance(levels + offsets[0])
    v_y = spreads[1].variance(a + b * levels + offsets[1])
    own = _own_part(kept * (y - a - b * x) ** 2, v_y + b**2 * v_x, above**2, own, kept.sum(axis=1) - 2)
    v_y = v_y + own[:, None] * above**2
    weights = kept / (v_y + b**2 * v_x)
    total = weights.sum(axis=1, keepdims=True)
    mx, my = ((weights * v).sum(axis=1, keepdims=True) / total for v in (x, y))
    toward = ((x - mx) * v_y + b * (y - my) * v_x) / (v_y + b**2 * v_x)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (weights * toward * (y - my)).sum(axis=1) / (weights * toward * (x - mx)).sum(axis=1)
    return slope, my[:, 0] - slope * mx[:, 0], own, mx + toward, weights


def _own_part(squares: Matrix, explained: Matrix, growth: Matrix, own: Vector, df: Vector) -> Vector:
    """Variance of the own part at which the weighted squares sum to their degrees of freedom; not below zero.

    Paule and Mandel 1982, J. Res. Natl. Bur. Stand. 87, 377 (from memory); three steps of Newton's method each time.
    """
    for _ in range(3):
        variance = explained + own[:, None] * growth
        total = (squares / variance).sum(axis=1)
        falls = (squares * growth / variance**2).sum(axis=1)
        change = np.where(falls > 0, (total - df) / np.where(falls > 0, falls, 1.0), 0.0)
        own = np.maximum(0.0, own + change * total / np.maximum(df, 1.0))
    return np.where(df > 0, own, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class WeightedComparison:
    """The weighted line of one comparison.

    Attributes
    ----------
    lines : one study, of x and y minus `first`
    first : first mean of the reference and of the candidate, exact
    spreads : of the reference and of the candidate
    obstacle : why there is no interval; empty where there is one
    notes : of every estimate, in whole sentences
    """

    lines: WeightedLines
    first: tuple[Fraction, Fraction]
    spreads: tuple[Spread, Spread]
    obstacle: str
    notes: tuple[str, ...]

    @property
    def own(self) -> float:
        """Standard deviation of the samples' own part, as a share of the level."""
        return float(self.lines.own[0])

    @property
    def slope(self) -> Estimate:
        """Slope of the line, unit 1."""
        return self._estimate(0.0, 0.0, 1.0)

    @property
    def intercept(self) -> Estimate:
        """Intercept of the line, in the unit of the readings."""
        return self._estimate(float(self.first[1]), 1.0, -float(self.first[0]))

    def difference_at(self, level: Number) -> Estimate:
        """Predicted difference candidate minus reference at a level of the reference, with its own interval."""
        inside = float(Fraction(level) - self.first[0])
        return self._estimate(float(self.first[1] - Fraction(level)), 1.0, inside)

    def _estimate(self, constant: float, of_intercept: float, of_slope: float) -> Estimate:
        values, errors, dfs = self.lines.combined(of_intercept, of_slope)
        n, value = self.lines.levels.shape[1], constant + float(values[0])
        if self.obstacle:
            return Estimate(value, n=n, units=n, notes=(self.obstacle, *self.notes), source=_WEIGHTED)
        return Estimate.of_mean(
            value, float(errors[0]), float(dfs[0]), n=n, units=n, notes=self.notes, source=_WEIGHTED
        )


def weighted_comparison(
    reference: Sequence[Sequence[Number]],
    candidate: Sequence[Sequence[Number]],
    *,
    u: tuple[Vector, Vector] | None = None,
) -> WeightedComparison:
    """Line of candidate on reference, weighted by what scatters at each sample's level, errors in both methods.

    s(x) = a + b x of each method comes from its replicates; the line is York's with those at the fitted levels; what
    the samples scatter beyond that is their own part, in proportion to the level, and enters the weights of the
    candidate. All three are iterated.

    Parameters
    ----------
    reference, candidate : shape (n,) of readings of each sample, n >= 4, in one unit, same order of samples
    u : standard uncertainties of the means of reference and candidate, shape (n,) each, above 0; they take the place of
        s(x)

    Returns
    -------
    WeightedComparison, in the unit of the readings

    Raises
    ------
    ValueError
        Too few samples or replicates, or samples that determine no line.

    References
    ----------
    York et al. 2004, Am. J. Phys. 72, 367 (line); Davidian and Carroll 1987 (s(x)); Paule and Mandel 1982 (own part);
    Wu 1986, Ann. Stat. 14, 1261 (jackknife weighted by leverage); Bell and McCaffrey 2002, Surv. Methodol. 28, 169
    (degrees of freedom; from memory but for York).

    Examples
    --------
    Pearson's data with York's weights, York et al. 2004, Table II: slope -0.4805, intercept 5.4799. Twice the
    uncertainties leave the line where it is, and explain all that scatters: no own part enters.

    >>> x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    >>> y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    >>> w_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    >>> w_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    >>> line = weighted_comparison([[v] for v in x], [[v] for v in y], u=(2 * w_x**-0.5, 2 * w_y**-0.5))
    >>> round(line.slope.value, 4), round(line.intercept.value, 4)
    (-0.4805, 5.4799)
    """
    n = len(reference)
    if n != len(candidate) or n < LEAST_SAMPLES:
        raise ValueError(
            f"reference and candidate must hold the same samples, at least {LEAST_SAMPLES}; got {n} and "
            f"{len(candidate)}"
        )
    pairs, first = _one(reference, candidate)
    spreads = pairs.spreads() if u is None else (Spread.stated(u[0]), Spread.stated(u[1]))
    lines = WeightedLines.of(pairs, spreads)
    if not np.isfinite(lines.slopes).all():
        raise ValueError(UNDETERMINED)
    residuals = pairs.y - lines.intercepts[:, :1] - lines.slopes[:, :1] * pairs.x
    obstacle = no_interval(lines.slopes[0], residuals[0], pairs.y[0])
    return WeightedComparison(lines, first, spreads, obstacle, tuple(_notes(pairs, spreads, u is None)))


def _one(
    reference: Sequence[Sequence[Number]], candidate: Sequence[Sequence[Number]]
) -> tuple[ReplicatedPairs, tuple[Fraction, Fraction]]:
    """One study, its means less the first ones, which are exact."""
    rows, first = [], []
    for samples in (reference, candidate):
        offset, means = centre([exact_mean(readings) for readings in samples])
        small = [centre(readings)[1] for readings in samples]
        squares = np.array([((d - d.mean()) ** 2).sum() for d in small])
        counts = np.array([float(d.size) for d in small])
        if not can_be_squared(means) or not can_be_squared(np.sqrt(squares)):
            raise ValueError(f"reference and candidate {BEYOND_SQUARES}")
        rows.append((means[None, :], squares[None, :], counts))
        first.append(offset)
    (x, squares_x, counts_x), (y, squares_y, counts_y) = rows
    offsets = float(first[0]), float(first[1])
    return ReplicatedPairs(x, y, squares_x, squares_y, counts_x, counts_y, offsets), (first[0], first[1])


def _notes(pairs: ReplicatedPairs, spreads: tuple[Spread, Spread], of_replicates: bool) -> Iterator[str]:
    if pairs.x.shape[1] < _ENOUGH:
        yield FEW_SAMPLES
    if not of_replicates:
        return
    if min((counts - 1).sum() for counts in (pairs.counts_x, pairs.counts_y)) < _ENOUGH:
        yield FEW_REPLICATES
    silent = [name for name, spread in zip(("reference", "candidate"), spreads, strict=True) if spread.none[0]]
    if len(silent) == 2:
        yield (
            "The replicates of both methods agree to the last digit written: all samples weigh alike, and no part of "
            "their own is told from the scatter of the readings."
        )
    elif silent:
        yield f"The replicates of the {silent[0]} agree to the last digit written: its scatter is taken as zero."
