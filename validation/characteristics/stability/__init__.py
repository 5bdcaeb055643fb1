"""Stability: change of a standard with age, how long it may be used, and drift of the measurement itself."""

from __future__ import annotations

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import why_not
from validation.characteristics.stability.ageing import Ageing, ageing, line_table, state_view, states_of
from validation.characteristics.stability.drift import drift_table, drift_view, drifts
from validation.figures.stability import DriftInRun, StabilityView, StateAges
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Display, Evaluation, Quantity
from validation.words import fixed, level_text, places_for, sentence_list, significant, with_interval

NAME = "stability"
NO_ALLOWED_CHANGE = "The plan states no stability.allowed_change: no expiry is given."
NO_PLANNED_TIME = "The plan states no stability.planned_time: no change over a time is given."


def evaluate(study: Study) -> Evaluation:
    """Slope, change and expiry of each state; drift inside runs and between them."""
    data = study.ready(NAME)
    lacking = "" if data is not None else why_not(study, NAME, "state, age in days and result")
    if data is None and study.ready("control") is None:
        return Evaluation(NAME, missing=lacking)
    notes = [lacking] if data is None else [*data.notes, *_settings_notes(data)]
    states: list[Ageing] = []
    for item in () if data is None else (ageing(state, study) for state in states_of(data)):
        notes += [item] if isinstance(item, str) else item.notes
        states += [] if isinstance(item, str) else [item]
    drift = drifts(study)

    def show() -> Display:
        inside = drift.runs
        return Display(
            tables=(*line_table(states), *([] if inside is None else [drift_table(inside)])),
            view=StabilityView(
                tuple(state_view(state, study) for state in states),
                None if inside is None else drift_view(inside, study.confidence),
            ),
        )

    return Evaluation(
        NAME,
        (*(q for state in states for q in state.quantities), *drift.quantities),
        tuple(flag for state in states for flag in state.flags),
        tuple(dict.fromkeys((*notes, *drift.notes))),
        show=show,
    )


def _settings_notes(data: ExperimentData) -> list[str]:
    stated = {NO_ALLOWED_CHANGE: "allowed_change", NO_PLANNED_TIME: "planned_time"}
    return [note for note, name in stated.items() if data.settings.get(name) is None]


