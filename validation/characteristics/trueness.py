"""Trueness: the bias against the reference values, by level and as a joint line over levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import lost_levels
from validation.characteristics._other_methods import other_methods_table
from validation.characteristics._precision_runs import (
    DEFAULT_REFERENCE,
    EXPERIMENT,
    LABELS,
    Level,
    levels,
    not_ready,
    place_text,
    unit_text,
)
from validation.stats.estimate import Estimate, mean
from validation.stats.one_way import exact_mean
from validation.stats.robust import robust_mean
from validation.stats.trueness import BiasLineResult, bias_line
from validation.stats.variance_function import linear_sd
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, level_text, places_for, with_interval

NAME = "trueness"
ROBUST = "robust mean of the run means"


def evaluate(study: Study) -> Evaluation:
    """Bias at each level, and constant and proportional bias over the levels."""
    absent = not_ready(study, NAME)
    if absent is not None:
        return absent
    data = study.experiments[EXPERIMENT]
    found = levels(data)
    if not found[0].has_reference:
        return Evaluation(NAME, missing=LABELS)
    reference = () if "assigned" in data.exact else (DEFAULT_REFERENCE,)
    quantities: list[Quantity] = []
    notes: list[str] = [*data.notes, *lost_levels(data), *reference]
    shown = []
    for level in found:
        estimate, judged = level.bias(study.confidence), level.bias(study.judged_confidence)
        said = (*reference, *level.reference_notes)
        quantities.append(level.quantity(f"{NAME}.bias", estimate, study, judged, *said))
        shown.append(_shown(level, estimate))
    others = [] if study.looked_at_otherwise else other_methods_table(quantities, alternatives(study))
    line, runs, line_notes = _line(found, study.confidence)
    judged_line, _, _ = _line(found, study.judged_confidence)
    notes += line_notes
    details: dict[str, Any] = {"levels": shown, "line": None, "tables": [_run_table(found), *others]}
    if line is not None and judged_line is not None:
        quantities += _line_quantities(found, line, judged_line, runs, line_notes, study, reference)
        details["line"] = _line_details(line)
        details["tables"].append(_region_table(line, study.confidence))
    return Evaluation(NAME, tuple(quantities), (), tuple(dict.fromkeys(notes)), details=details)


def alternatives(study: Study) -> Mapping[str, Sequence[Quantity]]:
    """The bias as the robust mean of the run means, which a run or a reading far out hardly moves."""
    if not_ready(study, NAME) is not None:
        return {}
    found = levels(study.experiments[EXPERIMENT])
    if not found[0].has_reference:
        return {}
    return {
        ROBUST: [
            level.quantity(
                f"{NAME}.bias", _robust(level, study.confidence), study, _robust(level, study.judged_confidence)
            )
            for level in found
        ]
    }


def _robust(level: Level, confidence: float) -> Estimate:
    means = [exact_mean(level.errors(run.rows)) for run in level.runs]
    u, _ = level.reference_uncertainty
    return replace(robust_mean(means, confidence=confidence, reference_uncertainty=u), n=len(level.rows))


def _shown(level: Level, estimate: Estimate) -> dict[str, Any]:
    return {
        "at": level.at,
        "reference": level.reference,
        "bias": estimate.value,
        "interval": None if estimate.interval is None else list(estimate.interval),
        "runs": [{"run": run.name, "error": mean(level.errors(run.rows))} for run in level.runs],
    }


def _line(found: Sequence[Level], confidence: float) -> tuple[BiasLineResult | None, list[str], list[str]]:
    """One weighted line a run through its mean errors, and the runs that entered; None with a sentence where the runs
    do not span the levels.
    """
    points: dict[str, list[tuple[float, float, int]]] = {}
    for level in found:
        for run in level.runs:
            point = (mean(level.references(run.rows)), mean(level.errors(run.rows)), len(run.rows))
            points.setdefault(run.name, []).append(point)
    spanning = {name: rows for name, rows in points.items() if len({x for x, _, _ in rows}) >= 3}
    if len(spanning) < 2:
        said = (
            "Constant and proportional bias need two runs or more that span three levels each; there are "
            f"{len(spanning)}."
        )
        return None, [], [said]
    notes = []
    if len(spanning) < len(points):
        left_out = ", ".join(name for name in points if name not in spanning)
        notes.append(f"Runs with fewer than three levels are left out of the joint line: {left_out}.")
    weight, weight_notes = _weights(found, confidence)
    rows = list(spanning.values())
    line = bias_line(
        [[x for x, _, _ in points] for points in rows],
        [[error for _, error, _ in points] for points in rows],
        [[n * weight(x) for x, _, n in points] for points in rows],
        confidence=confidence,
        n=sum(n for points in rows for _, _, n in points),
    )
    return line, list(spanning), [*notes, *weight_notes]


def _weights(found: Sequence[Level], confidence: float) -> tuple[Any, tuple[str, ...]]:
    """1 / s_r(x)^2 from the fitted s_r over the levels; equal weights where none can be fitted."""
    estimates = [(level.reference, level.precision(confidence).s_r) for level in found]
    usable = [(x, s.value, s.degrees_of_freedom) for x, s in estimates if s is not None and s.degrees_of_freedom]
    if len(usable) >= 3 and min(x for x, _, _ in usable) >= 0 and any(s for _, s, _ in usable):
        x, s, df = zip(*usable, strict=True)
        fitted = linear_sd(x, [d * value**2 for d, value in zip(df, s, strict=True)], df)
        if min(fitted.at(level.reference) for level in found) > 0:
            return lambda at: 1 / fitted.at(at) ** 2, ()
    return lambda at: 1.0, (
        "No scatter over the levels could be fitted: the lines of the runs weight all readings equally.",
    )


def _line_quantities(
    found: Sequence[Level],
    line: BiasLineResult,
    judged: BiasLineResult,
    runs: Sequence[str],
    notes: Sequence[str],
    study: Study,
    reference: Sequence[str],
) -> list[Quantity]:
    data = found[0].data
    used = set(runs)
    rows = sorted(row for level in found for run in level.runs if run.name in used for row in run.rows)
    censored = len(data.censored)
    said = [*reference, *notes]
    if "u_level" in data.table:
        said.append("The uncertainty of the reference values is not part of the interval of the joint line.")
    if censored:
        said.append(f"{censored} censored reading(s) were left out.")
    return [
        Quantity.from_estimate(
            key,
            None,
            estimate,
            unit=unit,
            worksheet=data.worksheet,
            readings=found[0].identifiers(rows),
            judged=judged_estimate,
            unit_name="runs",
            notes=said,
            censored=censored,
        )
        for key, unit, estimate, judged_estimate in (
            (f"{NAME}.constant_bias", study.unit, line.constant, judged.constant),
            (f"{NAME}.proportional_bias", "1", line.proportional, judged.proportional),
        )
    ]


def _line_details(line: BiasLineResult) -> dict[str, Any]:
    return {
        "constant": line.constant.value,
        "proportional": line.proportional.value,
        "covariance": [list(row) for row in line.covariance],
        "t_squared": line.t_squared,
        "critical": line.critical,
        "zero_inside": line.zero_inside,
        "intercepts": list(line.intercepts),
        "slopes": list(line.slopes),
    }


def _region_table(line: BiasLineResult, confidence: float) -> dict[str, Any]:
    inside = {None: "cannot be stated", True: "inside the joint region", False: "outside the joint region"}
    correlation = None
    (a, b), (_, d) = line.covariance
    if a > 0 and d > 0:
        correlation = b / (a * d) ** 0.5
    rows = [
        ["constant bias", line.constant.value],
        ["proportional bias", line.proportional.value],
        ["standard error of the constant bias", line.constant.standard_uncertainty],
        ["standard error of the proportional bias", line.proportional.standard_uncertainty],
        ["correlation of the two", correlation],
        ["runs", len(line.slopes)],
        ["Hotelling's T squared of no bias at all", line.t_squared],
        [f"critical value of T squared at {100 * confidence:g} %", line.critical],
        ["the line without bias lies", inside[line.zero_inside]],
    ]
    caption = "Joint line of the error over the levels, and the joint confidence region of its two parts"
    return {"caption": caption, "head": ["term", "value"], "rows": rows}


def _run_table(found: Sequence[Level]) -> dict[str, Any]:
    rows = [
        [
            level_text(level.at),
            run.name,
            len(run.rows),
            level.reference,
            mean(level.results(run.rows)),
            mean(level.errors(run.rows)),
        ]
        for level in found
        for run in level.runs
    ]
    head = ["level", "run", "readings", "reference value", "mean result", "mean error"]
    return {"caption": "Run means against the reference values", "head": head, "rows": rows}


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    of = unit_text(unit)
    sentences = []
    for q in evaluation.quantities:
        if q.key != f"{NAME}.bias" or q.value is None:
            continue
        value, interval = with_interval(q.value, q.interval)
        lacking = "no interval, one run" if q.units == 1 else "no interval: the run means do not differ as written"
        sure = f"from {interval} with {100 * q.confidence:g} % confidence" if q.confidence else lacking
        place = place_text(q.at, unit)
        runs = "one run" if q.units == 1 else f"{q.units} runs"
        sentences.append(f"At {place} the mean of {runs} departs from the reference by {value}{of} ({sure}).")
    constant, slope = evaluation.get(f"{NAME}.constant_bias"), evaluation.get(f"{NAME}.proportional_bias")
    line = evaluation.details.get("line")
    if line and constant is not None and slope is not None and constant.value is not None and slope.value is not None:
        error = slope.standard_uncertainty or 0.0
        percent = fixed(100 * slope.value, places_for(100 * error))
        first, between = with_interval(constant.value, constant.interval)
        reach = f" (from {between})" if between else ""
        verdict = {
            True: " Together they do not exclude a line without any bias.",
            False: " Together they exclude a line without any bias; the bias at each level tells how much it matters.",
            None: "",
        }[line["zero_inside"]]
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
