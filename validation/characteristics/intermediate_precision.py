"""Intermediate precision: the scatter of single results over the runs of one laboratory."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._attained import attained_rates
from validation.characteristics._other_methods import other_methods_table
from validation.characteristics._precision_runs import (
    EXPERIMENT,
    Level,
    PrecisionRuns,
    form_words,
    forms_over_levels,
    model_quantities,
    place_text,
    placed_runs,
    precision_runs,
    robust_alternatives,
    unit_text,
)
from validation.characteristics.repeatability import CHECKED as CHECKED_WITHIN
from validation.figures._levels import Deviation
from validation.figures.intermediate_precision import (
    Curve,
    FactorComponent,
    IntermediatePrecisionView,
    LevelRuns,
    WholeRange,
)
from validation.stats.estimate import Estimate, exact, exact_mean
from validation.stats.lines import Floats
from validation.stats.mixed_model import MixedModelResult, mixed_model
from validation.stats.outliers import grubbs_single
from validation.stats.over_levels import over_levels
from validation.study.model import ExperimentData, Study
from validation.study.quantity import At, Cell, Display, Evaluation, Flag, Quantity, Table
from validation.words import counted, level_text, sentence_list, significant, with_interval

NAME = "intermediate_precision"
ROBUST = "robust standard deviations between runs"
FACTORS = ("analyst", "instrument", "day")
#: Looked at where the worksheet has them; a worksheet without them lacks nothing that every design must state.
FURTHER = ("lot", "pad_lot")
#: a_r, b_r, a_run, b_run of the model of the whole range, in words.
RANGE_PARTS = (
    "s_r: constant part",
    "s_r: proportional part",
    "s_run: constant part",
    "s_run: proportional part",
)
RANGE_BANDS = (
    "The model of the whole range gives every run a line of its own; its bands are simulated from the fit. It is "
    "shown, and no rule may use it."
)
CHECKED = (*CHECKED_WITHIN, "an independent mixed-model fit (statsmodels MixedLM, REML), unequal runs")


def evaluate(study: Study) -> Evaluation:
    """s_run and s_I at each level, the model over levels, which factors varied, and Grubbs' view of the readings."""
    runs = precision_runs(study, NAME)
    if isinstance(runs, Evaluation):
        return runs
    points = [(level, level.precision.s_I) for level in runs.levels if level.precision.s_I is not None]
    if not points:
        return Evaluation(
            NAME,
            missing="Every level was measured in one run only: intermediate precision cannot be estimated. The same "
            "levels in further runs (other days, analysts, instruments) would supply it.",
        )
    by_level = [q for level in runs.levels for q in _of_level(level, runs)]
    model, fitted, model_notes = model_quantities(NAME, points, study)
    flags = tuple(flag for level in runs.levels for flag in _grubbs_flags(level))
    notes = [*runs.notes, *runs.independence, *_missing_levels(runs.levels), *model_notes]

    def show() -> Display:
        form, forms, form_notes = (None, None, ()) if fitted is None else forms_over_levels("s_I", points)
        others = other_methods_table(by_level, alternatives(study))
        components, component_notes = _components_of(runs.levels, study)
        factor_notes, factor_tables = _factors(runs.data)
        factor_notes += component_notes
        attained = attained_rates(placed_runs(runs.levels, between=True), study.confidence)
        whole, range_tables, range_notes = _whole_range(runs.levels, study)
        chosen = () if forms is None else (forms,)
        tables = (_variances(runs.levels), *attained.tables, *others, *chosen, *range_tables, *factor_tables)
        view = IntermediatePrecisionView(
            _level_views(runs.levels, [*by_level, *_within(runs)], flags),
            form,
            tuple(_component_view(q) for q in components),
            tuple(factor_notes),
            whole,
        )
        notes = (*attained.notes, *form_notes, *range_notes, *factor_notes)
        return Display(tuple(components), notes, tables, view=view)

    return Evaluation(NAME, (*by_level, *model), flags, tuple(notes), show=show)


def _of_level(level: Level, runs: PrecisionRuns) -> list[Quantity]:
    """s_run and s_I of one level, where they exist."""
    result = level.precision
    if result.s_I is None:
        return []
    notes = (*level.reference_notes, *(runs.independence if result.s_r is not None else ()))
    estimates = {"s_run": result.s_run, "s_I": result.s_I}
    return [level.quantity(f"{NAME}.{key}", e, runs.study, *notes) for key, e in estimates.items() if e is not None]


