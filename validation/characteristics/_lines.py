"""Comparison of materials: one straight line an oil or fuel, each slope held against that of the reference.

The chapters on oils and on fuels both stand on `evaluate` and `alternatives`; a `MaterialChapter` says what is its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from validation.characteristics._censored import left_out, lost_levels, why_not
from validation.characteristics._other_methods import other_methods_table
from validation.figures._lines import LinesView, MaterialLine
from validation.stats.estimate import Estimate
from validation.stats.slope_ratio import Line, LinesResult, level_weights, slope_ratios, slope_ratios_by_run
from validation.study.model import ExperimentData, Reading, Study
from validation.study.ordering import natural_order
from validation.study.quantity import Cell, Display, Evaluation, Quantity, Table
from validation.words import fixed, sentence_list, significant, with_interval

EQUAL_WEIGHTS = "lines with equal weights"
NO_RUNS = (
    "The worksheet has no run column: all readings are taken as independent of one another. Where they share runs, the "
    "column `run` would let the runs be the units."
)
SINGLE_RUN = (
    "All readings come from one run: the ratios hold for readings side by side in that run, and what differs from run "
    "to run is not in their intervals."
)


# The chapter and its worksheet ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Materials:
    """The material of each reading of a worksheet, the names that may be the reference, and how a reading is named."""

    data: ExperimentData
    names: tuple[str, ...]
    candidates: tuple[str, ...]
    name_of: Callable[[Reading], str]


@dataclass(frozen=True)
class Own:
    """What a chapter adds to the comparison of lines; `view` is called with the reference and the lines drawn."""

    quantities: tuple[Quantity, ...]
    view: Callable[[str, tuple[MaterialLine, ...]], LinesView]
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True)
class MaterialChapter:
    """One of the two chapters that compare materials.

    `what` is compared, as the worksheet's `columns` name it; `stated` is what the plan says of the study's own, under
    `plan_key`. `intercept_note` tells what the lines share, `one_material` what a second one would supply, `two_levels`
    what the fit takes beside levels of the reference. `own` adds to the lines, which are None where none can be fitted.
    """

    name: str
    what: str
    columns: str
    plan_key: str
    stated: Callable[[Study], str | None]
    read: Callable[[ExperimentData], Materials]
    own: Callable[[Study, Materials, str, Comparison | None], Own]
    common_intercept: bool
    intercept_note: Callable[[ExperimentData], str]
    one_material: str
    two_levels: str = ""


def evaluate(chapter: MaterialChapter, study: Study) -> Evaluation:
    """Slope of every material, its ratio to the reference, and what the chapter adds."""
    given = _given(chapter, study)
    if isinstance(given, Evaluation):
        return given
    materials, reference, notes = given
    comparison = compare(chapter, study, materials, reference)
    own = chapter.own(study, materials, reference, comparison)
    if comparison is None:
        missing = _no_line(chapter, materials.data, reference)
        if not own.quantities:
            return Evaluation(chapter.name, own_notes=notes, missing=missing)
        return Evaluation(
            chapter.name, own.quantities, (), (*notes, missing), show=lambda: Display(view=own.view(reference, ()))
        )
    ratios = comparison.ratios()
    several = () if len(set(materials.names)) > 1 else (chapter.one_material,)
    notes = (*notes, chapter.intercept_note(materials.data), *comparison.without_line(), *comparison.notes, *several)

    def show() -> Display:
        others = other_methods_table(ratios, alternatives(chapter, study))
        tables = (comparison.level_table(), *own.tables, *comparison.run_table(), *others)
        return Display(tables=tables, view=own.view(reference, comparison.drawn()))

    return Evaluation(chapter.name, (*comparison.slopes(), *ratios, *own.quantities), (), notes, show=show)


def alternatives(chapter: MaterialChapter, study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The slope ratios from lines that weight all readings equally."""
    given = _given(chapter, study)
    if isinstance(given, Evaluation):
        return {}
    comparison = compare(chapter, study, *given[:2], equal_weights=True)
    return {} if comparison is None else {EQUAL_WEIGHTS: comparison.ratios()}


def _given(chapter: MaterialChapter, study: Study) -> tuple[Materials, str, tuple[str, ...]] | Evaluation:
    """The materials, the reference and notes on both, or the evaluation that says why there is no comparison."""
    absent = not_ready(study, chapter.name, chapter.columns)
    if absent is not None:
        return absent
    materials = chapter.read(study.experiments[chapter.name])
    data = materials.data
    reference, notes = reference_name(data, materials.candidates, chapter.stated(study), chapter.plan_key)
    if reference is None:
        return without_reference(chapter.name, data)
    return materials, reference, (*worksheet_notes(data), *notes)


def not_ready(study: Study, name: str, columns: str) -> Evaluation | None:
    """The evaluation that says why there is none, or None where readings are there."""
    return None if study.ready(name) is not None else Evaluation(name, missing=why_not(study, name, columns))


