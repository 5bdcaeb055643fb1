"""Selectivity and matrix effect: slopes and blanks of other oils beside those of the reference grade."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial

from validation.characteristics import Characteristic, KeyInfo, _lines
from validation.characteristics._censored import left_out
from validation.characteristics._lines import Comparison, MaterialChapter, Materials, Own, in_order, lines_in_words
from validation.characteristics._precision_runs import unit_text
from validation.figures.matrix import BlankDifference, MatrixView
from validation.stats.estimate import Estimate, Number, exact_mean
from validation.stats.two_means import paired_difference, welch_difference
from validation.study.model import ExperimentData, Reading, Study
from validation.study.quantity import Cell, Evaluation, Quantity, Table
from validation.words import MINUS, with_interval

NAME = "matrix"
OWN_INTERCEPT = (
    "Each oil has an intercept of its own, so that its blank does not enter its slope ratio; the blanks are compared "
    "apart."
)
FEW_SHARED = (
    "The blanks of {first} and {second} were not read in two runs together: they are compared as independent readings, "
    "and what changes from run to run may be part of the difference."
)
ONE_OIL = "There is one oil only: a second one, read in the same runs, would supply a slope ratio."
OTHER_USED_OILS = "The interval speaks of these oils in further runs; how further oils differ is not in it."
WHAT = "difference of the blanks"
MATRIX_RATIO_CHECKED = (
    "ratio of two means with unequal variances, printed worked output (Fieller, Welch)",
    "pantothenic acid slopes of Bliss 1952 against R's lm, by inversion of the F test",
)


def evaluate(study: Study) -> Evaluation:
    """Slope of every oil, its ratio to the reference, blank differences, used oil against new."""
    return _lines.evaluate(CHAPTER, study)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The slope ratios from lines that weight all readings equally."""
    return _lines.alternatives(CHAPTER, study)


def _name(grade: str, matrix: str, usual: str) -> str:
    """An oil is a grade; in another matrix than the usual one, such as used oil, "grade, matrix"."""
    return grade if matrix in ("", usual) else f"{grade}, {matrix}"


def _oils(data: ExperimentData) -> Materials:
    table = data.table
    grades = [str(grade) for grade in table["grade"]]
    stated = [str(text).strip() for text in table["matrix"]] if "matrix" in table else [""] * len(grades)
    kinds = [text for text in dict.fromkeys(stated) if text]
    usual = "new oil" if "new oil" in kinds or not kinds else kinds[0]

    def name_of(reading: Reading) -> str:
        return _name(reading.values.get("grade", ""), reading.values.get("matrix", "").strip(), usual)

    names = tuple(_name(grade, matrix, usual) for grade, matrix in zip(grades, stated, strict=True))
    return Materials(data, names, tuple(dict.fromkeys(grades)), name_of)


def _own(study: Study, oils: Materials, reference: str, comparison: Comparison | None) -> Own:
    """The differences of the blanks, with their table."""
    blanks = _blank_differences(study, oils, reference)
    quantities = tuple(blank.difference for blank in blanks)
    return Own(quantities, partial(MatrixView, blanks=blanks), (_blank_table(blanks, study.unit),))


# Blanks ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Blanks:
    """Rows of level 0 by run and by used oil."""

    data: ExperimentData
    rows: tuple[int, ...]

    @property
    def results(self) -> list[Decimal]:
        return self.data.decimals("result", self.rows)

    def by_run(self) -> dict[str, list[int]]:
        return self._by(self._texts("run"))

    def used_oils(self) -> dict[str, list[int]]:
        """Used oils by name, where the worksheet names two or more of them."""
        named = self._by([text.strip() for text in self._texts("material")])
        named.pop("", None)
        return named if len(named) > 1 else {}

    def _texts(self, column: str) -> list[str]:
        table = self.data.table
        return [str(text) for text in table[column]] if column in table else [""] * len(table)

    def _by(self, names: Sequence[str]) -> dict[str, list[int]]:
        groups: dict[str, list[int]] = {}
        for row in self.rows:
            groups.setdefault(names[row], []).append(row)
        return groups


def _blanks_of(oils: Materials, name: str) -> _Blanks:
    levels = [float(level) for level in oils.data.table["level"]]
    pairs = enumerate(zip(oils.names, levels, strict=True))
    return _Blanks(oils.data, tuple(row for row, (of, level) in pairs if of == name and level == 0))


def _blank_differences(study: Study, oils: Materials, reference: str) -> tuple[BlankDifference, ...]:
    """Blank differences between grades, and of used oil against new oil of its grade."""
    grades = in_order(oils.candidates, reference)
    pairs = [("blank_difference", grade, _blanks_of(oils, grade), reference, grade) for grade in grades[1:]]
    for grade in grades:
        for name in dict.fromkeys(of for of in oils.names if of.startswith(f"{grade}, ")):
            blanks = _blanks_of(oils, name)
            pairs.append(("used_oil_difference", name, blanks, grade, name))
            pairs += [
                ("used_oil_difference", material, _Blanks(oils.data, tuple(rows)), grade, name)
                for material, rows in blanks.used_oils().items()
                if material not in oils.candidates
            ]
    differences = []
    for key, at, blanks, against, name in pairs:
        home = _blanks_of(oils, against)
        if blanks.rows and home.rows:
            censored = _censored_blanks(oils, (name, against))
            difference = _difference(study, key, at, blanks, against, home, censored)
            differences.append(BlankDifference(difference, against, len(blanks.rows)))
    return tuple(differences)