def _within(runs: PrecisionRuns) -> list[Quantity]:
    """s_r of the chapter before, to draw beside."""
    estimates = [(level, level.precision.s_r) for level in runs.levels]
    return [level.quantity("repeatability.s_r", s_r, runs.study) for level, s_r in estimates if s_r is not None]


def _whole_range(levels: Sequence[Level], study: Study) -> tuple[WholeRange | None, list[Table], list[str]]:
    """The model of all levels at once: what is drawn, its tables, and why there is none."""
    if not all(level.has_reference for level in levels):
        return None, [], ["The levels are labels: there is no model of the whole range."]
    codes = {name: code for code, name in enumerate(dict.fromkeys(run.name for level in levels for run in level.runs))}
    readings = [(level, codes[run.name], row) for level in levels for run in level.runs for row in run.rows]
    x = [float(reference) for level in levels for run in level.runs for reference in level.references(run.rows)]
    errors = [error for level in levels for run in level.runs for error in level.errors(run.rows)]
    groups = [place for place, level in enumerate(levels) for run in level.runs for _ in run.rows]
    codes_of = [code for _, code, _ in readings]
    result = over_levels(x, codes_of, errors, confidence=study.confidence, groups=groups)
    if result.bands is None:
        return None, [], [result.reason]
    bands = result.bands
    curves = {"s_r": bands.s_r, "s_I": bands.s_I} | ({} if bands.bias is None else {"bias": bands.bias})
    ends_of = [end for curve in curves.values() for end in curve]
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (level_text(level.at), *(float(np.interp(level.reference, bands.x, end)) for end in ends_of))
        for level in levels
    )
    ends = (f"{symbol}{end}" for symbol in curves for end in ("", ", low", ", high"))
    caption = (
        f"Whole range at once, in {study.unit}, with bands that hold a whole curve at {100 * study.confidence:g} %. "
        "The estimates of each level stay the judged ones."
    )
    estimates = [*zip(RANGE_PARTS, result.parts, strict=True)]
    estimates += [(n, e) for n, e in (("constant", result.constant), ("proportional", result.proportional)) if e]
    parts = tuple(_part(name, estimate, study.confidence) for name, estimate in estimates)
    tables = [
        Table("whole range", caption, ("level", *ends), rows),
        Table("parts of the range", "Parts of the model of the whole range", ("part", "value", "low", "high"), parts),
    ]
    errors_of = tuple((level.reference, float(exact_mean(level.run_errors))) for level in levels)
    drawn = {symbol: _curve(bands.x, curve) for symbol, curve in curves.items()}
    return (
        WholeRange(drawn["s_r"], drawn["s_I"], drawn.get("bias"), errors_of, study.confidence),
        tables,
        [*result.notes, RANGE_BANDS],
    )


def _part(name: str, estimate: Estimate, confidence: float) -> tuple[Cell, ...]:
    low, high = estimate.interval(confidence) or (None, None)
    return name, estimate.value, low, high


def _curve(x: Floats, curve: Floats) -> Curve:
    estimate, low, high = curve.tolist()
    return Curve(tuple(x.tolist()), tuple(estimate), tuple(low), tuple(high))


def _missing_levels(levels: Sequence[Level]) -> list[str]:
    notes = []
    for level in levels:
        if level.precision.s_I is None:
            notes.append(
                f"Level {level_text(level.at)}: there is one run only, so neither s_run nor s_I can be estimated; "
                "further runs would supply them."
            )
        elif level.precision.s_run is None:
            notes.append(
                f"Level {level_text(level.at)}: no run holds two independent results, so s_run cannot be told from "
                "s_r; replicates within the runs would supply it."
            )
    return notes


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """s_run and s_I by algorithms A and S, which single readings and runs far out hardly move."""
    return robust_alternatives(study, NAME, ("s_run", "s_I"), ROBUST)


def _components_of(levels: Sequence[Level], study: Study) -> tuple[list[Quantity], list[str]]:
    """One component a level and factor where factors beside the run vary; what cannot be told, in sentences."""
    quantities: list[Quantity] = []
    by_note: dict[str, list[str]] = {}
    for level in levels:
        columns, notes = _columns(level)
        result = mixed_model(level.results(level.rows), columns)
        notes += [_together(c.factors) for c in result.components if "run" in c.factors and len(c.factors) > 1]
        if any("run" not in c.factors and c.factors != ("preparation",) for c in result.components):
            quantities += _component_quantities(level, result, study)
            notes += [result.reason, *(c.reason for c in result.components)]
        for note in notes:
            by_note.setdefault(note.replace("pad_lot", "pad lot"), []).append(level_text(level.at))
    return quantities, [
        note if len(places) == len(levels) else f"{note} (level {sentence_list(places)})"
        for note, places in by_note.items()
        if note
    ]


