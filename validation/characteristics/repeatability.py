"""Repeatability: the scatter of independent results within one run, by level and as a model over levels."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

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
from validation.figures._levels import Deviation, SdForm
from validation.figures.repeatability import AgainstPublished, LevelScatter, RepeatabilityView
from validation.stats.estimate import Estimate, exact, exact_mean
from validation.stats.outliers import cochran
from validation.stats.precision import PrecisionResult, PublishedResult, against_published
from validation.study.model import Study
from validation.study.quantity import At, Cell, Display, Evaluation, Flag, Quantity, Table
from validation.words import counted, level_text, sentence_list, significant, with_interval

NAME = "repeatability"
ROBUST = "robust standard deviation within runs"
CHECKED = (
    "NIST StRD, Analysis of Variance, all eleven sets (certified values)",
    "Dyestuff yield, Davies and Goldsmith 1972",
    "Rail, Pinheiro and Bates 2000, 1.1",
    "USP <1010>, Appendix B, Tables 1 and 2",
    "CLSI EP05, appendix, glucose",
    "Berthouex and Brown 2002, Tables 25.2 to 25.5",
)


def evaluate(study: Study) -> Evaluation:
    """s_r and r at each level, the model over levels, and Cochran's view of the runs."""
    runs = precision_runs(study, NAME)
    if isinstance(runs, Evaluation):
        return runs
    points = [(level, level.precision.s_r) for level in runs.levels if level.precision.s_r is not None]
    if not points:
        return Evaluation(
            NAME,
            missing="No run holds two independent results at one level: repeatability cannot be estimated. Replicates "
            "within a run would supply it.",
        )
    by_level = [q for level in runs.levels for q in _of_level(level, runs)]
    model, fitted, model_notes = model_quantities(NAME, points, study)
    against = _against_published(study, points)
    ratios = [
        level.quantity(f"{NAME}.ratio_to_published", result.ratio, study, *runs.independence, unit="1")
        for level, result in against
    ]
    flags = tuple(flag for level in runs.levels for flag in _cochran_flags(level))
    notes = [*runs.notes, *runs.independence, *_missing_levels(runs), *model_notes, *_published_elsewhere(study, runs)]

    def show() -> Display:
        form, forms, form_notes = (None, None, ()) if fitted is None else forms_over_levels("s_r", points)
        others = other_methods_table([q for q in by_level if q.key == f"{NAME}.s_r"], alternatives(study))
        attained = attained_rates(placed_runs(runs.levels, between=False), study.confidence)
        tables = (_run_table(runs.levels), *attained.tables, *others, *([] if forms is None else [forms]))
        return Display(
            notes=(*attained.notes, *form_notes),
            tables=(*tables, *_published_table(study, against)),
            view=_view(runs.levels, by_level, flags, form, against),
        )

    return Evaluation(NAME, (*by_level, *model, *ratios), flags, tuple(notes), show=show)


def _of_level(level: Level, runs: PrecisionRuns) -> list[Quantity]:
    """s_r and r of one level; none without replicates."""
    estimates = {"s_r": level.precision.s_r, "r": level.precision.r}
    notes = (*runs.independence, *_unequal_runs(level))
    return [level.quantity(f"{NAME}.{key}", e, runs.study, *notes) for key, e in estimates.items() if e is not None]


def _missing_levels(runs: PrecisionRuns) -> list[str]:
    return [
        f"Level {level_text(level.at)}: {_why_missing(level.precision)}"
        for level in runs.levels
        if level.precision.s_r is None
    ]


def _view(
    levels: Sequence[Level],
    quantities: Sequence[Quantity],
    flags: Sequence[Flag],
    form: SdForm | None,
    against: Against,
) -> RepeatabilityView:
    s_r = {q.at: q for q in quantities if q.key == f"{NAME}.s_r"}
    flagged = {flag.reading for flag in flags}
    scatter = tuple(
        LevelScatter(
            level.at,
            s_r.get(level.at),
            tuple(replace(row, flagged=row.reading in flagged) for row in _residuals(level)),
        )
        for level in levels
    )
    published = tuple(AgainstPublished(level.at, result.chi_squared, result.critical) for level, result in against)
    return RepeatabilityView(scatter, form, published)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """s_r and r by algorithm S over the runs of a level, which single readings far out hardly move."""
    return robust_alternatives(study, NAME, ("s_r", "r"), ROBUST)


Against = Sequence[tuple[Level, PublishedResult]]


def _published(study: Study, at: At) -> float | None:
    """The published repeatability limit that the plan states for a level."""
    stated = study.experiments[EXPERIMENT].settings.get("published_r")
    if not isinstance(stated, Mapping):
        return None if stated is None else float(stated)
    return next((float(limit) for name, limit in stated.items() if _names(name, at)), None)


def _names(name: object, at: At) -> bool:
    """Whether a name of the plan means this level: "4", "4.0" and 4 do."""
    try:
        return float(str(name)) == at
    except ValueError:
        return str(name) == at