def reference_name(
    data: ExperimentData, names: Sequence[str], in_plan: str | None, key: str
) -> tuple[str | None, tuple[str, ...]]:
    """The name that the others are compared with, and a note on how it was chosen; None where it has no readings.

    `in_plan` is what the plan says elsewhere, under `key`.
    """
    stated = data.settings.get("reference")
    if stated is not None:
        return (str(stated), ()) if str(stated) in names else (None, ())
    if in_plan is not None and in_plan in names:
        return in_plan, ()
    why = f"`{key}` is not stated" if in_plan is None else f"{in_plan}, which the plan names under `{key}`, is not here"
    return names[0], (f"{names[0]}, the first in the worksheet, is taken as the reference: {why}.",)


def without_reference(name: str, data: ExperimentData) -> Evaluation:
    """For a plan that names a reference which the worksheet does not hold."""
    stated = data.settings.get("reference")
    return Evaluation(
        name,
        missing=f"The plan names {stated} as the reference, and {data.worksheet} holds no reading of it: readings of "
        "it beside the others would supply the comparison.",
    )


def worksheet_notes(data: ExperimentData) -> tuple[str, ...]:
    """What loading the worksheet noted, and levels of which nothing is left."""
    return (*data.notes, *lost_levels(data))


def in_order(names: Sequence[str], reference: str) -> list[str]:
    """The reference first, then the others by name: the order of a worksheet is that of chance."""
    return sorted(dict.fromkeys(names), key=lambda name: (name != reference, natural_order(name)))


# The lines ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Comparison:
    """The lines of a worksheet, one a material, the reference first."""

    chapter: MaterialChapter
    study: Study
    materials: Materials
    reference: str
    lines: tuple[Line, ...]
    fit: LinesResult
    notes: tuple[str, ...]

    @property
    def data(self) -> ExperimentData:
        return self.materials.data

    @property
    def by_run(self) -> bool:
        return bool(self.fit.runs)

    def quantity(
        self,
        key: str,
        at: str | None,
        estimate: Estimate,
        rows: Sequence[int],
        *names: str,
        notes: Sequence[str] = (),
        unit_name: str = "",
    ) -> Quantity:
        """An estimate from the readings `rows`, which belong to the lines `names`, with its place in the study."""
        censored = self._censored(*names)
        own_notes = (*self.fit.notes, *self.notes, *left_out(censored), *self._levels_differ(*names), *notes)
        return Quantity(
            key=f"{self.chapter.name}.{key}",
            at=at,
            estimate=replace(estimate, n=len(rows)).with_notes(*own_notes),
            level=self.study.confidence,
            unit="1",
            worksheet=self.data.worksheet,
            readings=tuple(self.data.identifiers[row] for row in rows),
            unit_name=unit_name or ("runs" if self.by_run else "readings at each level"),
            censored=censored,
        )

    def _censored(self, *names: str) -> int:
        """Censored readings that would have entered lines of these names; all of them with a common intercept."""
        censored = self.data.censored
        if self.chapter.common_intercept:
            return len(censored)
        return sum(self.materials.name_of(reading) in names for reading in censored)

    def _levels_differ(self, *names: str) -> tuple[str, ...]:
        """A note where two lines do not rest on the same levels."""
        held = [self._levels(name) for name in names]
        common = self.chapter.common_intercept
        if len(held) < 2 or held[0] == held[1] or (common and held[0] - {0.0} == held[1] - {0.0}):
            return ()
        return (
            f"The levels of {names[0]} and {names[1]} differ: a bend of the response would look like a difference of "
            "slopes.",
        )

    def _levels(self, name: str) -> set[float]:
        return {float(x) for x, of in zip(self.data.table["level"], self.materials.names, strict=True) if of == name}

    def slopes(self) -> list[Quantity]:
        """The slope of every line, that of the reference first."""
        return [self.quantity("slope", line.name, line.slope, line.rows, line.name) for line in self.lines]

    def ratios(self) -> list[Quantity]:
        """The ratio of every slope to that of the reference."""
        return [
            self.quantity("slope_ratio", line.name, line.ratio, line.ratio_rows, line.name, self.reference)
            for line in self.lines
            if line.ratio is not None
        ]

    def without_line(self) -> tuple[str, ...]:
        """Notes on names that no line can be drawn for, and on a reference that no slope can be divided by."""
        notes = []
        lacking = [name for name in in_order(self.materials.names, self.reference) if name not in self.fit.names]
        if lacking:
            notes.append(
                f"No line can be drawn of {self.chapter.what} {sentence_list(lacking)}: readings at two levels or "
                "more, in the same runs as those of the reference, would supply it."
            )
        if len(self.lines) > 1 and all(line.ratio is None for line in self.lines):
            notes.append(f"The slope of {self.reference}, the reference, is zero: no slope ratio exists.")
        return tuple(notes)

    def drawn(self) -> tuple[MaterialLine, ...]:
        """Points and lines for the figures."""
        pairs = zip(self.data.table["level"], self.data.table["result"], strict=True)
        points: dict[str, list[tuple[float, float]]] = {}
        for name, (level, result) in zip(self.materials.names, pairs, strict=True):
            points.setdefault(name, []).append((float(level), float(result)))
        return tuple(
            MaterialLine(
                name=line.name,
                points=tuple(points[line.name]),
                slope=line.slope.value,
                intercept=line.intercept,
                ratio=None if line.ratio is None else (line.ratio.value, line.ratio.interval(self.study.confidence)),
                run_ratios=() if line.name == self.reference else self._run_ratios(line),
            )
            for line in self.lines
        )

    def _run_ratios(self, line: Line) -> tuple[float, ...]:
        pairs = zip(line.run_slopes, self.lines[0].run_slopes, strict=True)
        return tuple(top / bottom for top, bottom in pairs if top is not None and bottom)

    def run_table(self) -> tuple[Table, ...]:
        """The slope of every line in every run."""
        if not self.by_run:
            return ()
        rows = tuple(zip(self.fit.runs, *(line.run_slopes for line in self.lines), strict=True))
        caption = f"Slopes of each {self.chapter.what} in each run"
        return (Table("runs", caption, ("run", *(line.name for line in self.lines)), rows),)

    def level_table(self) -> Table:
        """Mean result and mean distance from the line by level: where a line bends."""
        table, what, unit = self.data.table, self.chapter.what, self.study.unit
        levels = table["level"].to_numpy(dtype=float)
        results = table["result"].to_numpy(dtype=float)
        of = np.asarray(self.materials.names, dtype=object)
        rows: list[tuple[Cell, ...]] = []
        for name in in_order(self.materials.names, self.reference):
            for level in np.unique(levels[of == name]):
                here = (of == name) & (levels == level)
                residuals = self.fit.residuals[here]
                distance = None if np.isnan(residuals).all() else float(np.nanmean(residuals))
                rows.append((name, float(level), int(here.sum()), float(results[here].mean()), distance))
        head = (what, "level", "readings", f"mean result / {unit}", f"mean distance from the line / {unit}")
        caption = f"Results of each {what} at each level, and how far they lie from its line"
        return Table("levels", caption, head, tuple(rows))


