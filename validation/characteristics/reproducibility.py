"""Reproducibility: precision between laboratories by level, after ISO 5725-2."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._attained import attained_rates
from validation.characteristics._censored import all_censored, left_out, lost_levels
from validation.characteristics._laboratories import (
    Both,
    LaboratoryLevel,
    laboratory_flags,
    laboratory_levels,
    placed_laboratories,
)
from validation.figures.reproducibility import (
    LaboratoryCell,
    LaboratoryReading,
    LevelLaboratories,
    Mandel,
    ReproducibilityView,
)
from validation.stats.outliers import MandelTest
from validation.study.model import Study
from validation.study.quantity import At, Cell, Display, Evaluation, Quantity, Table
from validation.words import level_text, sentence_list, significant, with_interval

NAME = "reproducibility"

NO_REFERENCE = (
    "The column u_level is not used: no quantity between laboratories rests on the reference value. It belongs to the "
    "precision worksheet, from which the bias comes."
)


def evaluate(study: Study) -> Evaluation:
    """Estimate the precision between laboratories at every level of the experiment `reproducibility`."""
    data = study.ready(NAME)
    if data is None:
        awaited = all_censored(study, NAME) or "The readings of the laboratories are awaited."
        planned = NAME in study.experiments
        return Evaluation(NAME, missing=awaited if planned else "No experiment between laboratories is planned.")
    levels = list(laboratory_levels(data))
    quantities = tuple(q for level in levels for q in _quantities(study, level))
    flags = tuple(flag for level in levels for flag in laboratory_flags(level))

    def show() -> Display:
        view = ReproducibilityView(tuple(_level_view(level, quantities) for level in levels))
        attained = attained_rates(list(placed_laboratories(levels)), study.confidence)
        tables = (_laboratory_table(view), *attained.tables, _component_table(levels))
        return Display(notes=attained.notes, tables=tables, view=view)

    unused = (NO_REFERENCE,) if "u_level" in data.table else ()
    notes = (*data.notes, *lost_levels(data), *unused, *_design_notes(levels))
    return Evaluation(NAME, quantities, flags, notes, show=show)


def _design_notes(levels: Sequence[LaboratoryLevel]) -> Iterator[str]:
    """Each note once: as it is where it holds at every level, else with the levels it speaks of."""
    places: dict[str, list[str]] = {}
    for level in levels:
        for note in level.result.notes:
            places.setdefault(note, []).append(level_text(level.at))
    for note, at in places.items():
        yield note if len(at) == len(levels) else f"Level {sentence_list(at)}: {note}"


def _quantities(study: Study, level: LaboratoryLevel) -> Iterator[Quantity]:
    censored = level.data.censored_at("level", level.at)
    rows = sorted(level.rows)
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


def _level_view(level: LaboratoryLevel, quantities: Sequence[Quantity]) -> LevelLaboratories:
    own = {q.key: q for q in quantities if q.at == level.at}
    cells = tuple(_cell(level, i) for i in range(len(level.laboratories)))
    s_r, s_R = (own.get(f"{NAME}.{name}") for name in ("s_r", "s_R"))
    return LevelLaboratories(level.at, level.result.mean.value, s_r, s_R, cells)


def _cell(level: LaboratoryLevel, i: int) -> LaboratoryCell:
    laboratory, tests = level.laboratories[i], level.tests
    lines = level.data.table["line"]
    readings = tuple(
        LaboratoryReading(level.reading(row), int(lines.iloc[row]), float(value))
        for row, value in zip(laboratory.rows, laboratory.flat, strict=True)
    )
    k = _mandel(tests.k, tests.replicated.index(i)) if i in tests.replicated else None
    return LaboratoryCell(laboratory.name, laboratory.mean, laboratory.sd, readings, _mandel(tests.h, i), k)


def _mandel(tests: Both[MandelTest] | None, i: int) -> Mandel | None:
    return None if tests is None else Mandel(tests[0].statistics[i], tests[0].criticals[i], tests[1].criticals[i])


def _component_table(levels: Sequence[LaboratoryLevel]) -> Table:
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
        "A component that comes out negative is set to 0, with a note. The general mean weights each laboratory by "
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
