"""The experiment between laboratories taken apart: levels, laboratories, runs; and the laboratories that differ."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import sqrt
from statistics import mode
from typing import TypeVar

import numpy as np

from validation.characteristics._attained import LaboratoryCase, Placed, ratio_class, step_class, step_of
from validation.stats import outliers
from validation.stats.estimate import Number, centre, exact_mean
from validation.stats.reproducibility import ReproducibilityResult, nested_reproducibility, reproducibility
from validation.study.model import ExperimentData
from validation.study.ordering import natural_order
from validation.study.quantity import At, Flag
from validation.words import significant

_ALPHAS = (0.05, 0.01)


@dataclass(frozen=True)
class Laboratory:
    """One laboratory at one level: positions of its rows and its results, by run."""

    name: str
    runs: tuple[tuple[int, ...], ...]
    values: tuple[tuple[Number, ...], ...]

    @property
    def rows(self) -> tuple[int, ...]:
        return tuple(row for run in self.runs for row in run)

    @property
    def flat(self) -> tuple[Number, ...]:
        return tuple(value for run in self.values for value in run)

    @cached_property
    def mean(self) -> float:
        offset, small = centre(self.flat)
        return float(offset) + float(small.mean())

    @cached_property
    def within(self) -> tuple[float, ...]:
        """Each result minus the mean of its run."""
        deviations = (centre(run)[1] for run in self.values)
        return tuple(float(d) for run in deviations for d in run - run.mean())

    @property
    def degrees_of_freedom(self) -> int:
        return len(self.rows) - len(self.runs)

    @property
    def sd(self) -> float | None:
        """Within runs; None without replicates."""
        df = self.degrees_of_freedom
        return sqrt(float(np.square(self.within).sum()) / df) if df else None


@dataclass(frozen=True)
class LaboratoryLevel:
    """All laboratories at one level."""

    at: At
    laboratories: tuple[Laboratory, ...]
    data: ExperimentData

    @property
    def rows(self) -> tuple[int, ...]:
        return tuple(row for laboratory in self.laboratories for row in laboratory.rows)

    @cached_property
    def result(self) -> ReproducibilityResult:
        if "run" in self.data.table:
            return nested_reproducibility([laboratory.values for laboratory in self.laboratories])
        return reproducibility([laboratory.flat for laboratory in self.laboratories])

    @cached_property
    def tests(self) -> LaboratoryTests:
        return _tests(self.laboratories)

    @property
    def mean_of_means(self) -> float:
        return float(np.mean([laboratory.mean for laboratory in self.laboratories]))

    def reading(self, row: int) -> str:
        return self.data.identifiers[row]


def placed_laboratories(levels: Sequence[LaboratoryLevel]) -> Iterator[Placed]:
    """Each level's design with what was estimated there, in classes; s_R alone where nothing stands below it."""
    for level in levels:
        result = level.result
        if result.s_R is None:
            continue
        L, run, r = (0.0 if s is None else s.value**2 for s in (result.s_L, result.s_run, result.s_r))
        scatter = r or result.s_R.value**2 - L
        if not scatter:
            continue
        layout = tuple(tuple(map(len, laboratory.values)) for laboratory in level.laboratories)
        step = step_class(step_of(level.data.decimals("result", level.rows)), scatter**0.5)
        if r:
            yield level.at, LaboratoryCase(layout, None), step
        yield level.at, LaboratoryCase(layout, (ratio_class(L / scatter), ratio_class(run / scatter))), step


def laboratory_levels(data: ExperimentData) -> Iterator[LaboratoryLevel]:
    """Levels, laboratories and runs in rising order, so that the order of the rows changes nothing."""
    table = data.table
    names, has_runs = set(table["level"]), "run" in table
    for name in sorted(names) if data.numeric_levels else sorted(names, key=natural_order):
        cells: dict[str, dict[str, list[int]]] = {}
        for row in np.flatnonzero((table["level"] == name).to_numpy()):
            run = str(table["run"].iloc[row]) if has_runs else ""
            cells.setdefault(str(table["laboratory"].iloc[row]), {}).setdefault(run, []).append(int(row))
        laboratories = tuple(_laboratory(data, one, cells[one]) for one in sorted(cells, key=natural_order))
        yield LaboratoryLevel(float(name) if data.numeric_levels else str(name), laboratories, data)


def _laboratory(data: ExperimentData, name: str, runs: dict[str, list[int]]) -> Laboratory:
    rows = [runs[run] for run in sorted(runs, key=natural_order)]
    return Laboratory(
        name, tuple(tuple(run) for run in rows), tuple(tuple(data.decimals("result", run)) for run in rows)
    )


# --- laboratories that differ from the others ------------------------------------------------------------------------

Result = TypeVar("Result")
Both = tuple[Result, Result]


@dataclass(frozen=True)
class LaboratoryTests:
    """The outlier tests of one level at 5 and 1 %; None where the level cannot carry the test.

    `replicated` are the positions of the laboratories that Cochran's test and Mandel's k look at.
    """

    cochran: Both[outliers.OutlierTest] | None
    grubbs: Both[outliers.OutlierTest] | None
    pair: Both[outliers.OutlierTest] | None
    h: Both[outliers.MandelTest] | None
    k: Both[outliers.MandelTest] | None
    replicated: tuple[int, ...]


