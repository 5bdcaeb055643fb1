"""Selectivity and matrix effect: slopes and blanks of other oils beside those of the reference grade."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._lines import (
    Comparison,
    alternative_ratios,
    compare,
    in_order,
    no_line,
    not_ready,
    ratio_words,
    reference_name,
    slope_words,
    without_line,
    without_reference,
    worksheet_notes,
)
from validation.characteristics._other_methods import other_methods_table
from validation.characteristics._precision_runs import unit_text
from validation.stats.estimate import Number, OldEstimate, exact_mean
from validation.stats.two_means import paired_difference, welch_difference
from validation.study.model import ExperimentData, Reading, Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import MINUS, with_interval

NAME = "matrix"
COLUMNS = "grade, level and result"
OWN_INTERCEPT = (
    "Each oil has an intercept of its own, so that its blank does not enter its slope ratio; the blanks are compared "
    "apart."
)
FEW_SHARED = (
    "The blanks of {first} and {second} were not read in two runs together: they are compared as independent readings, "
    "and what changes from run to run may be part of the difference."
)
MATRIX_RATIO_CHECKED = (
    "ratio of two means with unequal variances, printed worked output (Fieller, Welch)",
    "pantothenic acid slopes of Bliss 1952 against R's lm, by inversion of the F test",
)


def evaluate(study: Study) -> Evaluation:
    """Slope of every oil, its ratio to the reference, blank differences, used oil against new."""
    absent = not_ready(study, NAME, COLUMNS)
    if absent is not None:
        return absent
    data = study.experiments[NAME]
    oils = _Oils(data)
    reference, said = reference_name(data, oils.grades, study.plan.study.grade, "study.grade")
    if reference is None:
        return without_reference(NAME, data)
    blanks, shown = _blank_quantities(study, oils, reference)
    notes = [*worksheet_notes(data), *said]
    comparison = _compare(study, data, oils, reference)
    if comparison is None:
        notes.append(no_line(NAME, data, reference))
        details: dict[str, Any] = {"reference": reference, "lines": [], "differences": shown, "tables": []}
        missing = "" if blanks else notes[-1]
        return Evaluation(NAME, tuple(blanks), (), tuple(dict.fromkeys(notes)), missing, details)
    ratios = comparison.ratios(f"{NAME}.slope_ratio")
    quantities = [*comparison.slopes(f"{NAME}.slope"), *ratios, *blanks]
    notes += [OWN_INTERCEPT, *without_line(comparison, "oil"), *comparison.notes]
    if len(set(oils.names)) == 1:
        notes.append("There is one oil only: a second one, read in the same runs, would supply a slope ratio.")
    tables = [] if study.looked_at_otherwise else _tables(study, comparison, quantities, shown)
    details = {**comparison.details(), "differences": shown, "tables": tables}
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The slope ratios from lines that weight all readings equally."""
    if not_ready(study, NAME, COLUMNS) is not None:
        return {}
    data = study.experiments[NAME]
    oils = _Oils(data)
    reference, _ = reference_name(data, oils.grades, study.plan.study.grade, "study.grade")
    if reference is None:
        return {}
    return alternative_ratios(_compare(study, data, oils, reference, equal_weights=True), f"{NAME}.slope_ratio")


class _Oils:
    """Rows by oil. An oil is a grade; in another matrix than the first (used oil), "grade, matrix"."""

    def __init__(self, data: ExperimentData) -> None:
        self.data = data
        table = data.table
        self.grades = list(dict.fromkeys(table["grade"].astype(str)))
        stated = [str(text).strip() for text in table["matrix"]] if "matrix" in table else []
        kinds = list(dict.fromkeys(text for text in stated if text))
        self.usual = "new oil" if "new oil" in kinds or not kinds else kinds[0]
        self.names = [
            self._name(str(grade), stated[i] if stated else "") for i, grade in enumerate(table["grade"].tolist())
        ]
        self.levels = [float(x) for x in table["level"]]
        self.runs = table["run"].astype(str).tolist() if "run" in table else []
        self.materials = [str(m).strip() for m in table["material"]] if "material" in table else []

    def _name(self, grade: str, matrix: str) -> str:
        return grade if matrix in ("", self.usual) else f"{grade}, {matrix}"

    def name_of(self, reading: Reading) -> str:
        return self._name(reading.values.get("grade", ""), reading.values.get("matrix", "").strip())

    def blanks(self, name: str) -> list[int]:
        return [i for i, (of, x) in enumerate(zip(self.names, self.levels, strict=True)) if of == name and x == 0]

    def others_of(self, grade: str) -> list[str]:
        """The same grade in other matrices."""
        return [name for name in dict.fromkeys(self.names) if name.startswith(f"{grade}, ")]

    def results(self, rows: Sequence[int]) -> list[Decimal]:
        return self.data.decimals("result", rows)

    def by_run(self, rows: Sequence[int]) -> dict[str, list[int]]:
        found: dict[str, list[int]] = {}
        for row in rows:
            found.setdefault(self.runs[row], []).append(row)
        return found


