"""What the chapters on oils and on fuels share: one straight line a name, compared with that of the reference."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from validation.characteristics._censored import lost_levels, why_not
from validation.stats.estimate import OldEstimate
from validation.stats.slope_ratio import LinesResult, level_weights, slope_ratios, slope_ratios_by_run
from validation.study.model import ExperimentData, Reading, Study
from validation.study.ordering import natural_order
from validation.study.quantity import Evaluation, Quantity
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


def not_ready(study: Study, name: str, columns: str) -> Evaluation | None:
    """The evaluation that says why there is none, or None where readings are there."""
    return None if study.ready(name) is not None else Evaluation(name, missing=why_not(study, name, columns))


def reference_name(
    data: ExperimentData, names: Sequence[str], in_plan: str | None, key: str
) -> tuple[str | None, tuple[str, ...]]:
    """The name that the others are compared with, and a note on how it was found; None where it has no readings.

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
    """Said where the plan names a reference that the worksheet does not hold."""
    stated = data.settings.get("reference")
    return Evaluation(
        name,
        missing=f"The plan names {stated} as the reference, and {data.worksheet} holds no reading of it: readings of "
        "it beside the others would supply the comparison.",
    )


@dataclass(frozen=True)
class Comparison:
    """Lines of a worksheet, one a name; `judged` is the same at the confidence of the judged interval."""

    data: ExperimentData
    names: tuple[str, ...]
    reference: str
    shown: LinesResult
    judged: LinesResult
    by_run: bool
    notes: tuple[str, ...]
    common_intercept: bool
    name_of: Callable[[Reading], str]

    @property
    def unit_name(self) -> str:
        return "runs" if self.by_run else "readings at each level"

    def readings(self, rows: Sequence[int]) -> list[str]:
        return [str(name) for name in self.data.table["reading"].iloc[list(rows)]]

    def censored(self, *names: str) -> int:
        """Censored readings that would have entered lines of these names; all of them with a common intercept."""
        found = self.data.censored
        return len(found) if self.common_intercept else sum(self.name_of(reading) in names for reading in found)

    def quantity(
        self, key: str, at: str | None, shown: OldEstimate, judged: OldEstimate, rows: Sequence[int], *names: str
    ):
        count = self.censored(*names)
        said = [f"{count} censored reading(s) were left out."] if count else []
        return Quantity.from_estimate(
            key,
            at,
            replace(shown, n=len(rows)),
            unit="1",
            worksheet=self.data.worksheet,
            readings=self.readings(rows),
            judged=judged,
            unit_name=self.unit_name,
            notes=(*self.shown.notes, *self.notes, *said, *self.levels_differ(*names)),
            censored=count,
        )

    def levels_differ(self, *names: str) -> tuple[str, ...]:
        """Said where two lines do not rest on the same levels."""
        held = [set(self._levels(name)) for name in names]
        if len(held) < 2 or held[0] == held[1] or (self.common_intercept and held[0] - {0.0} == held[1] - {0.0}):
            return ()
        return (
            f"The levels of {names[0]} and {names[1]} differ: a bend of the response would look like a difference of "
            "slopes.",
        )

    def _levels(self, name: str) -> list[float]:
        table = self.data.table
        return [float(x) for x, of in zip(table["level"], self.names, strict=True) if of == name]

    def slopes(self, key: str) -> list[Quantity]:
        parts = zip(self.shown.names, self.shown.slopes, self.judged.slopes, self.shown.slope_rows, strict=True)
        return [self.quantity(key, name, shown, judged, rows, name) for name, shown, judged, rows in parts]

    def ratios(self, key: str) -> list[Quantity]:
        parts = zip(self.shown.names, self.shown.ratios, self.judged.ratios, self.shown.ratio_rows, strict=True)
        return [
            self.quantity(key, name, shown, judged, rows, name, self.reference)
            for name, shown, judged, rows in parts
            if shown is not None and judged is not None
        ]

    def details(self) -> dict[str, Any]:
        """Points and lines for the figures."""
        table = self.data.table
        points: dict[str, list[dict[str, Any]]] = {name: [] for name in dict.fromkeys(self.names)}
        runs = table["run"].astype(str).tolist() if "run" in table else [""] * len(table)
        for i, name in enumerate(self.names):
            points[name].append(
                {
                    "level": float(table["level"].iloc[i]),
                    "result": float(table["result"].iloc[i]),
                    "run": runs[i],
                    "reading": str(table["reading"].iloc[i]),
                    "line": int(table["line"].iloc[i]),
                }
            )
        lines = []
        for i, name in enumerate(self.shown.names):
            ratio = self.shown.ratios[i]
            lines.append(
                {
                    "name": name,
                    "slope": self.shown.slopes[i].value,
                    "intercept": self.shown.intercepts[i],
                    "ratio": None if ratio is None else ratio.value,
                    "interval": None if ratio is None or ratio.interval is None else list(ratio.interval),
                    "run_ratios": self._run_ratios(i),
                    "points": points[name],
                }
            )
        return {"reference": self.reference, "lines": lines}

    def _run_ratios(self, i: int) -> list[float]:
        home = self.shown.names.index(self.reference)
        if i == home:
            return []
        pairs = [(row[i], row[home]) for row in self.shown.run_slopes]
        return [float(top) / float(bottom) for top, bottom in pairs if top is not None and bottom]

    def run_table(self, what: str) -> list[dict[str, Any]]:
        """The slope of every line in every run."""
        if not self.by_run:
            return []
        rows: list[list[Any]] = [
            [run, *slopes] for run, slopes in zip(self.shown.runs, self.shown.run_slopes, strict=True)
        ]
        caption = f"Slopes of each {what} in each run"
        return [{"caption": caption, "head": ["run", *self.shown.names], "rows": rows}]

    def level_table(self, what: str, unit: str) -> dict[str, Any]:
        """Mean result and mean distance from the line by level: where a line bends."""
        table, rows = self.data.table, []
        levels = table["level"].to_numpy(dtype=float)
        results = table["result"].to_numpy(dtype=float)
        of = np.asarray(self.names, dtype=object)
        for name in in_order(self.names, self.reference):
            for level in np.unique(levels[of == name]):
                here = (of == name) & (levels == level)
                residuals = self.shown.residuals[here]
                distance = None if np.isnan(residuals).all() else float(np.nanmean(residuals))
                rows.append([name, float(level), int(here.sum()), float(results[here].mean()), distance])
        head = [what, "level", "readings", f"mean result / {unit}", f"mean distance from the line / {unit}"]
        return {"caption": f"Results of each {what} at each level, and how far they lie from its line", "head": head,
                "rows": rows}  # fmt: skip