def _columns(level: Level) -> tuple[dict[str, list[str]], list[str]]:
    """Run, preparation where one was read repeatedly, and each factor that every reading of the level states."""
    table, notes = level.data.table.iloc[list(level.rows)], []
    columns = {"run": table["run"].astype(str).tolist()}
    prepared = {
        row: f"{run.name} {number}"
        for run in level.runs
        for number, preparation in enumerate(run.preparations)
        for row in preparation
    }
    if len(set(prepared.values())) < len(prepared):
        columns["preparation"] = [prepared[row] for row in level.rows]
    for name in (*FACTORS, *FURTHER):
        texts = table[name].astype(str).str.strip().tolist() if name in table else []
        if texts and all(texts):
            columns[name] = texts
        elif any(texts):
            notes.append(f"Some readings do not state the {name}: it gets no component.")
    return columns, notes


def _component_quantities(level: Level, result: MixedModelResult, study: Study) -> list[Quantity]:
    quantities = []
    for component in result.components:
        if component.estimate is None:
            continue
        notes = [_together(component.factors)] if len(component.factors) > 1 else []
        q = level.quantity(f"{NAME}.component", component.estimate, study, *notes)
        at = f"{level_text(level.at)}, {component.name.replace('_', ' ')}"
        quantities.append(replace(q, at=at, unit_name="values", judged=False))
    return quantities


def _together(factors: Sequence[str]) -> str:
    names = sentence_list([name.replace("_", " ") for name in factors])
    return (
        f"{names[:1].upper()}{names[1:]} change together: one component for {'both' if len(factors) == 2 else 'all'}."
    )


def _component_view(q: Quantity) -> FactorComponent:
    level, _, factor = str(q.at).rpartition(", ")
    return FactorComponent(level, factor, q.value, q.interval)


def _level_views(
    levels: Sequence[Level], quantities: Sequence[Quantity], flags: Sequence[Flag]
) -> tuple[LevelRuns, ...]:
    """What the figures draw: everything as a difference from the mean of the run means, formed exactly."""
    by_place = {(q.key.partition(".")[2], q.at): q for q in quantities}
    flagged = {flag.reading for flag in flags}
    return tuple(_level_view(level, by_place, flagged) for level in levels)


def _level_view(level: Level, by_place: Mapping[tuple[str, At], Quantity], flagged: Collection[str]) -> LevelRuns:
    centre = exact_mean(level.run_means)
    readings = tuple(
        Deviation(run.name, name, line, float(exact(value) - centre), name in flagged)
        for run in level.runs
        for name, line, value in zip(
            level.identifiers(run.rows), level.lines(run.rows), level.results(run.rows), strict=True
        )
    )
    return LevelRuns(
        at=level.at,
        runs=tuple((run.name, float(mean - centre)) for run, mean in zip(level.runs, level.run_means, strict=True)),
        readings=readings,
        s_r=by_place.get(("s_r", level.at)),
        s_run=by_place.get(("s_run", level.at)),
        s_I=by_place.get(("s_I", level.at)),
    )


def _variances(levels: Sequence[Level]) -> Table:
    rows = tuple(
        (
            level_text(level.at),
            len(level.runs),
            len(level.rows),
            float(exact_mean(level.run_means)),
            level.precision.between.df_between or None,
            level.precision.between.ms_between,
            level.precision.between.df_within or None,
            level.precision.between.ms_within,
        )
        for level in levels
    )
    head = ("level", "runs", "readings", "mean of run means", "df between", "MS between", "df within", "MS within")
    return Table("variances", "Analysis of variance at each level", head, rows)


def _grubbs_flags(level: Level) -> list[Flag]:
    """The reading furthest from the mean of its level, where Grubbs' test points at it."""
    rows = level.rows
    values = level.results(rows)
    if len(values) < 3:
        return []
    five = grubbs_single(values)
    if not five.exceeded:
        return []
    one = grubbs_single(values, alpha=0.01)
    beyond = "also beyond" if one.exceeded else "not beyond"
    reason = (
        f"The reading lies {significant(five.statistic)} standard deviations from the mean of level "
        f"{level_text(level.at)}, against the critical value {significant(five.critical)} (5 %), {beyond} the 1 % "
        f"value {significant(one.critical)}. The test takes the readings as independent, which those of one "
        "run are not. It is kept."
    )
    suspect = level.identifiers([rows[five.index]])[0]
    return [Flag(suspect, "Grubbs", five.statistic, five.critical, True, reason, level.at, level.data.worksheet)]