def _compare(
    study: Study, data: ExperimentData, oils: _Oils, reference: str, *, equal_weights: bool = False
) -> Comparison | None:
    return compare(
        study,
        data,
        oils.names,
        reference,
        common_intercept=False,
        name_of=oils.name_of,
        equal_weights=equal_weights,
    )


# Blanks ----------------------------------------------------------------------------------------------------------


def _blank_quantities(study: Study, oils: _Oils, reference: str) -> tuple[list[Quantity], list[dict[str, Any]]]:
    """Blank differences between grades, and of used oil against new oil of its grade; what figures show of them."""
    pairs = [
        (f"{NAME}.blank_difference", grade, oils.blanks(grade), reference, (grade, reference))
        for grade in in_order(oils.grades, reference)
        if grade != reference
    ]
    for grade in in_order(oils.grades, reference):
        for name in oils.others_of(grade):
            rows = oils.blanks(name)
            pairs.append((f"{NAME}.used_oil_difference", name, rows, grade, (name, grade)))
            pairs += [
                (f"{NAME}.used_oil_difference", material, found, grade, (name, grade))
                for material, found in _by_material(oils, rows).items()
                if material not in oils.grades
            ]
    quantities, shown = [], []
    for key, at, rows, against, names in pairs:
        home = oils.blanks(against)
        if not rows or not home:
            continue
        quantity = _difference(study, oils, key, at, rows, against, home, names)
        quantities.append(quantity)
        shown.append(
            {
                "name": at,
                "against": against,
                "value": quantity.value,
                "interval": None if quantity.interval is None else list(quantity.interval),
                "readings": len(rows),
            }
        )
    return quantities, shown


def _by_material(oils: _Oils, rows: Sequence[int]) -> dict[str, list[int]]:
    """Used oils by name, where the worksheet names two or more of them."""
    if not oils.materials:
        return {}
    found: dict[str, list[int]] = {}
    for row in rows:
        if oils.materials[row]:
            found.setdefault(oils.materials[row], []).append(row)
    return found if len(found) > 1 else {}


def _difference(
    study: Study,
    oils: _Oils,
    key: str,
    at: str,
    rows: Sequence[int],
    against: str,
    home: Sequence[int],
    names: tuple[str, str],
) -> Quantity:
    used, estimate, units, notes = _how(oils, at, rows, against, home)
    censored = sum(
        oils.name_of(reading) in names and float(reading.values.get("level", "1").replace(",", ".")) == 0
        for reading in oils.data.censored
    )
    said = [f"{censored} censored blank(s) were left out."] if censored else []
    return Quantity.from_estimate(
        key,
        at,
        estimate(study.confidence),
        unit=study.unit,
        worksheet=oils.data.worksheet,
        readings=[str(name) for name in oils.data.table["reading"].iloc[list(used)]],
        judged=estimate(study.judged_confidence),
        unit_name=units,
        notes=(*notes, *said),
        censored=censored,
    )


def _how(
    oils: _Oils, at: str, rows: Sequence[int], against: str, home: Sequence[int]
) -> tuple[list[int], Callable[[float], OldEstimate], str, list[str]]:
    """Rows that enter, the estimator at a confidence, what its units are, and notes: paired by run where that goes."""
    what = "difference of the blanks"
    if len(set(oils.runs)) > 1:
        first, second = oils.by_run(rows), oils.by_run(home)
        shared = [run for run in first if run in second]
        if len(shared) > 1:
            used = sorted(row for run in shared for row in (*first[run], *second[run]))
            means = [[exact_mean(oils.results(side[run])) for run in shared] for side in (first, second)]

            def paired(confidence: float) -> OldEstimate:
                return paired_difference(means[0], means[1], confidence=confidence, n=len(used), what=what)

            left = len(rows) + len(home) - len(used)
            notes = [f"{left} blank(s) of runs that hold only one of the two were left out."] if left else []
            if len(_by_material(oils, rows)) > 1:
                notes.append("The interval speaks of these oils in further runs; how further oils differ is not in it.")
            return used, paired, "runs", notes
    several = len(set(oils.runs)) > 1
    values: list[Number] = [*oils.results(rows)]
    others, notes = oils.results(home), []
    groups = _by_material(oils, rows)
    if groups:
        # A used oil read twice is still one used oil.
        values = [exact_mean(oils.results(found)) for found in groups.values()]
        notes.append(f"The {len(groups)} used oils count once each, with the mean of their readings.")

    def independent(confidence: float) -> OldEstimate:
        found = welch_difference(values, others, confidence=confidence, what=what)
        return OldEstimate(
            found.value, found.interval, found.confidence, found.standard_uncertainty, found.degrees_of_freedom,
            len(rows) + len(home), found.units, found.notes, found.source,
        )  # fmt: skip

    if several:
        notes.append(FEW_SHARED.format(first=at, second=against))
    return sorted((*rows, *home)), independent, "pairs of blanks", notes


