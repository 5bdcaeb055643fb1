"""One-way studies, many at once: readings in runs, of equal or unequal number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr
from scipy.stats import t as t_distribution

from validation.selftest.checks import CoverageRow
from validation.selftest.simulation.rates import Array, Ends, Group, Place, about, holds, roots, widened
from validation.stats.intervals import guarded_component_interval, guarded_sum_interval, sd_interval

CONFIDENCE = 0.95
JUDGED = 0.90  # two-sided 1 - 2 alpha

#: Between-run variance over repeatability variance: none, small, alike, large.
RATIOS = (0.0, 0.25, 1.0, 10.0)
EQUAL = {"5 runs of 2": (2,) * 5, "8 runs of 3": (3,) * 8, "12 runs of 3": (3,) * 12}
UNEQUAL = {
    "8 runs of 3, 3, 3, 3, 3, 2, 2, 1": (3, 3, 3, 3, 3, 2, 2, 1),
    "8 runs of 1, 1, 2, 2, 3, 4, 5, 6": (1, 1, 2, 2, 3, 4, 5, 6),
}
ZERO_COVERS_MORE = "A component whose truth is zero cannot be missed from above: the interval covers more."


@dataclass(frozen=True, slots=True)
class Precision:
    """Precision of many studies: one value a study in every array."""

    s_r: Array
    s_run: Array
    s_I: Array
    bias: Array
    sd_of_run_means: Array
    ms_unweighted: Array
    ms_within: Array
    counts: Array
    harmonic_n: float

    @property
    def dfs(self) -> tuple[int, int]:
        """Degrees of freedom between and within runs."""
        return len(self.counts) - 1, int(self.counts.sum()) - len(self.counts)

    def s_r_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """As of `validation.stats.precision.precision`."""
        return sd_interval(self.s_r, self.dfs[1], confidence)  # type: ignore[arg-type, return-value]

    def s_run_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """As of `validation.stats.precision.precision`."""
        ends = guarded_component_interval(
            self.ms_unweighted, self.ms_within, *self.dfs, self.harmonic_n, confidence=confidence
        )
        return widened(self.s_run, roots(ends))

    def s_I_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """As of `validation.stats.precision.precision`."""
        squares = (self.ms_unweighted, self.ms_within)
        raised = (np.maximum(*squares), self.ms_within)
        ends = guarded_sum_interval(self.coefficients, squares, raised, self.dfs, confidence=confidence)
        return widened(self.s_I, roots(ends))

    @property
    def coefficients(self) -> tuple[float, float]:
        """Of the mean squares whose sum is s_I^2."""
        return 1 / self.harmonic_n, 1 - 1 / self.harmonic_n

    def bias_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """As of `validation.stats.trueness.bias`."""
        p = len(self.counts)
        return about(self.bias, t_distribution.ppf((1 + confidence) / 2, p - 1) * self.sd_of_run_means / p**0.5)

    def tolerance_limits(self, beta: float = CONFIDENCE) -> Ends:
        """As of `validation.stats.accuracy.tolerance_limits`."""
        return about(self.bias, t_distribution.ppf((1 + beta) / 2, self.tolerance_df) * self.prediction_sd)

    @property
    def prediction_sd(self) -> Array:
        """Of a future single result of a future run, the uncertainty of the mean included."""
        mean_variance = (self.s_run**2 + self.ms_within / self.harmonic_n) / len(self.counts)
        return self.s_I * np.sqrt(1 + mean_variance / self.s_I**2)

    @property
    def tolerance_df(self) -> Array:
        """Satterthwaite's degrees of freedom of s_I^2, the component between runs not below zero."""
        between = self.harmonic_n * self.s_run**2 + self.ms_within
        terms = [c * square for c, square in zip(self.coefficients, (between, self.ms_within), strict=True)]
        return sum(terms) ** 2 / sum(term**2 / df for term, df in zip(terms, self.dfs, strict=True))  # type: ignore[return-value]


def readings(rng: np.random.Generator, studies: int, counts: Sequence[int], ratio: float, sd: float = 1.0) -> Array:
    """Errors of simulated readings, shape (studies, sum of counts): bias 0, s_r = sd, s_run^2 = ratio sd^2."""
    run = np.repeat(np.arange(len(counts)), counts)
    shared = rng.standard_normal((studies, len(counts))) * ratio**0.5
    return sd * (shared[:, run] + rng.standard_normal((studies, len(run))))


def precision_of(y: Array, counts: Sequence[int]) -> Precision:
    """The statistics of studies `y`, shape (studies, sum of counts), readings of a run side by side."""
    sizes = np.asarray(counts)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    means = np.add.reduceat(y, starts, axis=1) / sizes
    ss_within = ((y - np.repeat(means, sizes, axis=1)) ** 2).sum(axis=1)
    harmonic = float(len(sizes) / (1 / sizes).sum())
    ms_within = ss_within / (sizes.sum() - len(sizes))
    component = reml_between_many(means, sizes, ss_within)
    spread = means.var(axis=1, ddof=1)
    return Precision(
        np.sqrt(ms_within),
        np.sqrt(component),
        np.sqrt(component + ms_within),
        means.mean(axis=1),
        np.sqrt(spread),
        harmonic * spread,
        ms_within,
        sizes,
        harmonic,
    )