def _against_published(study: Study, points: Sequence[tuple[Level, Estimate]]) -> Against:
    """s_r against the published limit at each level that has one."""
    stated = [(level, s_r, _published(study, level.at)) for level, s_r in points]
    return [
        (level, against_published(s_r, limit, confidence=study.confidence))
        for level, s_r, limit in stated
        if limit is not None
    ]


def _published_elsewhere(study: Study, runs: PrecisionRuns) -> list[str]:
    """Levels of `published_r` that the worksheet does not hold."""
    stated = study.experiments[EXPERIMENT].settings.get("published_r")
    names = list(stated) if isinstance(stated, Mapping) else []
    unmet = [str(name) for name in names if not any(_names(name, level.at) for level in runs.levels)]
    if not unmet:
        return []
    return [f"The plan states a published r at {sentence_list(unmet)}, which the precision worksheet does not hold."]


def _published_table(study: Study, against: Against) -> tuple[Table, ...]:
    if not against:
        return ()
    head = ("level", "published r", "r", "ratio", "chi-square", "degrees of freedom", "critical value", "p")
    rows: list[tuple[Cell, ...]] = []
    for level, result in against:
        limit = _published(study, level.at) or 0.0
        own, df = result.ratio.value * limit, result.ratio.degrees_of_freedom
        rows.append((level.at, limit, own, result.ratio.value, result.chi_squared, df, result.critical, result.p))
    caption = f"Against the published repeatability limit: chi-square, one-sided, at {100 * study.confidence:g} %"
    return (Table("published", caption, head, tuple(rows)),)


def _why_missing(result: PrecisionResult) -> str:
    return next(note for note in result.notes if "repeatability cannot be estimated" in note)


def _unequal_runs(level: Level) -> tuple[str, ...]:
    """Runs of unequal weight in s_r, and runs that say nothing about it."""
    counts = [len(run.preparations) for run in level.runs]
    notes: tuple[str, ...] = ()
    if len(set(counts)) > 1:
        notes = ("The runs hold unequal numbers of results: each variance counts by its degrees of freedom.",)
    single = counts.count(1)
    if single:
        enter = "enters" if single == 1 else "enter"
        notes += (f"{counted(single, 'run')} with a single result {enter} the mean but not s_r.",)
    return notes


def _residuals(level: Level) -> list[Deviation]:
    """Each reading minus the mean of its run, formed exactly."""
    rows = []
    for run in level.runs:
        values = level.results(run.rows)
        centre = exact_mean(values)
        names, lines = level.identifiers(run.rows), level.lines(run.rows)
        for value, name, line in zip(values, names, lines, strict=True):
            rows.append(Deviation(run.name, name, line, float(exact(value) - centre)))
    return rows


def _variance(level: Level, rows: Sequence[int]) -> float:
    values = [exact(value) for value in level.results(rows)]
    centre = exact_mean(values)
    return float(sum((value - centre) ** 2 for value in values) / (len(values) - 1))


def _cochran_flags(level: Level) -> list[Flag]:
    """The reading furthest from its run mean, in the run whose variance Cochran's test points at."""
    runs = [run for run in level.runs if len(run.rows) > 1]
    if len(runs) < 2:
        return []
    variances = [_variance(level, run.rows) for run in runs]
    # The commonest count stands for unequal ones; the smaller on a tie, which has the larger critical value.
    counts = Counter(len(run.rows) for run in runs)
    n = min(counts, key=lambda count: (-counts[count], count))
    five, one = (cochran(variances, n, alpha=alpha) for alpha in (0.05, 0.01))
    if not five.exceeded:
        return []
    run = runs[five.index]
    suspect = max((row for row in _residuals(level) if row.run == run.name), key=lambda row: abs(row.value))
    beyond = "also beyond" if one.exceeded else "not beyond"
    reason = (
        f"Run {run.name} has the largest variance at level {level_text(level.at)}, {significant(five.statistic)} of "
        f"the sum against the critical value {significant(five.critical)} (5 %), {beyond} the 1 % value "
        f"{significant(one.critical)}; this reading lies furthest from the mean of its run. It is kept."
    )
    return [
        Flag(
            suspect.reading,
            "Cochran",
            five.statistic,
            five.critical,
            True,
            reason,
            level.at,
            level.data.worksheet,
        )
    ]