def _factors(data: ExperimentData) -> tuple[list[str], list[Table]]:
    """Which factors varied between runs, and which of them cannot be told apart."""
    table = data.table
    known = (*FACTORS, *FURTHER)
    present = [name for name in known if name in table and (table[name].astype(str).str.strip() != "").any()]
    absent = [name for name in FACTORS if name not in present]
    notes: list[str] = []
    if absent:
        plural = "s" if len(absent) > 1 else ""
        notes.append(
            f"The worksheet does not state the {sentence_list(list(absent))}: it is not shown whether the "
            f"factor{plural} varied between the runs."
        )
    if not present:
        return notes, []
    texts = table[present].astype(str).apply(lambda column: column.str.strip())
    per_run = texts.groupby(table["run"].astype(str), sort=False)
    sets = per_run.agg(lambda column: tuple(sorted(set(column))))
    varied = [name for name in present if texts[name].nunique() > 1]
    for name in present:
        if name not in varied:
            notes.append(f"All runs share one {name.replace('_', ' ')}: its contribution is not contained in s_I.")
    within = [name for name in varied if sets[name].map(len).max() > 1]
    for name in within:
        count = int((sets[name].map(len) > 1).sum())
        notes.append(
            f"The {name.replace('_', ' ')} changed inside {counted(count, 'run')}: part of its contribution then sits "
            "in s_r instead of s_run."
        )
    notes += [sentence for pair in combinations(varied, 2) for sentence in _confounding(texts, *pair)]
    runs = tuple((name, *(", ".join(sets.loc[name, factor]) for factor in present)) for name in sets.index)
    summary = tuple(
        (name, int(texts[name].nunique()), int(sets[name].map(len).min()), int(sets[name].map(len).max()))
        for name in present
    )
    head = ("factor", "different values", "fewest in a run", "most in a run")
    return notes, [
        Table("factors", "Factors that varied", head, summary),
        Table("factors of runs", "Factors of each run", ("run", *present), runs),
    ]


def _confounding(texts: pd.DataFrame, first: str, second: str) -> list[str]:
    """A sentence where two factors change together, wholly or in part."""
    pairs = texts[[first, second]].drop_duplicates()
    a, b = texts[first].nunique(), texts[second].nunique()
    of_first = pairs.groupby(second)[first].nunique().max()
    of_second = pairs.groupby(first)[second].nunique().max()
    if of_first == 1 and of_second == 1:
        return [f"{first.capitalize()} and {second} change together: their contributions cannot be told apart."]
    if of_second == 1:
        return [f"Each {first} has one {second}: the {second} changes only together with the {first}."]
    if of_first == 1:
        return [f"Each {second} has one {first}: the {first} changes only together with the {second}."]
    if len(pairs) < a * b:
        return [
            f"Of {a * b} combinations of {first} and {second}, {len(pairs)} were run: their contributions can "
            "only partly be separated."
        ]
    return []


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    view: IntermediatePrecisionView = evaluation.display.view
    of = unit_text(unit)
    sentences = []
    for q in (q for q in evaluation.judged if q.key == f"{NAME}.s_I"):
        value, interval = with_interval(q.value, q.interval)
        run = evaluation.get(f"{NAME}.s_run", q.at)
        part = ""
        if run is not None:
            share = run.value**2 / q.value**2 if q.value else 0.0
            part = (
                " No contribution of the runs shows beside the scatter within them."
                if run.value == 0
                else f" The runs contribute {100 * share:.0f} % of the variance."
            )
            if q.value == 0:
                part = " All readings are alike as written."
        place = place_text(q.at, unit)
        sure = f"from {interval}" if interval else "no bound can be claimed"
        sentences.append(
            f"At {place} single results of different runs scatter with s_I = {value}{of} ({sure}; "
            f"{q.units} runs).{part}"
        )
    sentences += form_words("s_I", view.form, of)
    sentences += [*view.factor_notes, *_component_words(view.components, of)]
    names = list(dict.fromkeys(flag.reading for flag in evaluation.flags))
    sentences.append(
        "Grubbs' test points at no reading."
        if not names
        else f"Grubbs' test points at {sentence_list(names)}; these readings are kept."
    )
    return sentences