def reml_between_many(means: Array, counts: Array, ss_within: Array) -> Array:
    """REML estimates of the between variance, as `validation.stats.one_way.reml_between` finds each.

    Parameters
    ----------
    means, counts, ss_within : shapes (B, p), (p,), (B,)
    """
    n, p = float(counts.sum()), len(counts)
    ms_within, spread = ss_within / (n - p), means.var(axis=1, ddof=1)
    if np.all(counts == counts[0]):
        return np.maximum(0.0, spread - ms_within / counts[0])

    def parts(theta: Array) -> tuple[Array, Array, Array]:
        weights = counts / (1 + counts * theta[:, None])
        residuals = means - ((weights * means).sum(axis=1) / weights.sum(axis=1))[:, None]
        return weights, residuals, ss_within + (weights * residuals**2).sum(axis=1)

    def deviance(theta: Array) -> Array:
        weights, _, total = parts(theta)
        return (n - 1) * np.log(total) + np.log1p(counts * theta[:, None]).sum(axis=1) + np.log(weights.sum(axis=1))

    def slope(theta: Array) -> Array:
        weights, residuals, total = parts(theta)
        squares = weights**2
        pull = (n - 1) * (squares * residuals**2).sum(axis=1) / total
        return -pull + weights.sum(axis=1) - squares.sum(axis=1) / weights.sum(axis=1)

    grid = np.concatenate([[0.0], np.logspace(-6, 3, 181)]) * (spread / ms_within)[:, None]
    slopes = np.stack([slope(column) for column in grid.T], axis=1)
    turns = (slopes[:, :-1] < 0) & (slopes[:, 1:] >= 0)
    best = np.zeros(len(means))
    least = np.where(slopes[:, 0] >= 0, deviance(best), np.inf)
    for turn in range(int(turns.sum(axis=1).max())):
        has = turns.sum(axis=1) > turn
        position = np.where(has, np.argmax(np.cumsum(turns, axis=1) > turn, axis=1), 0)
        theta = _bisected(slope, *(np.take_along_axis(grid, (position + i)[:, None], 1)[:, 0] for i in (0, 1)))
        better = has & (deviance(theta) < least)
        best, least = np.where(better, theta, best), np.where(better, deviance(theta), least)
    return best * parts(best)[2] / (n - 1)


def _bisected(slope, low: Array, high: Array) -> Array:
    """The root of a rising function between `low` and `high`, to the last digits of a double."""
    for _ in range(60):
        middle = (low + high) / 2
        below = slope(middle) < 0
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2


def ratio_text(ratio: float, name: str = "s_run") -> str:
    """The truth of a simulated component in words."""
    return f"{name} = 0" if ratio == 0 else f"{name}^2 = {ratio:g} s_r^2"


def rows_of(counts: Sequence[int], design: str, ratio: float):
    """The rows of one design and one truth."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        found = precision_of(readings(rng, studies, counts, ratio), counts)
        total = (1 + ratio) ** 0.5
        zero = ratio == 0
        said = ZERO_COVERS_MORE if zero else ""
        low, high = found.tolerance_limits()
        met = found.bias_interval(JUDGED)[1]
        truth = ratio_text(ratio)
        precision = Place("precision", design, truth)
        rows = [
            precision.row("s_r", 0.95, holds(found.s_r_interval(), 1.0)),
            precision.row("s_run", 0.95, holds(found.s_run_interval(), ratio**0.5), more=zero, note=said),
            precision.row("s_I", 0.95, holds(found.s_I_interval(), total), more=zero, note=said),
            precision.row(
                "s_I, one-sided upper bound",
                0.95,
                found.s_I_interval(JUDGED)[1] >= total,
                more=True,
            ),
            Place("trueness", design, truth).row("bias", 0.95, holds(found.bias_interval(), 0.0)),
            Place("trueness", design, truth).row(
                "bias at the upper limit: met by equivalence",
                0.05,
                # The true bias lies at the limit; the lower limit is far off, as it is where precision suffices.
                met <= 0.0,
            ),
            Place("accuracy", design, truth).row(
                "mean content of the tolerance limits", 0.95, ndtr(high / total) - ndtr(low / total)
            ),
        ]
        return rows

    return simulate


def groups() -> list[Group]:
    """Every design and truth."""
    brief = {("8 runs of 3", 0.25), ("8 runs of 3", 1.0), ("12 runs of 3", 10.0), ("8 runs of 3", 0.0)}
    made = []
    for design, counts in (EQUAL | UNEQUAL).items():
        for ratio in RATIOS:
            few = 4000 if (design, ratio) in brief else None
            name = f"runs: {design}, {ratio:g}"
            made.append(Group(name, 10_000, few, rows_of(counts, design, ratio)))
    return made
