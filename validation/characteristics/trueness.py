"""Trueness: the bias against the reference values, by level and as a joint line over levels."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import left_out
from validation.characteristics._other_methods import other_methods_table
from validation.characteristics._precision_runs import (
    EXPERIMENT,
    Level,
    PrecisionRuns,
    place_text,
    precision_runs,
    unit_text,
)
from validation.figures.trueness import LevelBias, TruenessView
from validation.stats.estimate import Estimate, mean
from validation.stats.robust import robust_mean
from validation.stats.trueness import BiasLineResult, bias_line
from validation.stats.variance_function import linear_sd
from validation.study.model import Study
from validation.study.quantity import Cell, Display, Evaluation, Quantity, Table
from validation.words import fixed, level_text, places_for, with_interval

NAME = "trueness"
ROBUST = "robust mean of the run means"


def evaluate(study: Study) -> Evaluation:
    """Bias at each level, and constant and proportional bias over the levels."""
    runs = precision_runs(study, NAME, with_reference=True)
    if isinstance(runs, Evaluation):
        return runs
    by_level = [
        level.quantity(f"{NAME}.bias", level.bias, study, *runs.reference, *level.reference_notes)
        for level in runs.levels
    ]
    line, names, line_notes = _line(runs.levels, study.confidence)
    over_levels = [] if line is None else _line_quantities(runs, line, names, line_notes)

    def show() -> Display:
        others = other_methods_table(by_level, alternatives(study))
        region = () if line is None else (_region_table(line, study.confidence),)
        levels = tuple(_level_view(level, q) for level, q in zip(runs.levels, by_level, strict=True))
        view = TruenessView(levels, None if line is None else line.zero_inside)
        return Display(tables=(_run_table(runs.levels), *others, *region), view=view)

    notes = (*runs.notes, *runs.reference, *line_notes)
    return Evaluation(NAME, (*by_level, *over_levels), (), notes, show=show)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The bias as the robust mean of the run means, which a run or a reading far out hardly moves."""
    runs = precision_runs(study, NAME, with_reference=True)
    if isinstance(runs, Evaluation):
        return {}
    return {ROBUST: [level.quantity(f"{NAME}.bias", _robust(level), study) for level in runs.levels]}


def _robust(level: Level) -> Estimate:
    u, _ = level.reference_uncertainty
    return replace(robust_mean(level.run_errors, reference_uncertainty=u), n=len(level.rows))


def _level_view(level: Level, bias: Quantity) -> LevelBias:
    return LevelBias(level.at, bias.value, bias.interval, tuple(map(float, level.run_errors)))


def _line(levels: Sequence[Level], confidence: float) -> tuple[BiasLineResult | None, list[str], list[str]]:
    """One weighted line a run through its mean errors, and the runs that entered; None with a sentence where the runs
    do not span the levels.
    """
    points: dict[str, list[tuple[float, float, int]]] = {}
    for level in levels:
        for run, error in zip(level.runs, level.run_errors, strict=True):
            point = (mean(level.references(run.rows)), float(error), len(run.rows))
            points.setdefault(run.name, []).append(point)
    spanning = {name: rows for name, rows in points.items() if len({x for x, _, _ in rows}) >= 3}
    if len(spanning) < 2:
        few = (
            "Constant and proportional bias need two runs or more that span three levels each; there are "
            f"{len(spanning)}."
        )
        return None, [], [few]
    notes = []
    if len(spanning) < len(points):
        left_out = ", ".join(name for name in points if name not in spanning)
        notes.append(f"Runs with fewer than three levels are left out of the joint line: {left_out}.")
    weight, weight_notes = _weights(levels)
    rows = list(spanning.values())
    line = bias_line(
        [[x for x, _, _ in points] for points in rows],
        [[error for _, error, _ in points] for points in rows],
        [[n * weight(x) for x, _, n in points] for points in rows],
        confidence=confidence,
        n=sum(n for points in rows for _, _, n in points),
    )
    return line, list(spanning), [*notes, *weight_notes]


def _weights(levels: Sequence[Level]) -> tuple[Callable[[float], float], tuple[str, ...]]:
    """1 / s_r(x)^2 from the fitted s_r over the levels; equal weights where none can be fitted."""
    estimates = [(level.reference, level.precision.s_r) for level in levels]
    usable = [(x, s.value, s.degrees_of_freedom) for x, s in estimates if s is not None and s.degrees_of_freedom]
    if len(usable) >= 3 and min(x for x, _, _ in usable) >= 0 and any(s for _, s, _ in usable):
        x, s, df = zip(*usable, strict=True)
        fitted = linear_sd(x, [d * value**2 for d, value in zip(df, s, strict=True)], df)
        if min(fitted.at(level.reference) for level in levels) > 0:
            return lambda at: 1 / fitted.at(at) ** 2, ()
    return lambda at: 1.0, (
        "No scatter over the levels could be fitted: the lines of the runs weight all readings equally.",
    )


def _line_quantities(
    runs: PrecisionRuns, line: BiasLineResult, names: Sequence[str], notes: Sequence[str]
) -> list[Quantity]:
    used = set(names)
    rows = sorted(row for level in runs.levels for run in level.runs if run.name in used for row in run.rows)
    censored = len(runs.data.censored)
    notes = [*runs.reference, *notes]
    if "u_level" in runs.data.table:
        notes.append("The uncertainty of the reference values is not part of the interval of the joint line.")
    notes += left_out(censored)
    return [
        Quantity(
            key=f"{NAME}.{key}",
            at=None,
            estimate=estimate.with_notes(*notes),
            level=runs.study.confidence,
            unit=unit,
            worksheet=runs.data.worksheet,
            readings=tuple(runs.levels[0].identifiers(rows)),
            unit_name="runs",
            censored=censored,
        )
        for key, unit, estimate in (
            ("constant_bias", runs.study.unit, line.constant),
            ("proportional_bias", "1", line.proportional),
        )
    ]