def _censored_blanks(oils: Materials, names: Sequence[str]) -> int:
    return sum(
        oils.name_of(reading) in names and float(reading.values.get("level", "1").replace(",", ".")) == 0
        for reading in oils.data.censored
    )


def _difference(
    study: Study, key: str, at: str, blanks: _Blanks, against: str, home: _Blanks, censored: int
) -> Quantity:
    """Paired by run where two runs hold both, else of independent readings."""
    several = len(set(blanks.data.table["run"].astype(str))) > 1 if "run" in blanks.data.table else False
    of_home = home.by_run() if several else {}
    shared = [run for run in blanks.by_run() if run in of_home] if several else []
    if len(shared) > 1:
        rows, estimate, notes = _paired(blanks, home, shared)
    else:
        rows, estimate, notes = _independent(blanks, home)
        notes += [FEW_SHARED.format(first=at, second=against)] if several else []
    return Quantity(
        key=f"{NAME}.{key}",
        at=at,
        estimate=estimate.with_notes(*notes, *left_out(censored, noun="censored blank")),
        level=study.confidence,
        unit=study.unit,
        worksheet=blanks.data.worksheet,
        readings=tuple(blanks.data.identifiers[row] for row in rows),
        unit_name="runs" if len(shared) > 1 else "pairs of blanks",
        censored=censored,
    )


def _paired(blanks: _Blanks, home: _Blanks, shared: Sequence[str]) -> tuple[list[int], Estimate, list[str]]:
    """The rows of the shared runs, the mean difference over these, and notes."""
    sides = [side.by_run() for side in (blanks, home)]
    rows = sorted(row for side in sides for run in shared for row in side[run])
    first, second = ([exact_mean(blanks.data.decimals("result", side[run])) for run in shared] for side in sides)
    left = len(blanks.rows) + len(home.rows) - len(rows)
    notes = [*left_out(left, "of runs that hold only one of the two", noun="blank")]
    notes += [OTHER_USED_OILS] if blanks.used_oils() else []
    return rows, paired_difference(first, second, n=len(rows), what=WHAT), notes


def _independent(blanks: _Blanks, home: _Blanks) -> tuple[list[int], Estimate, list[str]]:
    """All rows, the difference of the means, and notes; a used oil that was read twice is still one used oil."""
    values: list[Number] = [*blanks.results]
    notes = []
    used_oils = blanks.used_oils()
    if used_oils:
        values = [exact_mean(blanks.data.decimals("result", rows)) for rows in used_oils.values()]
        notes.append(f"The {len(used_oils)} used oils count once each, with the mean of their readings.")
    rows = sorted((*blanks.rows, *home.rows))
    return rows, replace(welch_difference(values, home.results, what=WHAT), n=len(rows)), notes


# Tables and words ------------------------------------------------------------------------------------------------


def _blank_table(blanks: Sequence[BlankDifference], unit: str) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for blank in blanks:
        q = blank.difference
        rows.append((q.at, blank.against, blank.readings, q.value, *(q.interval or (None, None))))
    head = ("oil", "compared with", "readings", "difference", "from", "to")
    return Table("blanks", f"Blanks against the blank they are compared with, in {unit}", head, tuple(rows))


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """Slopes, ratios and differences of blanks in sentences."""
    view: MatrixView = evaluation.display.view
    sentences = [*lines_in_words(evaluation), *(_blank_words(blank, unit) for blank in view.blanks)]
    if len(sentences) > 1:
        sentences.append(
            "A difference of slopes cannot be seen in a blank, and a difference of blanks cannot be seen in a slope: "
            "one standard serves an oil only where both are small enough. An interval that contains 1, or 0, proves "
            "nothing by itself: its width shows how large a difference may remain."
        )
    return sentences


def _blank_words(blank: BlankDifference, unit: str) -> str:
    q = blank.difference
    value, interval = with_interval(q.value, q.interval)
    sure = f"from {interval} with {100 * q.confidence:g} % confidence" if q.confidence else "no interval"
    side = "below" if q.value < 0 else "above"
    return (
        f"The blank of {q.at} lies {value.lstrip(MINUS)}{unit_text(unit)} {side} that of {blank.against} (difference "
        f"{sure}): this adds to every result, whatever the level."
    )


CHAPTER = MaterialChapter(
    name=NAME,
    what="oil",
    columns="grade, level and result",
    plan_key="study.grade",
    stated=lambda study: study.plan.study.grade,
    read=_oils,
    own=_own,
    common_intercept=False,
    intercept_note=lambda data: OWN_INTERCEPT,
    one_material=ONE_OIL,
)

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