def _run_table(levels: Sequence[Level]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for level in levels:
        for run in level.runs:
            spread = _variance(level, run.rows) ** 0.5 if len(run.rows) > 1 else None
            values = level.results(run.rows)
            mean = float(exact_mean(values))
            rows.append((level_text(level.at), run.name, len(run.preparations), len(values), mean, spread))
    head = ("level", "run", "preparations", "readings", "mean", "standard deviation")
    return Table("runs", "Runs at each level", head, tuple(rows))


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    view: RepeatabilityView = evaluation.display.view
    of = unit_text(unit)
    sentences = []
    for q in (level.s_r for level in view.levels if level.s_r is not None):
        value, interval = with_interval(q.value, q.interval)
        r = evaluation.get(f"{NAME}.r", q.at)
        limit = (
            ""
            if r is None
            else " Two results of one run should differ by more than "
            + (f"{significant(r.value)}{of} only once in twenty times.")
        )
        place = place_text(q.at, unit)
        sure = f"from {interval}" if interval else "no bound can be claimed"
        if q.value == 0:
            limit = ""
        sentences.append(f"At {place} results of one run scatter with s_r = {value}{of} ({sure}).{limit}")
    constant, slope = evaluation.get(f"{NAME}.model_constant"), evaluation.get(f"{NAME}.model_slope")
    line_is_said = view.form is not None and view.form.name == "linear"
    if constant is not None and slope is not None and not line_is_said:
        line = f"{significant(constant.value)} + {significant(slope.value)} × level"
        sentences.append(f"As a straight line over the levels s_r follows {line}.")
    sentences += form_words("s_r", view.form, of)
    sentences += _published_words(evaluation, unit)
    names = list(dict.fromkeys(flag.reading for flag in evaluation.flags))
    sentences.append(
        "Cochran's test points at no run."
        if not names
        else f"Cochran's test points at the run of {sentence_list(names)}; these readings are kept."
    )
    return sentences


def _published_words(evaluation: Evaluation, unit: str) -> list[str]:
    """The comparison with the published limit, level by level."""
    sentences = []
    view: RepeatabilityView = evaluation.display.view
    for entry in view.published:
        q = evaluation.get(f"{NAME}.ratio_to_published", entry.at)
        if q is None:
            continue
        value, interval = with_interval(q.value, q.interval)
        sure = f" (from {interval})" if interval else " (no bound can be claimed)"
        numbers = f"chi-square {significant(entry.chi_squared)}, critical value {significant(entry.critical)}"
        larger = entry.chi_squared > entry.critical
        verdict = (
            f"is larger than chance explains ({numbers}): the laboratory does not reach the published repeatability"
            if larger
            else f"does not exceed it by more than chance explains ({numbers})"
        )
        sentences.append(
            f"At {place_text(entry.at, unit)} s_r is {value} times what the published r stands for{sure}; it {verdict}."
        )
    return sentences


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Repeatability",
    position=20,
    experiment=EXPERIMENT,
    method=(
        "At each level the variances within the runs are pooled, each weighted with its degrees of freedom: what is "
        "left is the scatter of independent results obtained by one analyst on one instrument within a short time.",
        "Where one preparation was read several times, its readings are no replicates: s_r then joins the variance "
        "between preparations and that of the readings.",
        "Over the levels a straight line s(x) = a + b x is fitted by likelihood to the pooled variances. A constant, a "
        "proportional and a root-sum-square form are fitted beside it; AICc says which of the four is drawn.",
        "Where the plan states a published repeatability limit, s_r is held against it by chi-square. Algorithm S "
        "shows beside the reported numbers how far they rest on single readings.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.s_r",
            "repeatability standard deviation, pooled within run",
            "s_r",
            "s_r^2 = sum_i (n_i - 1) s_i^2 / sum_i (n_i - 1)",
            "ISO 5725-2:1994, 7.4; VIM 2.20, 2.21 (clauses from memory)",
            "level",
            "study",
            ("upper bound", "point"),
            None,
            CHECKED,
        ),
        KeyInfo(
            f"{NAME}.r",
            "repeatability limit: the difference of two results of one run that is exceeded once in twenty times",
            "r",
            "r = 1.96 sqrt(2) s_r",
            "ISO 5725-6; VIM 2.21 (clauses from memory)",
            "level",
            "study",
            ("upper bound", "point"),
            None,
            CHECKED,
        ),
        KeyInfo(
            f"{NAME}.model_constant",
            "constant part of the repeatability standard deviation over the levels",
            "a",
            "s_r(x) = a + b x",
            "ISO 5725-2:1994, 7.5 (from memory); likelihood of the pooled variances",
            "none",
            "study",
            ("upper bound", "point"),
            None,
            ("gamma regression of statsmodels (square-root link) on the variances",),
        ),
        KeyInfo(
            f"{NAME}.model_slope",
            "growth of the repeatability standard deviation per unit of level",
            "b",
            "s_r(x) = a + b x",
            "ISO 5725-2:1994, 7.5 (from memory); likelihood of the pooled variances",
            "none",
            "1",
            ("upper bound", "point"),
            None,
            ("gamma regression of statsmodels (square-root link) on the variances",),
        ),
        KeyInfo(
            f"{NAME}.ratio_to_published",
            "own repeatability limit over the published one that the plan states",
            "r/r_pub",
            "r/r_pub = 1.96 sqrt(2) s_r / r_pub; chi-square = df (r/r_pub)^2",
            "ISO 5725-6:1994, ISO 5725-4:1994 (chi-square; clauses from memory)",
            "level",
            "1",
            ("upper bound", "point"),
            None,
            ("chi-square distribution of scipy on the pooled variance",),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("sd_by_level", "residuals_by_level"),
    alternatives=alternatives,
)