def _region_table(line: BiasLineResult, confidence: float) -> Table:
    inside = {None: "cannot be stated", True: "inside the joint region", False: "outside the joint region"}
    correlation = None
    (a, b), (_, d) = line.covariance
    if a > 0 and d > 0:
        correlation = b / (a * d) ** 0.5
    rows: tuple[tuple[Cell, ...], ...] = (
        ("constant bias", line.constant.value),
        ("proportional bias", line.proportional.value),
        ("standard error of the constant bias", line.constant.standard_uncertainty),
        ("standard error of the proportional bias", line.proportional.standard_uncertainty),
        ("correlation of the two", correlation),
        ("runs", len(line.slopes)),
        ("Hotelling's T squared of no bias at all", line.t_squared),
        (f"critical value of T squared at {100 * confidence:g} %", line.critical),
        ("the line without bias lies", inside[line.zero_inside]),
    )
    caption = "Joint line of the error over the levels, and the joint confidence region of its two parts"
    return Table("joint line", caption, ("term", "value"), rows)


def _run_table(levels: Sequence[Level]) -> Table:
    rows = tuple(
        (
            level_text(level.at),
            run.name,
            len(run.rows),
            level.reference,
            mean(level.results(run.rows)),
            mean(level.errors(run.rows)),
        )
        for level in levels
        for run in level.runs
    )
    head = ("level", "run", "readings", "reference value", "mean result", "mean error")
    return Table("runs", "Run means against the reference values", head, rows)


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    of = unit_text(unit)
    sentences = []
    for q in (q for q in evaluation.judged if q.key == f"{NAME}.bias"):
        value, interval = with_interval(q.value, q.interval)
        lacking = "no interval, one run" if q.units == 1 else "no interval: the run means do not differ as written"
        sure = f"from {interval} with {100 * q.confidence:g} % confidence" if q.confidence else lacking
        place = place_text(q.at, unit)
        runs = "one run" if q.units == 1 else f"{q.units} runs"
        sentences.append(f"At {place} the mean of {runs} departs from the reference by {value}{of} ({sure}).")
    constant, slope = evaluation.get(f"{NAME}.constant_bias"), evaluation.get(f"{NAME}.proportional_bias")
    if constant is not None and slope is not None:
        view: TruenessView = evaluation.display.view
        error = slope.standard_uncertainty or 0.0
        percent = fixed(100 * slope.value, places_for(100 * error))
        first, between = with_interval(constant.value, constant.interval)
        reach = f" (from {between})" if between else ""
        verdict = {
            True: " Together they do not exclude a line without any bias.",
            False: " Together they exclude a line without any bias; the bias at each level tells how much it matters.",
            None: "",
        }[view.zero_inside]
        sentences.append(
            f"Over the levels the error follows {first}{of}{reach} plus {percent} % of the level."
            f"{verdict} A straight line hides curvature: read it beside the bias at each level."
        )
    return sentences


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Trueness",
    position=40,
    experiment=EXPERIMENT,
    method=(
        "At each level the reference value is subtracted from every result; the bias is the mean of the run means. All "
        "results of a run share its calibration, so the run is the unit: Student's t with runs - 1 degrees of freedom.",
        "Where the worksheet states u_level, the standard uncertainty of the reference value is joined to the standard "
        "error by root sum of squares.",
        "Over the levels each run gets a weighted straight line of its errors; constant and proportional bias are the "
        "means of the runs' intercepts and slopes, with a joint region by Hotelling's T squared.",
        "The robust mean of the run means (algorithm A) shows beside the bias how far it rests on single runs.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.bias",
            "mean of the run means minus the reference value",
            "b",
            "b = mean of the run means of (y - x), interval b +- t(p - 1) sqrt(s_b^2/p + u_ref^2)",
            "VIM 2.18; ISO 5725-4; JCGM 100:2008, G.4.1 (clauses from memory)",
            "level",
            "study",
            ("equivalence", "point"),
            None,
            ("scipy's one-sample t interval of the run means (scipy.stats.ttest_1samp)",),
        ),
        KeyInfo(
            f"{NAME}.constant_bias",
            "error of the joint line at level zero",
            "a",
            "y - x = a + b x, one weighted line per run, means over runs",
            "weighted least squares; Student t over runs; Hotelling 1931 (from memory)",
            "none",
            "study",
            ("equivalence", "point"),
            None,
            ("weighted least squares of statsmodels, run by run", "Hotelling's test of statsmodels (test_mvmean)"),
        ),
        KeyInfo(
            f"{NAME}.proportional_bias",
            "growth of the error per unit of level",
            "b",
            "y - x = a + b x, one weighted line per run, means over runs",
            "weighted least squares; Student t over runs; Hotelling 1931 (from memory)",
            "none",
            "1",
            ("equivalence", "point"),
            None,
            ("weighted least squares of statsmodels, run by run", "Hotelling's test of statsmodels (test_mvmean)"),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("bias_by_level",),
    alternatives=alternatives,
)