def _component_words(components: Sequence[FactorComponent], of: str) -> list[str]:
    """One sentence for all levels: each level alone says little."""
    by_factor: dict[str, list[float]] = {}
    for entry in components:
        by_factor.setdefault(entry.factor, []).append(entry.value)
    if not by_factor:
        return []
    parts = []
    for factor, values in by_factor.items():
        ends = list(dict.fromkeys(significant(value) for value in (min(values), max(values))))
        together = " together" if " and " in factor else ""
        parts.append(f"{factor}{together} {' to '.join(ends)}{of}")
    return [
        f"By factor, the components over the levels are: {sentence_list(parts)}. Each rests on few values of its "
        "factor, so its interval is wide."
    ]


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Intermediate precision",
    position=30,
    experiment=EXPERIMENT,
    method=(
        "A run is what shares one calibration event. At each level the one-way random model splits the variance into "
        "a part between runs, estimated by restricted maximum likelihood, and the part within, which is s_r pooled.",
        "A component that comes out below zero is set to zero, with a note. Intervals are modified-large-sample "
        "intervals; with unequal runs they use unweighted run means. Where the run means agree better than the scatter "
        "within them explains, upper ends are held above what that luck would give. Satterthwaite's degrees of "
        "freedom are printed for information only.",
        "Over the levels a straight line, a constant, a proportional and a root-sum-square form of s_I(x) are fitted "
        "by likelihood; AICc says which of the four is drawn.",
        "Where analyst, instrument, day or lots vary beside the run, a linear mixed model with all of them and the run "
        "as random factors gives the component of each; factors that change together share one. Algorithms A and S "
        "show beside the reported numbers how far they rest on single readings and runs.",
        "All levels at once: runs with lines of their own, s_r(x) and s_run(x) as the root of a^2 + (b x)^2, the bias "
        "as a line, by REML, with bands over the range. It is shown and never judged.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.s_run",
            "standard deviation between runs",
            "s_run",
            "s_run^2 = (MS_between - MS_within) / n for equal runs, else REML; not below zero",
            "Searle, Casella and McCulloch 1992; ISO 5725-3; interval of Ting et al. 1990 (all from memory)",
            "level",
            "study",
            ("upper bound", "point"),
            None,
            CHECKED,
        ),
        KeyInfo(
            f"{NAME}.s_I",
            "intermediate precision standard deviation of a single result",
            "s_I",
            "s_I = sqrt(s_run^2 + s_r^2)",
            "VIM 2.22; ISO 5725-3, VIM 2.23 and interval of Graybill and Wang 1980 (from memory)",
            "level",
            "study",
            ("upper bound", "point"),
            None,
            CHECKED,
        ),
        KeyInfo(
            f"{NAME}.model_constant",
            "constant part of the intermediate precision standard deviation over the levels",
            "a",
            "s_I(x) = a + b x",
            "ISO 5725-2:1994, 7.5 (from memory); likelihood of the variances",
            "none",
            "study",
            ("upper bound", "point"),
            None,
            ("gamma regression of statsmodels (square-root link) on the variances",),
        ),
        KeyInfo(
            f"{NAME}.model_slope",
            "growth of the intermediate precision standard deviation per unit of level",
            "b",
            "s_I(x) = a + b x",
            "ISO 5725-2:1994, 7.5 (from memory); likelihood of the variances",
            "none",
            "1",
            ("upper bound", "point"),
            None,
            ("gamma regression of statsmodels (square-root link) on the variances",),
        ),
        KeyInfo(
            f"{NAME}.component",
            "standard deviation that one factor (analyst, instrument, day, lot, the rest between runs) contributes",
            "s_k",
            "y = mu + sum_k a_k + e, a_k with standard deviation s_k, REML, none below zero",
            "Searle, Casella and McCulloch 1992; interval: profile of the restricted likelihood with Bartlett's "
            "correction (all from memory)",
            "label",
            "study",
            (),
            None,
            (
                "CLSI EP05, appendix, glucose (days and runs)",
                "Berthouex and Brown 2002, Tables 25.2 to 25.5 (nested)",
                "variance components of statsmodels (MixedLM), crossed factors",
            ),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("run_means", "sd_by_level", "whole_range", "components_by_level"),
    alternatives=alternatives,
)