def _tests(laboratories: Sequence[Laboratory]) -> LaboratoryTests:
    means = [exact_mean(laboratory.flat) for laboratory in laboratories]
    replicated = tuple(i for i, laboratory in enumerate(laboratories) if laboratory.degrees_of_freedom)
    sds = [laboratories[i].sd or 0.0 for i in replicated]
    counts = [laboratories[i].degrees_of_freedom + 1 for i in replicated]
    grubbs = _both(lambda a: outliers.grubbs_single(means, alpha=a)) if len(means) >= 3 else None
    # ISO 5725-2, 7.3.4: the test for two is applied where the test for one finds nothing.
    two = len(means) >= 4 and not (grubbs is not None and grubbs[0].exceeded)
    scatter = len(sds) >= 2
    return LaboratoryTests(
        cochran=_both(lambda a: outliers.cochran([s * s for s in sds], mode(counts), alpha=a)) if scatter else None,
        grubbs=grubbs,
        pair=_both(lambda a: outliers.grubbs_double(means, alpha=a)) if two else None,
        h=_both(lambda a: outliers.mandel_h(means, alpha=a)) if len(means) >= 3 else None,
        k=_both(lambda a: outliers.mandel_k(sds, counts, alpha=a)) if scatter else None,
        replicated=replicated,
    )


def _both(test: Callable[[float], Result]) -> Both[Result]:
    five, one = (test(alpha) for alpha in _ALPHAS)
    return five, one


#: Test, statistic, critical value, row of the reading that lies furthest out, and why it is flagged.
Suspect = tuple[str, float, float, int, str]


def laboratory_flags(level: LaboratoryLevel) -> Iterator[Flag]:
    """One a laboratory and test, at its reading that lies furthest out."""
    for suspects in (_by_cochran(level), _by_grubbs(level), _by_mandel_h(level), _by_mandel_k(level)):
        for test, statistic, critical, row, reason in suspects:
            reading = level.reading(row)
            yield Flag(reading, test, statistic, critical, True, reason, level.at, level.data.worksheet)


def _by_cochran(level: LaboratoryLevel) -> Iterator[Suspect]:
    tests = level.tests.cochran
    if tests and tests[0].exceeded:
        one = level.laboratories[level.tests.replicated[tests[0].index]]
        reason = f"The readings of laboratory {one.name} scatter more than those of the others ({_strength(tests)})."
        yield "Cochran", tests[0].statistic, tests[0].critical, _furthest_within(one), reason


def _by_grubbs(level: LaboratoryLevel) -> Iterator[Suspect]:
    single, pair = level.tests.grubbs, level.tests.pair
    if single and single[0].exceeded:
        one = level.laboratories[single[0].index]
        reason = f"The mean of laboratory {one.name} lies apart from those of the others ({_strength(single)})."
        row = _furthest(one, level.mean_of_means)
        yield "Grubbs, one laboratory", single[0].statistic, single[0].critical, row, reason
    if pair and pair[0].exceeded:
        first, second = (level.laboratories[i] for i in pair[0].indices)
        reason = (
            f"The means of laboratories {first.name} and {second.name} together lie apart from those of the others "
            f"({_strength(pair)}); the statistic is small where they do."
        )
        row = _furthest(first, level.mean_of_means)
        yield "Grubbs, two laboratories", pair[0].statistic, pair[0].critical, row, reason


def _by_mandel_h(level: LaboratoryLevel) -> Iterator[Suspect]:
    tests = level.tests.h
    if tests is None:
        return
    for i in tests[0].exceeding:
        one, h = level.laboratories[i], tests[0].statistics[i]
        side = "high" if h > 0 else "low"
        reason = f"Laboratory {one.name} reads {side} against the others ({_mandel_strength(tests, i)})."
        yield "Mandel h", h, tests[0].criticals[i], _furthest(one, level.mean_of_means), reason


def _by_mandel_k(level: LaboratoryLevel) -> Iterator[Suspect]:
    tests = level.tests.k
    if tests is None:
        return
    for i in tests[0].exceeding:
        one, k = level.laboratories[level.tests.replicated[i]], tests[0].statistics[i]
        reason = f"Laboratory {one.name} scatters more than all laboratories pooled ({_mandel_strength(tests, i)})."
        yield "Mandel k", k, tests[0].criticals[i], _furthest_within(one), reason


def _strength(tests: Sequence[outliers.OutlierTest]) -> str:
    return _beyond(tests[1].exceeded, tests[1].critical)


def _mandel_strength(tests: Sequence[outliers.MandelTest], i: int) -> str:
    return _beyond(abs(tests[1].statistics[i]) > tests[1].criticals[i], tests[1].criticals[i])


def _beyond(at_one_per_cent: bool, critical: float) -> str:
    if at_one_per_cent:
        return f"beyond the 1 % value {significant(critical)} too"
    return f"beyond the 5 % value, within the 1 % value {significant(critical)}"


def _furthest_within(laboratory: Laboratory) -> int:
    """Row of the reading furthest from the mean of its own run."""
    return laboratory.rows[int(np.argmax(np.abs(laboratory.within)))]


def _furthest(laboratory: Laboratory, general: float) -> int:
    """Row of the reading furthest from the general mean on the side of its laboratory."""
    side = 1.0 if laboratory.mean >= general else -1.0
    return laboratory.rows[int(np.argmax(side * np.array(laboratory.flat, dtype=float)))]
