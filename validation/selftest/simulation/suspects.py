"""Outlier tests on studies without an outlier, many at once: how often each points at something."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import beta
from scipy.stats import t as t_distribution

from validation.selftest.checks import CoverageRow
from validation.selftest.simulation.rates import Array, Group, Place
from validation.selftest.simulation.runs import ratio_text, readings
from validation.stats.outliers import cochran_critical, grubbs_double_critical, grubbs_single_critical

ALPHA = 0.05
BONFERRONI = "Cochran's critical value is a Bonferroni bound: below a half it alarms a little less often than it says."
COMMON_N = "Cochran's test takes the number of readings that most groups have (ISO 5725-2:1994, 7.3.3.2)."
EACH = (
    "Mandel's h and k are held against the value for one group: the rate is that of one group, averaged over them, not "
    "of the study. With unequal numbers and no component between groups the smallest groups alarm more often."
)


def group_statistics(y: Array, counts: Sequence[int]) -> tuple[Array, Array]:
    """Means and variances of the groups, each (studies, groups); variance 0 where a group holds one reading."""
    sizes = np.asarray(counts)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    means = np.add.reduceat(y, starts, axis=1) / sizes
    squares = np.add.reduceat((y - np.repeat(means, sizes, axis=1)) ** 2, starts, axis=1)
    return means, squares / np.maximum(sizes - 1, 1)


def grubbs_single_of(values: Array) -> Array:
    """Statistic of `grubbs_single`; values of shape (studies, n)."""
    deviations = values - values.mean(axis=1, keepdims=True)
    return np.abs(deviations).max(axis=1) / deviations.std(axis=1, ddof=1)


def grubbs_double_of(values: Array) -> Array:
    """Statistic of `grubbs_double`; values of shape (studies, n)."""
    ordered = np.sort(values, axis=1)
    total = values.var(axis=1) * values.shape[1]
    rests = (ordered[:, :-2], ordered[:, 2:])
    return np.minimum(*(rest.var(axis=1) * rest.shape[1] for rest in rests)) / total


def cochran_of(variances: Array) -> Array:
    """Statistic of `cochran`."""
    return variances.max(axis=1) / variances.sum(axis=1)


def mandel_h_of(means: Array) -> Array:
    """Statistics of `mandel_h`, (studies, groups)."""
    return (means - means.mean(axis=1, keepdims=True)) / means.std(axis=1, ddof=1, keepdims=True)


def mandel_k_of(variances: Array, counts: Sequence[int]) -> Array:
    """Statistics of `mandel_k`, (studies, groups)."""
    df = np.asarray(counts) - 1
    return np.sqrt(variances / ((variances * df).sum(axis=1, keepdims=True) / df.sum()))


def rows_of(counts: Sequence[int], design: str, ratio: float):
    """The tests on group means and on group variances."""

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        means, variances = group_statistics(readings(rng, studies, counts, ratio), counts)
        place = Place("outlier tests", design, ratio_text(ratio, "s between"))
        p, equal = len(counts), len(set(counts)) == 1
        usual = max(sorted(set(counts)), key=list(counts).count)
        furthest = grubbs_single_critical(p, ALPHA)
        rows = [
            place.row("Grubbs, one mean: false alarms", ALPHA, grubbs_single_of(means) > furthest),
            place.row(
                "Grubbs, two means: false alarms",
                ALPHA,
                grubbs_double_of(means) < grubbs_double_critical(p, ALPHA),
            ),
            place.row(
                "Cochran: false alarms",
                ALPHA,
                cochran_of(variances) > cochran_critical(p, usual, ALPHA),
                more=equal,
                note=BONFERRONI if equal else COMMON_N,
            ),
            place.row(
                "Mandel h of one group: false alarms",
                ALPHA,
                (np.abs(mandel_h_of(means)) > h_critical(p)).mean(axis=1),
                note=EACH,
            ),
        ]
        if min(counts) > 1:
            df = np.asarray(counts) - 1.0
            share = beta.isf(ALPHA, df / 2, (df.sum() - df) / 2)
            beyond = (mandel_k_of(variances, counts) > np.sqrt(share * df.sum() / df)).mean(axis=1)
            rows.append(place.row("Mandel k of one group: false alarms", ALPHA, beyond, note=EACH))
        return rows

    return simulate


def h_critical(p: int) -> float:
    """Critical value of `mandel_h`."""
    t = float(t_distribution.isf(ALPHA / 2, p - 2))
    return (p - 1) * t / (p * (t * t + p - 2)) ** 0.5


def groups() -> list[Group]:
    """Every design and truth."""
    designs = {
        "5 groups of 2": (2,) * 5,
        "8 groups of 3": (3,) * 8,
        "12 groups of 3": (3,) * 12,
        "8 groups of 2 to 5": (2, 2, 3, 3, 3, 4, 4, 5),
    }
    return [
        Group(
            f"outliers: {design}, {ratio:g}",
            10_000,
            4000 if design == "8 groups of 3" and ratio == 0 else None,
            rows_of(counts, design, ratio),
        )
        for design, counts in designs.items()
        for ratio in (0.0, 10.0)
    ]