def compare(
    study: Study,
    data: ExperimentData,
    names: Sequence[str],
    reference: str,
    *,
    common_intercept: bool,
    name_of: Callable[[Reading], str],
    equal_weights: bool = False,
) -> Comparison | None:
    """The lines of all names at both confidences; None where the reference has none."""
    table = data.table
    levels = table["level"].to_numpy(dtype=float)
    results = data.decimals("result")
    runs = table["run"].astype(str).tolist() if "run" in table else []
    by_run = len(set(runs)) > 1
    weights, said = (None, ()) if equal_weights else level_weights(levels, results, names)
    notes = [*said, *([] if by_run else [SINGLE_RUN if runs else NO_RUNS])]

    def lines(confidence: float) -> LinesResult:
        options: dict[str, Any] = {
            "reference": reference,
            "weights": weights,
            "common_intercept": common_intercept,
            "confidence": confidence,
        }
        if by_run:
            return slope_ratios_by_run(levels, results, names, runs, **options)
        return slope_ratios(levels, results, names, **options)

    try:
        shown, judged = (_ordered(lines(c), reference) for c in (study.confidence, study.judged_confidence))
    except ValueError:
        return None
    return Comparison(data, tuple(names), reference, shown, judged, by_run, tuple(notes), common_intercept, name_of)


def in_order(names: Sequence[str], reference: str) -> list[str]:
    """The reference first, then the others by name: the order of a worksheet is that of chance."""
    return sorted(dict.fromkeys(names), key=lambda name: (name != reference, natural_order(name)))


def _ordered(result: LinesResult, reference: str) -> LinesResult:
    order = [result.names.index(name) for name in in_order(result.names, reference)]

    def moved(values: Sequence[Any]) -> tuple[Any, ...]:
        return tuple(values[i] for i in order)

    return replace(
        result,
        names=moved(result.names),
        slopes=moved(result.slopes),
        ratios=moved(result.ratios),
        intercepts=moved(result.intercepts),
        run_slopes=tuple(moved(row) for row in result.run_slopes),
        slope_rows=moved(result.slope_rows),
        ratio_rows=moved(result.ratio_rows),
    )


def no_line(name: str, data: ExperimentData, reference: str) -> str:
    """Said where not even the reference has a line."""
    return (
        f"No line of {reference}, the reference, can be drawn from {data.worksheet}: it takes readings at two levels "
        "or more in each run (or in all, without runs)."
    )


def without_line(comparison: Comparison, what: str) -> tuple[str, ...]:
    """Names that no line can be drawn for, and a reference that no slope can be divided by."""
    shown, reference, notes = comparison.shown, comparison.reference, []
    lacking = [name for name in in_order(comparison.names, reference) if name not in shown.names]
    if lacking:
        notes.append(
            f"No line can be drawn of {what} {sentence_list(lacking)}: readings at two levels or more, in the same "
            "runs as those of the reference, would supply it."
        )
    if len(shown.names) > 1 and all(ratio is None for ratio in shown.ratios):
        notes.append(f"The slope of {reference}, the reference, is zero: no slope ratio exists.")
    return tuple(notes)


def worksheet_notes(data: ExperimentData) -> tuple[str, ...]:
    return (*data.notes, *lost_levels(data))


def ratio_words(entry: Quantity, reference: str, what: str) -> str:
    """The size of a slope ratio, how sure it is, and what it would do to results."""
    value = entry.value or 0.0
    text, interval = with_interval(value, entry.interval)
    sure = f"from {interval} with {100 * entry.confidence:g} % confidence" if entry.confidence else "no interval"
    held = f", {entry.units} {entry.unit_name}" if entry.confidence and entry.units else ""
    effect = 100 * (value - 1)
    size = fixed(abs(effect), 1)
    means = "it would read the same to a tenth of a percent"
    if size != "0.0":
        means = f"it would read {size} % {'high' if effect > 0 else 'low'}"
    return (
        f"{entry.at} responds {text} times as {reference} does ({sure}{held}): {what} {reference} alone, {means} in "
        "proportion to the level."
    )


def slope_words(quantities: Sequence[Quantity]) -> str:
    """All slopes in one sentence."""
    parts = [f"{q.at} {significant(q.value, 4)}" for q in quantities if q.value is not None]
    return f"Results rise with the level by {sentence_list(parts)} for each unit of level."


def alternative_ratios(comparison: Comparison | None, key: str) -> Mapping[str, Sequence[Quantity]]:
    """The ratios again from lines with equal weights."""
    return {} if comparison is None else {EQUAL_WEIGHTS: comparison.ratios(key)}