def compare(
    chapter: MaterialChapter, study: Study, materials: Materials, reference: str, *, equal_weights: bool = False
) -> Comparison | None:
    """The lines of all materials; None where the reference has none."""
    table = materials.data.table
    levels = table["level"].to_numpy(dtype=float)
    results = materials.data.decimals("result")
    runs = table["run"].astype(str).tolist() if "run" in table else []
    weights, weight_notes = (None, ()) if equal_weights else level_weights(levels, results, materials.names)
    common = chapter.common_intercept
    try:
        if len(set(runs)) > 1:
            fit = slope_ratios_by_run(
                levels, results, materials.names, runs, reference=reference, weights=weights, common_intercept=common
            )
        else:
            fit = slope_ratios(
                levels, results, materials.names, reference=reference, weights=weights, common_intercept=common
            )
    except ValueError:
        return None
    run_notes = () if fit.runs else (SINGLE_RUN if runs else NO_RUNS,)
    lines = tuple(fit.line(name) for name in in_order(fit.names, reference))
    return Comparison(chapter, study, materials, reference, lines, fit, (*weight_notes, *run_notes))


def _no_line(chapter: MaterialChapter, data: ExperimentData, reference: str) -> str:
    """For a worksheet in which not even the reference has a line."""
    return (
        f"No line of {reference}, the reference, can be drawn from {data.worksheet}: it takes readings at two levels "
        f"or more in each run (or in all, without runs).{chapter.two_levels}"
    )


# Words ----------------------------------------------------------------------------------------------------------


def lines_in_words(evaluation: Evaluation) -> list[str]:
    """The slopes in one sentence, and one sentence for each slope ratio."""
    view: LinesView = evaluation.display.view
    slopes = [q for q in evaluation.judged if q.key == f"{evaluation.name}.slope"]
    ratios = [q for q in evaluation.judged if q.key == f"{evaluation.name}.slope_ratio"]
    sentences = [_slope_words(slopes)] if slopes else []
    return [*sentences, *(_ratio_words(ratio, view.reference) for ratio in ratios)]


def _ratio_words(ratio: Quantity, reference: str) -> str:
    """The size of a slope ratio, how sure it is, and what it would do to results."""
    text, interval = with_interval(ratio.value, ratio.interval)
    sure = f"from {interval} with {100 * ratio.confidence:g} % confidence" if ratio.confidence else "no interval"
    held = f", {ratio.units} {ratio.unit_name}" if ratio.confidence and ratio.units else ""
    effect = 100 * (ratio.value - 1)
    size = fixed(abs(effect), 1)
    means = "it would read the same to a tenth of a percent"
    if size != "0.0":
        means = f"it would read {size} % {'high' if effect > 0 else 'low'}"
    return (
        f"{ratio.at} responds {text} times as {reference} does ({sure}{held}): measured with a standard of "
        f"{reference} alone, {means} in proportion to the level."
    )


def _slope_words(slopes: Sequence[Quantity]) -> str:
    """All slopes in one sentence."""
    parts = [f"{q.at} {significant(q.value, 4)}" for q in slopes]
    return f"Results rise with the level by {sentence_list(parts)} for each unit of level."