# Tables and words ------------------------------------------------------------------------------------------------


def _tables(
    study: Study, comparison: Comparison, quantities: Sequence[Quantity], shown: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    tables = [
        comparison.level_table("oil", study.unit),
        {
            "caption": f"Blanks against the blank they are compared with, in {study.unit}",
            "head": ["oil", "compared with", "readings", "difference", "from", "to"],
            "rows": [
                [s["name"], s["against"], s["readings"], s["value"], *(s["interval"] or (None, None))] for s in shown
            ],
        },
        *comparison.run_table("oil"),
    ]
    return [*tables, *other_methods_table(quantities, alternatives(study))]


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    reference, of = evaluation.details["reference"], unit_text(unit)
    slopes = [q for q in evaluation.quantities if q.key == f"{NAME}.slope"]
    sentences = [slope_words(slopes)] if slopes else []
    for q in evaluation.quantities:
        if q.key == f"{NAME}.slope_ratio" and q.value is not None:
            sentences.append(ratio_words(q, reference, "measured with a standard of"))
    against = {entry["name"]: entry["against"] for entry in evaluation.details["differences"]}
    for q in evaluation.quantities:
        if q.key not in (f"{NAME}.blank_difference", f"{NAME}.used_oil_difference") or q.value is None:
            continue
        value, interval = with_interval(q.value, q.interval)
        sure = f"from {interval} with {100 * q.confidence:g} % confidence" if q.confidence else "no interval"
        side = "below" if q.value < 0 else "above"
        sentences.append(
            f"The blank of {q.at} lies {value.lstrip(MINUS)}{of} {side} that of {against[str(q.at)]} (difference "
            f"{sure}): this adds to every result, whatever the level."
        )
    if len(sentences) > 1:
        sentences.append(
            "A difference of slopes cannot be seen in a blank, and a difference of blanks cannot be seen in a slope: "
            "one standard serves an oil only where both are small enough. An interval that contains 1, or 0, proves "
            "nothing by itself; how wide it is tells what could still be hidden."
        )
    return sentences


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Selectivity and matrix effect",
    position=90,
    experiment=NAME,
    method=(
        "In each run every oil gets a straight line of its results on the level, weighted by the scatter at each "
        "level, with an intercept of its own. The slope ratio is the mean slope of an oil over that of the reference "
        "grade; what a run does to both slopes falls out. Its interval is Fieller's, from the paired slopes of the "
        "runs, Student's t with runs - 1 degrees of freedom.",
        "Without runs all lines are fitted together and the scatter is pooled. Where the slope of the reference is not "
        "told apart from zero, Fieller's set has no two ends, and no interval is given.",
        "Blanks (level 0) stand apart: an oil against the reference grade, used oil against new oil of its grade, "
        "paired by run, or by Welch's t where the readings are independent.",
        "Whether slopes are the same is never asked by a p-value: only an interval inside a limit shows it.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.slope",
            "rise of the result with the level in an oil",
            "b",
            "y = a + b x by weighted least squares, one line a run and oil; mean over runs",
            "weighted least squares; Student t over runs (common practice)",
            "label",
            "1",
            ("equivalence", "point"),
            None,
            ("pantothenic acid slopes of Bliss 1952 against R's lm",),
        ),
        KeyInfo(
            f"{NAME}.slope_ratio",
            "slope of an oil over the slope of the reference grade",
            "ρ",
            "ρ = mean b / mean b_ref; all ρ with |mean(b) - ρ mean(b_ref)| <= t(p - 1) s / sqrt(p)",
            "Fieller 1954, J. R. Statist. Soc. B 16, 175",
            "label",
            "1",
            ("equivalence", "point"),
            None,
            MATRIX_RATIO_CHECKED,
        ),
        KeyInfo(
            f"{NAME}.blank_difference",
            "blank of an oil minus blank of the reference grade",
            "d_0",
            "mean over runs of the difference of the blanks, t(p - 1); independent readings: Welch's t",
            "Student t; Welch 1947, Biometrika 34, 28 (from memory)",
            "label",
            "study",
            ("equivalence", "point"),
            None,
            ("two one-sided tests of equivalence, paired and Welch, as computed by R for statsmodels",),
        ),
        KeyInfo(
            f"{NAME}.used_oil_difference",
            "blank of a used oil minus blank of the new oil of its grade",
            "d_u",
            "as the blank difference; of independent readings each used oil counts once",
            "Student t; Welch 1947, Biometrika 34, 28 (from memory)",
            "label",
            "study",
            ("equivalence", "point"),
            None,
            ("two one-sided tests of equivalence, paired and Welch, as computed by R for statsmodels",),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("slope_ratios", "results_by_level"),
    alternatives=alternatives,
)
