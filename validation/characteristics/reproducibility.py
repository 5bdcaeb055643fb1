"""Reproducibility: precision between laboratories by level, after ISO 5725-2."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import sqrt
from statistics import mode
from typing import TypeVar

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import all_censored, left_out, lost_levels
from validation.figures.reproducibility import (
    LaboratoryCell,
    LaboratoryReading,
    LevelLaboratories,
    Mandel,
    ReproducibilityView,
)
from validation.stats import outliers
from validation.stats.estimate import Number, centre, exact_mean
from validation.stats.reproducibility import ReproducibilityResult, nested_reproducibility, reproducibility
from validation.study.model import ExperimentData, Study
from validation.study.ordering import natural_order
from validation.study.quantity import At, Cell, Display, Evaluation, Flag, Quantity, Table
from validation.words import level_text, sentence_list, significant, with_interval

NAME = "reproducibility"

_ALPHAS = (0.05, 0.01)

NO_REFERENCE = (
    "The column u_level is not used: no quantity between laboratories rests on the reference value. It belongs to the "
    "precision worksheet, from which the bias comes."
)


@dataclass(frozen=True)
class _Laboratory:
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
class _Level:
    """All laboratories at one level."""

    at: At
    laboratories: tuple[_Laboratory, ...]
    data: ExperimentData

    @cached_property
    def result(self) -> ReproducibilityResult:
        if "run" in self.data.table:
            return nested_reproducibility([laboratory.values for laboratory in self.laboratories])
        return reproducibility([laboratory.flat for laboratory in self.laboratories])

    @cached_property
    def tests(self) -> _Tests:
        return _tests(self.laboratories)

    @property
    def mean_of_means(self) -> float:
        return float(np.mean([laboratory.mean for laboratory in self.laboratories]))

    def reading(self, row: int) -> str:
        return str(self.data.table["reading"].iloc[row])


def evaluate(study: Study) -> Evaluation:
    """Estimate the precision between laboratories at every level of the experiment `reproducibility`."""
    data = study.ready(NAME)
    if data is None:
        awaited = all_censored(study, NAME) or "The readings of the laboratories are awaited."
        planned = NAME in study.experiments
        return Evaluation(NAME, missing=awaited if planned else "No experiment between laboratories is planned.")
    levels = list(_levels(data))
    quantities = tuple(q for level in levels for q in _quantities(study, level))
    flags = tuple(flag for level in levels for flag in _flags(level))

    def show() -> Display:
        view = ReproducibilityView(tuple(_level_view(level, quantities) for level in levels))
        return Display(tables=(_laboratory_table(view), _component_table(levels)), view=view)

    unused = (NO_REFERENCE,) if "u_level" in data.table else ()
    notes = (*data.notes, *lost_levels(data), *unused, *_design_notes(levels))
    return Evaluation(NAME, quantities, flags, notes, show=show)


def _design_notes(levels: Sequence[_Level]) -> Iterator[str]:
    """Each note once: as it is where it holds at every level, else with the levels it speaks of."""
    places: dict[str, list[str]] = {}
    for level in levels:
        for note in level.result.notes:
            places.setdefault(note, []).append(level_text(level.at))
    for note, at in places.items():
        yield note if len(at) == len(levels) else f"Level {sentence_list(at)}: {note}"


def _levels(data: ExperimentData) -> Iterator[_Level]:
    """Levels, laboratories and runs in rising order, so that the order of the rows changes nothing."""
    table = data.table
    names, has_runs = set(table["level"]), "run" in table
    for name in sorted(names) if data.numeric_levels else sorted(names, key=natural_order):
        cells: dict[str, dict[str, list[int]]] = {}
        for row in np.flatnonzero((table["level"] == name).to_numpy()):
            run = str(table["run"].iloc[row]) if has_runs else ""
            cells.setdefault(str(table["laboratory"].iloc[row]), {}).setdefault(run, []).append(int(row))
        laboratories = tuple(_laboratory(data, one, cells[one]) for one in sorted(cells, key=natural_order))
        yield _Level(float(name) if data.numeric_levels else str(name), laboratories, data)


def _laboratory(data: ExperimentData, name: str, runs: dict[str, list[int]]) -> _Laboratory:
    rows = [runs[run] for run in sorted(runs, key=natural_order)]
    return _Laboratory(
        name, tuple(tuple(run) for run in rows), tuple(tuple(data.decimals("result", run)) for run in rows)
    )


def _quantities(study: Study, level: _Level) -> Iterator[Quantity]:
    censored = level.data.censored_at("level", level.at)
    rows = sorted(row for laboratory in level.laboratories for row in laboratory.rows)
    result = level.result
    estimates = {
        "mean": result.mean,
        "s_r": result.s_r,
        "s_run": result.s_run,
        "s_L": result.s_L,
        "s_R": result.s_R,
        "r": result.r,
        "R": result.R,
    }
    for name, estimate in estimates.items():
        if estimate is not None:
            yield Quantity(
                key=f"{NAME}.{name}",
                at=level.at,
                estimate=estimate.with_notes(*left_out(censored, "at this level")),
                level=study.confidence,
                unit=study.unit,
                worksheet=level.data.worksheet,
                readings=tuple(level.reading(row) for row in rows),
                unit_name="laboratories",
                censored=censored,
            )


# --- laboratories that differ from the others ------------------------------------------------------------------------

Result = TypeVar("Result")
Both = tuple[Result, Result]


@dataclass(frozen=True)
class _Tests:
    """The outlier tests of one level at 5 and 1 %; None where the level cannot carry the test.

    `replicated` are the positions of the laboratories that Cochran's test and Mandel's k look at.
    """

    cochran: Both[outliers.OutlierTest] | None
    grubbs: Both[outliers.OutlierTest] | None
    pair: Both[outliers.OutlierTest] | None
    h: Both[outliers.MandelTest] | None
    k: Both[outliers.MandelTest] | None
    replicated: tuple[int, ...]


def _tests(laboratories: Sequence[_Laboratory]) -> _Tests:
    means = [exact_mean(laboratory.flat) for laboratory in laboratories]
    replicated = tuple(i for i, laboratory in enumerate(laboratories) if laboratory.degrees_of_freedom)
    sds = [laboratories[i].sd or 0.0 for i in replicated]
    counts = [laboratories[i].degrees_of_freedom + 1 for i in replicated]
    grubbs = _both(lambda a: outliers.grubbs_single(means, alpha=a)) if len(means) >= 3 else None
    # ISO 5725-2, 7.3.4: the test for two is applied where the test for one finds nothing.
    two = len(means) >= 4 and not (grubbs is not None and grubbs[0].exceeded)
    scatter = len(sds) >= 2
    return _Tests(
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


def _flags(level: _Level) -> Iterator[Flag]:
    """One a laboratory and test, at its reading that lies furthest out."""
    for suspects in (_by_cochran(level), _by_grubbs(level), _by_mandel_h(level), _by_mandel_k(level)):
        for test, statistic, critical, row, reason in suspects:
            reading = level.reading(row)
            yield Flag(reading, test, statistic, critical, True, reason, level.at, level.data.worksheet)


def _by_cochran(level: _Level) -> Iterator[Suspect]:
    tests = level.tests.cochran
    if tests and tests[0].exceeded:
        one = level.laboratories[level.tests.replicated[tests[0].index]]
        reason = f"The readings of laboratory {one.name} scatter more than those of the others ({_strength(tests)})."
        yield "Cochran", tests[0].statistic, tests[0].critical, _furthest_within(one), reason


def _by_grubbs(level: _Level) -> Iterator[Suspect]:
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


def _by_mandel_h(level: _Level) -> Iterator[Suspect]:
    tests = level.tests.h
    if tests is None:
        return
    for i in tests[0].exceeding:
        one, h = level.laboratories[i], tests[0].statistics[i]
        side = "high" if h > 0 else "low"
        reason = f"Laboratory {one.name} reads {side} against the others ({_mandel_strength(tests, i)})."
        yield "Mandel h", h, tests[0].criticals[i], _furthest(one, level.mean_of_means), reason


def _by_mandel_k(level: _Level) -> Iterator[Suspect]:
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


def _furthest_within(laboratory: _Laboratory) -> int:
    """Row of the reading furthest from the mean of its own run."""
    return laboratory.rows[int(np.argmax(np.abs(laboratory.within)))]


def _furthest(laboratory: _Laboratory, general: float) -> int:
    """Row of the reading furthest from the general mean on the side of its laboratory."""
    side = 1.0 if laboratory.mean >= general else -1.0
    return laboratory.rows[int(np.argmax(side * np.array(laboratory.flat, dtype=float)))]


# --- what figures, tables and words show -----------------------------------------------------------------------------


def _level_view(level: _Level, quantities: Sequence[Quantity]) -> LevelLaboratories:
    own = {q.key: q for q in quantities if q.at == level.at}
    cells = tuple(_cell(level, i) for i in range(len(level.laboratories)))
    s_r, s_R = (own.get(f"{NAME}.{name}") for name in ("s_r", "s_R"))
    return LevelLaboratories(level.at, level.result.mean.value, s_r, s_R, cells)


def _cell(level: _Level, i: int) -> LaboratoryCell:
    laboratory, tests = level.laboratories[i], level.tests
    lines = level.data.table["line"]
    readings = tuple(
        LaboratoryReading(level.reading(row), int(lines.iloc[row]), float(value))
        for row, value in zip(laboratory.rows, laboratory.flat, strict=True)
    )
    k = _mandel(tests.k, tests.replicated.index(i)) if i in tests.replicated else None
    return LaboratoryCell(laboratory.name, laboratory.mean, laboratory.sd, readings, _mandel(tests.h, i), k)


def _mandel(tests: Both[outliers.MandelTest] | None, i: int) -> Mandel | None:
    return None if tests is None else Mandel(tests[0].statistics[i], tests[0].criticals[i], tests[1].criticals[i])


def _component_table(levels: Sequence[_Level]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for level in levels:
        result, stages = level.result, ("between laboratories", "between runs", "residual")
        parts = zip(stages, result.degrees_of_freedom, result.mean_squares, result.components, strict=True)
        rows += [(level.at, *part) for part in parts if "run" in level.data.table or part[0] != "between runs"]
    head = ("level", "stage", "degrees of freedom", "mean square", "variance component")
    return Table("components", "Mean squares and variance components before any is set to 0", head, tuple(rows))


def _laboratory_table(view: ReproducibilityView) -> Table:
    rows = tuple(
        (
            *(level.at, cell.laboratory, len(cell.readings), cell.mean, cell.sd),
            *(None if mandel is None else mandel.value for mandel in (cell.h, cell.k)),
        )
        for level in view.levels
        for cell in level.cells
    )
    head = ("level", "laboratory", "readings", "mean", "standard deviation", "h", "k")
    return Table("laboratories", "Laboratories by level, with Mandel's h and k", head, rows)


def in_words(evaluation: Evaluation, unit: str) -> Sequence[str]:
    """What the laboratories agree on, how sure that is, and what follows."""
    view: ReproducibilityView = evaluation.display.view
    of = "" if unit == "1" else f" {unit}"
    sentences = [_level_words(level, evaluation.get(f"{NAME}.R", level.at), of) for level in view.levels]
    fewest = min(len(level.cells) for level in view.levels)
    if 1 < fewest < 8:
        sentences.append(f"With {fewest} laboratories R is indicative: eight or more would be needed to claim it.")
    named = _flagged_laboratories(evaluation)
    if named:
        sentences.append(
            f"The outlier tests point at {sentence_list(named)}. Nothing is left out for that; a test is no cause."
        )
    elif any(len(level.cells) > 2 for level in view.levels):
        sentences.append("No laboratory stands out by the tests of Cochran and Grubbs or by Mandel's h and k at 5 %.")
    return sentences


def _level_words(level: LevelLaboratories, R: Quantity | None, of: str) -> str:
    where, s_r, s_R = f"At level {level_text(level.at)}", level.s_r, level.s_R
    if s_R is None or R is None:
        return f"{where} there is one laboratory only: nothing can be said about others."
    value, interval = with_interval(s_R.value, s_R.interval)
    sure = interval or "no bound can be claimed"
    sentence = f"{where}, single results of {len(level.cells)} laboratories scatter with s_R = {value}{of} ({sure})"
    if s_r is not None:
        sentence += f", of which s_r = {significant(s_r.value)}{of} within one laboratory"
    if s_R.value == 0:
        return f"{sentence}: all readings are alike as written, which shows their rounding."
    return (
        f"{sentence}: two single results of different laboratories should differ by more than "
        f"{significant(R.value)}{of} once in twenty times."
    )


def _flagged_laboratories(evaluation: Evaluation) -> list[str]:
    view: ReproducibilityView = evaluation.display.view
    owners = view.owners
    places: dict[str, list[At]] = {}
    for flag in evaluation.flags:
        at = places.setdefault(owners[flag.reading], [])
        if flag.at not in at:
            at.append(flag.at)
    return [
        f"{name} (level{'s' if len(at) > 1 else ''} {sentence_list([level_text(one) for one in at])})"
        for name, at in places.items()
    ]


_SULFUR = "ISO 5725-2:1994, Annex B, example 1 (sulfur in coal, unequal numbers)"
_E691 = "ASTM E691, glucose in serum (data: NIST public-domain file)"
_NESTED = "Berthouex and Brown 2002, Tables 25.2, 25.4, 25.5 (three-stage nested)"
_INTERVAL = "Burdick and Graybill 1992, Confidence Intervals on Variance Components (from memory)"


def _key(
    name: str, meaning: str, symbol: str, formula: str, source: str, *checked: str, judged: bool = True
) -> KeyInfo:
    return KeyInfo(
        f"{NAME}.{name}",
        meaning,
        symbol,
        formula,
        source,
        rules=("upper bound", "point") if judged else (),
        checked_against=checked,
    )


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Reproducibility between laboratories",
    position=60,
    experiment="reproducibility",
    method=(
        "Several laboratories measure the same materials by the same procedure. The variance of their readings is "
        "split into what happens within a laboratory and what differs between laboratories (ISO 5725-2, numbers of "
        "readings may differ); where runs were recorded, a three-stage nested analysis of variance sets them apart.",
        "A component that comes out negative is set to 0 and that is said. The general mean weights each laboratory by "
        "its number of readings. Cochran's test, Grubbs' tests and Mandel's h and k point at laboratories that stand "
        "out; nothing is removed for that.",
    ),
    keys=(
        _key(
            "mean", "general mean of all laboratories", "m", "m = sum(n_i m_i) / N",
            "ISO 5725-2:1994, 7.4.4 (from memory)", _SULFUR, _E691, judged=False,
        ),
        _key(
            "s_r", "repeatability standard deviation, pooled within laboratories (within runs)", "s_r",
            "s_r^2 = sum((n_i - 1) s_i^2) / sum(n_i - 1)", "ISO 5725-2:1994, 7.4.5 (from memory)",
            _SULFUR, _E691, _NESTED,
        ),
        _key(
            "s_run", "standard deviation between runs of one laboratory", "s_run",
            "s_run^2 = (MS_run - s_r^2) / k1, k1 = (N - sum(sum_j n_ij^2 / n_i)) / (runs - p)",
            "ISO 5725-3, nested designs; Searle, Casella and McCulloch 1992 (from memory)", _NESTED,
        ),
        _key(
            "s_L", "standard deviation between laboratories", "s_L",
            "s_L^2 = (s_d^2 - s_r^2) / n, n = (N - sum n_i^2 / N) / (p - 1); with runs "
            "s_L^2 = (MS_lab - s_r^2 - k2 s_run^2) / k3",
            f"ISO 5725-2:1994, 7.4.5 (from memory); interval: {_INTERVAL}", _SULFUR, _E691, _NESTED,
        ),
        _key(
            "s_R", "reproducibility standard deviation", "s_R", "s_R^2 = s_L^2 + s_run^2 + s_r^2",
            f"ISO 5725-2:1994, 7.4.5 (from memory); interval: {_INTERVAL}", _SULFUR, _E691,
        ),
        _key(
            "r", "repeatability limit: difference of two results of one run exceeded once in twenty times", "r",
            "r = 1.96 sqrt(2) s_r", "ISO 5725-6 (from memory)", _E691,
        ),
        _key(
            "R", "reproducibility limit: difference of two laboratories' single results exceeded once in twenty times",
            "R", "R = 1.96 sqrt(2) s_R", "ISO 5725-6 (from memory)", _E691,
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("laboratory_means", "mandel_h_and_k", "precision_by_level"),
)  # fmt: skip
