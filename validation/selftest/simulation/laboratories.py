"""Studies between laboratories, many at once: laboratory, run within laboratory, reading within run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as t_distribution

from validation.selftest.checks import CoverageRow
from validation.selftest.simulation.rates import Array, Ends, Group, Place, about, holds, roots, widened
from validation.selftest.simulation.runs import CONFIDENCE, JUDGED, RATIOS, ZERO_COVERS_MORE, ratio_text
from validation.stats.intervals import guarded_component_interval, guarded_sum_interval, sd_interval

#: Readings of each run of each laboratory.
Layout = Sequence[Sequence[int]]

DESIGNS: dict[str, Layout] = {
    "5 laboratories, 2 readings": ((2,),) * 5,
    "8 laboratories, 3 readings": ((3,),) * 8,
    "12 laboratories, 3 readings": ((3,),) * 12,
    "8 laboratories, 2 to 5 readings": ((2,), (2,), (3,), (3,), (3,), (4,), (4,), (5,)),
    "8 laboratories, 2 runs of 2": ((2, 2),) * 8,
    "12 laboratories, 3 runs of 2": ((2, 2, 2),) * 12,
    "8 laboratories, 1 to 3 runs of 1 to 3": ((3, 3), (3, 2), (3, 3, 3), (2, 2), (3,), (3, 3), (1, 3), (2, 2, 3)),
}


@dataclass(frozen=True, slots=True)
class Nested:
    """Precision between laboratories of many studies: one value a study; the names are those of `reproducibility`."""

    mean: Array
    mean_error: Array
    s_r: Array
    s_run: Array | None
    s_L: Array
    s_R: Array
    v_laboratory: Array
    v_run: Array
    ms_residual: Array
    w: float
    c1: float
    c2: float
    dfs: tuple[int, int, int]

    def mean_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """Of the general mean."""
        return about(self.mean, t_distribution.ppf((1 + confidence) / 2, self.dfs[0]) * self.mean_error)

    def s_r_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """Of the repeatability standard deviation."""
        return sd_interval(self.s_r, self.dfs[2], confidence)  # type: ignore[arg-type, return-value]

    def s_run_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """Of the standard deviation between runs of a laboratory."""
        assert self.s_run is not None
        ends = guarded_component_interval(
            self.v_run / self.w, self.ms_residual, self.dfs[1], self.dfs[2], 1 / self.w, confidence=confidence
        )
        return widened(self.s_run, roots(ends))

    def s_L_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """Of the standard deviation between laboratories."""
        stage = (self.c2, self.v_run, self.dfs[1]) if self.dfs[1] else (self.c1, self.ms_residual, self.dfs[2])
        scale, below, df = stage
        ends = guarded_component_interval(
            self.v_laboratory / scale, below, self.dfs[0], df, 1 / scale, confidence=confidence
        )
        return widened(self.s_L, roots(ends))

    def s_R_interval(self, confidence: float = CONFIDENCE) -> Ends:
        """Of the reproducibility standard deviation."""
        rest = max(0.0, 1 - self.w - self.c1 + self.c2 * self.w)
        coefficients = [1.0, 1 - self.c2 if self.dfs[1] else 0.0, rest]
        raised_run = np.maximum(self.v_run, self.w * self.ms_residual)
        expected = self.c2 * raised_run + (self.c1 - self.c2 * self.w) * self.ms_residual
        squares = [self.v_laboratory, self.v_run, self.ms_residual]
        raised = [np.maximum(self.v_laboratory, expected), raised_run, self.ms_residual]
        kept = [i for i, df in enumerate(self.dfs) if df > 0]
        terms = ([values[i] for i in kept] for values in (coefficients, squares, raised, self.dfs))
        return widened(self.s_R, roots(guarded_sum_interval(*terms, confidence=confidence)))  # type: ignore[arg-type]


def readings(rng: np.random.Generator, studies: int, layout: Layout, between: float, runs: float) -> Array:
    """Simulated readings, shape (studies, readings): mean 0, s_r = 1, s_L^2 = `between`, s_run^2 = `runs`."""
    laboratory = np.repeat(np.arange(len(layout)), [sum(counts) for counts in layout])
    run = np.repeat(np.arange(sum(map(len, layout))), [n for counts in layout for n in counts])
    of_laboratory = rng.standard_normal((studies, len(layout))) * between**0.5
    of_run = rng.standard_normal((studies, run[-1] + 1)) * runs**0.5
    return of_laboratory[:, laboratory] + of_run[:, run] + rng.standard_normal((studies, len(run)))


def nested_of(y: Array, layout: Layout) -> Nested:
    """The statistics of studies `y`, shape (studies, readings), readings of a run and runs of a laboratory together."""
    sizes = np.array([n for counts in layout for n in counts])
    runs_each = np.array([len(counts) for counts in layout])
    first_run = np.concatenate([[0], np.cumsum(runs_each)[:-1]])
    first_reading = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    p, n = len(layout), int(sizes.sum())
    run_means = np.add.reduceat(y, first_reading, axis=1) / sizes
    counts = np.add.reduceat(sizes, first_run)
    means = np.add.reduceat(run_means * sizes, first_run, axis=1) / counts
    grand = (means * counts).sum(axis=1) / n
    dfs = (p - 1, len(sizes) - p, n - len(sizes))
    ms_residual = ((y - np.repeat(run_means, sizes, axis=1)) ** 2).sum(axis=1) / dfs[2]
    ms_laboratory = (counts * (means - grand[:, None]) ** 2).sum(axis=1) / dfs[0]
    within = float((np.add.reduceat(sizes**2, first_run) / counts).sum())
    k3 = (n - float((counts**2).sum()) / n) / dfs[0]
    v_run_estimate: Array | None = None
    v_laboratory_estimate = (ms_laboratory - ms_residual) / k3
    plain = np.add.reduceat(run_means, first_run, axis=1) / runs_each
    inverse = np.add.reduceat(1 / sizes, first_run)
    w, c2, v_run = 0.0, 0.0, np.zeros(len(y))
    if dfs[1]:
        k1, k2 = (n - within) / dfs[1], (within - float((sizes**2).sum()) / n) / dfs[0]
        ms_run = (sizes * (run_means - np.repeat(means, runs_each, axis=1)) ** 2).sum(axis=1) / dfs[1]
        v_run_estimate = (ms_run - ms_residual) / k1
        v_laboratory_estimate = (ms_laboratory - ms_residual - k2 * v_run_estimate) / k3
        w = float(((runs_each - 1) * inverse / runs_each).sum() / dfs[1])
        c2 = float((1 / runs_each).mean())
        v_run = ((run_means - np.repeat(plain, runs_each, axis=1)) ** 2).sum(axis=1) / dfs[1]
    parts = [v for v in (v_laboratory_estimate, v_run_estimate, ms_residual) if v is not None]
    share = counts / n
    return Nested(
        grand,
        np.sqrt((share**2 * (means - grand[:, None]) ** 2 / (1 - share)).sum(axis=1)),
        np.sqrt(ms_residual),
        None if v_run_estimate is None else np.sqrt(np.maximum(0.0, v_run_estimate)),
        np.sqrt(np.maximum(0.0, v_laboratory_estimate)),
        np.sqrt(sum(np.maximum(0.0, part) for part in parts)),
        plain.var(axis=1, ddof=1),
        v_run,
        ms_residual,
        w,
        float((inverse / runs_each**2).mean()),
        c2,
        dfs,
    )


def rows_of(design: str, layout: Layout, between: float):
    """The rows of one design and one truth; runs of one laboratory differ half as much as its readings, in variance."""
    with_runs = any(len(counts) > 1 for counts in layout)
    runs = 0.5 if with_runs else 0.0

    def simulate(rng: np.random.Generator, studies: int) -> list[CoverageRow]:
        found = nested_of(readings(rng, studies, layout, between, runs), layout)
        truth = ratio_text(between, "s_L") + (", s_run^2 = 0.5 s_r^2" if with_runs else "")
        place, zero = Place("reproducibility", design, truth), between == 0
        said, total = ZERO_COVERS_MORE if zero else "", (1 + between + runs) ** 0.5
        rows = [
            place.row("general mean", 0.95, holds(found.mean_interval(), 0.0)),
            place.row("s_r", 0.95, holds(found.s_r_interval(), 1.0)),
            place.row("s_L", 0.95, holds(found.s_L_interval(), between**0.5), more=zero, note=said),
            place.row("s_R", 0.95, holds(found.s_R_interval(), total), more=zero, note=said),
            place.row("s_R, one-sided upper bound", 0.95, found.s_R_interval(JUDGED)[1] >= total, more=True),
        ]
        if with_runs:
            rows.insert(2, place.row("s_run within laboratory", 0.95, holds(found.s_run_interval(), runs**0.5)))
        return rows

    return simulate


def groups() -> list[Group]:
    """Every design and truth."""
    brief = {("8 laboratories, 3 readings", 1.0), ("12 laboratories, 3 runs of 2", 1.0)}
    return [
        Group(
            f"laboratories: {design}, {between:g}",
            10_000,
            4000 if (design, between) in brief else None,
            rows_of(design, layout, between),
        )
        for design, layout in DESIGNS.items()
        for between in RATIOS
    ]