# What the chapter says ----------------------------------------------------------------------------------------------


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What the chapter shows, in sentences."""
    del unit  # each quantity carries its own
    view: StabilityView = evaluation.display.view
    sentences = [_state_in_words(evaluation, state) for state in view.states]
    sentences += [] if view.drift is None else _drift_in_words(evaluation, view.drift)
    between = evaluation.get(f"{NAME}.drift_between_runs", "control")
    if between is not None:
        sentences.append(f"Between runs the check standard drifts by {_percent(between)} per day.")
    intervals = [q for q in evaluation.judged if q.key == f"{NAME}.calibration_interval"]
    if intervals:
        times = [f"{significant(q.value, 3)} {q.unit}s ({q.at})" for q in intervals]
        sentences.append(f"Proposed calibration interval: {sentence_list(times)}.")
    return sentences


def _drift_in_words(evaluation: Evaluation, drift: DriftInRun) -> list[str]:
    q = evaluation.get(f"{NAME}.drift_in_run", drift.experiment)
    if q is None:
        return []
    count = len(drift.runs)
    of = "one run" if count == 1 else f"mean of {count} runs"
    return [f"Inside a run of {drift.experiment} results drift by {_percent(q)} per {drift.unit}, {of}."]


def _state_in_words(evaluation: Evaluation, state: StateAges) -> str:
    slope, change, until = (evaluation.get(f"{NAME}.{key}", state.name) for key in ("slope", "change", "expiry"))
    sentence = f"{state.name[:1].upper()}{state.name[1:]}:"
    if change is not None:
        sentence += f" over {level_text(state.planned_time)} days the value changes by {_percent(change)}."
    elif slope is not None:
        value, interval = with_interval(slope.value, slope.interval)
        sentence += f" the value changes by {value} {slope.unit}{f' (from {interval})' if interval else ''}."
    if until is not None:
        days, limit = significant(until.value, 3), state.allowed_text
        if state.capped:
            sentence += f" The change stays within {limit} up to {days} days, the longest age studied, at least."
        else:
            sentence += f" The {100 * state.bound_at:g} % bound of the change meets {limit} at {days} days."
    return sentence


def _percent(q: Quantity) -> str:
    """A share with its interval, in per cent."""
    value = 100 * q.value
    if q.interval is None:
        return f"{significant(value, 2)} % (no interval)"
    low, high = (100 * end for end in q.interval)
    places = places_for((high - low) / 4)
    return f"{fixed(value, places)} % (from {fixed(low, places)} % to {fixed(high, places)} %)"


CHARACTERISTIC = Characteristic(
    name=NAME,
    title="Stability",
    position=140,
    experiment=NAME,
    also_reads=("precision", "control"),
    method=(
        "In each state a straight line of the result on age is fitted. Where all ages were measured in one run "
        "(isochronous), or each run holds several ages, readings count and what a run adds is taken away; where each "
        "age has a run of its own, the run means count, for they carry the runs' errors.",
        "The change over the planned time is relative to the fitted value at age 0, with Fieller's interval. The "
        "expiry is the age at which its one-sided bound meets the allowed change, loss or gain, and never beyond the "
        "longest age studied.",
        "Drift inside a run: the result relative to its material's mean is regressed on the time in the run, once the "
        "mean of each run and material is taken away; one slope a run, Student's t over runs.",
        "Drift between runs: a line through the run means of the check standard. The calibration interval is the time "
        "in which the bound of the drift uses up the allowed drift.",
    ),
    keys=(
        KeyInfo(
            f"{NAME}.slope",
            "change of the value with age",
            "b",
            "y = a + b t, b +- t(df) s(b)",
            "ISO Guide 35:2017, 8.5.2 and B.3.2",
            "label",
            "study/day",
            (),
            None,
            (
                "a printed shelf-life example (slope, its standard error, t and p)",
                "ordinary least squares of statsmodels",
                "R's lm and confint",
            ),
        ),
        KeyInfo(
            f"{NAME}.change",
            "change over the planned time, relative to the value at age 0",
            "delta",
            "delta = b T / a, Fieller's interval",
            "ISO Guide 35:2017, 8.5.2 and B.3.2; Fieller 1954 (from memory)",
            "label",
            "1",
            ("equivalence", "point"),
            None,
            ("t test of b T - delta a of statsmodels at both ends of the interval",),
        ),
        KeyInfo(
            f"{NAME}.expiry",
            "age up to which the bound of the change stays within the allowed change",
            "t_exp",
            "smallest t with |b| t +- t(df) s(b t + c a) = c a, c the allowed share",
            "ISO Guide 35:2017, B.3, formulae B.22 to B.24; ICH Q1E (from memory)",
            "label",
            "day",
            (),
            None,
            ("a printed shelf-life example: 64.770 months", "t test of b t + c a of statsmodels at the expiry"),
        ),
        KeyInfo(
            f"{NAME}.drift_in_run",
            "relative drift inside a run",
            "g",
            "y = m_i + g m t, i the cell of run and material, m its mean result; one slope a run, Student t over runs",
            "weighted least squares; Student t over runs (common practice)",
            "label",
            "1/hour",
            ("equivalence", "point"),
            None,
            ("weighted least squares of statsmodels, run by run",),
        ),
        KeyInfo(
            f"{NAME}.drift_between_runs",
            "relative drift of the check standard between runs",
            "g_b",
            "run means = a + b t, g_b = b / a",
            "ISO Guide 35:2017, B.3.2; Fieller 1954 (from memory)",
            "label",
            "1/day",
            ("equivalence", "point"),
            None,
            ("ordinary least squares of statsmodels on run means",),
        ),
        KeyInfo(
            f"{NAME}.calibration_interval",
            "time in which the bound of the drift uses up the allowed drift",
            "T_cal",
            "T_cal = allowed drift / largest bound of the drift",
            "common practice, no source",
            "label",
            "hour",
            (),
            None,
            (),
        ),
    ),
    evaluate=evaluate,
    in_words=in_words,
    figures=("result_by_age", "drift"),
)
