"""Stability: change of a standard with age, how long it may be used, and drift of the measurement itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import isfinite
from typing import Any

import numpy as np

from validation.characteristics import Characteristic, KeyInfo
from validation.characteristics._censored import why_not
from validation.characteristics._run_order import RunOrder, run_order
from validation.stats.estimate import Estimate, OldEstimate, mean
from validation.stats.stability import (
    ExpiryResult,
    StabilityLine,
    expiry,
    stability_line,
    studentised_critical,
    time_within,
)
from validation.stats.within_cells import SlopeOverRunsResult, WithinCellsResult, slope_over_runs, within_cells
from validation.study.grammar import Limit
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Evaluation, Flag, Quantity
from validation.words import fixed, level_text, p_value, places_for, sentence_list, significant, with_interval

NAME = "stability"
BETWEEN = "control, between runs"
NO_ALLOWED_CHANGE = "The plan states no stability.allowed_change: no expiry is given."
NO_PLANNED_TIME = "The plan states no stability.planned_time: no change over a time is given."
NO_ALLOWED_DRIFT = "The plan states no control.allowed_drift: no calibration interval is proposed."
_DESIGNS = {
    "runs not stated": "The worksheet has no run column: the readings of the state {state} are taken as independent, "
    "which they are not where ages were measured on different days.",
    "one run": "All ages of the state {state} were measured in one run (isochronous): what a run adds to its results "
    "leaves the slope alone.",
    "run is the unit": "The ages of the state {state} were measured in different runs and carry their errors: the mean "
    "of each run at an age is the unit, {units} in all.",
    "runs kept apart": "Every run holds several ages of the state {state}: each run has an intercept of its own, so "
    "that what it adds to its results leaves the slope alone.",
}


@dataclass(frozen=True)
class State:
    """The readings of one state, such as sealed or in use, with their line; None where a line is not possible."""

    name: str
    rows: tuple[int, ...]
    data: ExperimentData
    line: StabilityLine | None
    censored: int

    @property
    def quoted(self) -> str:
        """The name inside a sentence."""
        return f'"{self.name}"'

    @property
    def ages(self) -> list[float]:
        return [float(age) for age in self.data.table["age"].iloc[list(self.rows)]]

    @property
    def readings(self) -> list[str]:
        return [str(reading) for reading in self.data.table["reading"].iloc[list(self.rows)]]


def evaluate(study: Study) -> Evaluation:
    """Slope, change and expiry of each state; drift inside runs and between them."""
    data = study.ready(NAME)
    if data is None and study.ready("control") is None:
        return Evaluation(NAME, missing=why_not(study, NAME, "state, age in days and result"))
    quantities: list[Quantity] = []
    flags: list[Flag] = []
    notes: list[str] = []
    shown: list[dict[str, Any]] = []
    rows: list[list[Any]] = []
    if data is None:
        notes.append(why_not(study, NAME, "state, age in days and result"))
    else:
        notes += [*data.notes, *_settings_notes(data)]
        for state in _states(data):
            found = _of_state(state, study)
            quantities += found.quantities
            flags += found.flags
            notes += found.notes
            shown += found.shown
            rows += found.rows
    drift = _Drift(study)
    quantities += drift.quantities
    notes += drift.notes
    details: dict[str, Any] = {"states": shown, "drift": drift.shown}
    details["tables"] = [] if study.looked_at_otherwise else [*_line_table(rows), *drift.tables]
    return Evaluation(NAME, tuple(quantities), tuple(flags), tuple(dict.fromkeys(notes)), details=details)


def _settings_notes(data: ExperimentData) -> list[str]:
    said = []
    if data.settings.get("allowed_change") is None:
        said.append(NO_ALLOWED_CHANGE)
    if data.settings.get("planned_time") is None:
        said.append(NO_PLANNED_TIME)
    return said


# Age ----------------------------------------------------------------------------------------------------------------


@dataclass
class _Found:
    quantities: list[Quantity]
    flags: list[Flag]
    notes: list[str]
    shown: list[dict[str, Any]]
    rows: list[list[Any]]


def _states(data: ExperimentData) -> list[State]:
    """The states in order of appearance; several levels are never put on one line."""
    table = data.table
    states = [str(state) for state in table["state"]]
    levels = [str(level) for level in table["level"]] if "level" in table else [""] * len(table)
    several = len(set(levels)) > 1
    names = [f"{state}, level {level}" if several else state for state, level in zip(states, levels, strict=True)]
    found = []
    for name in dict.fromkeys(names):
        rows = [row for row, other in enumerate(names) if other == name]
        runs = [str(run) for run in table["run"].iloc[rows]] if "run" in table else None
        try:
            line = stability_line([float(a) for a in table["age"].iloc[rows]], data.decimals("result", rows), runs)
        except ValueError:
            line = None
        censored = data.censored_at("state", states[rows[0]])
        found.append(State(name, tuple(rows), data, line, censored))
    return found


def _of_state(state: State, study: Study) -> _Found:
    line = state.line
    if line is None:
        note = (
            f"No line can be fitted to the state {state.quoted}: it needs two ages or more, and more readings (where "
            "each age has a run of its own: three ages or more)."
        )
        return _Found([], [], [note], [], [])
    notes = [_DESIGNS[line.design].format(state=state.quoted, units=line.units)]
    if line.lack_of_fit_p is not None and line.lack_of_fit_p < 0.05:
        notes.append(
            f"The results of the state {state.quoted} depart from a straight line (p = {p_value(line.lack_of_fit_p)}): "
            "look at the figure before the change is used."
        )
    if state.censored:
        notes.append(f"{state.censored} censored reading(s) of the state {state.quoted} were left out.")
    longest = max(state.ages)
    quantities = [
        _quantity(
            state,
            "slope",
            f"{study.unit}/day",
            notes,
            *(line.slope_estimate(confidence=level) for level in (study.confidence, study.judged_confidence)),
        )
    ]
    further = []
    time = state.data.settings.get("planned_time")
    if time is not None and time > longest:
        further.append(
            f"The planned time of {level_text(time)} days lies beyond the longest age of the state {state.quoted}, "
            f"{level_text(longest)} days: the change over it would be an extrapolation and is not given."
        )
    elif time is not None:
        change, judged = (line.change(time, confidence=c) for c in (study.confidence, study.judged_confidence))
        if change is not None and judged is not None:
            quantities.append(_quantity(state, "change", "1", notes, change, judged))
    allowed = _share(state.data.settings.get("allowed_change"), line.intercept)
    until = None if allowed is None else expiry(line, allowed, longest, one_sided=study.confidence)
    if until is not None:
        said = _expiry_notes(state, until, longest, study)
        further += said
        quantities.append(_quantity(state, "expiry", "day", [*notes, *said], until.expiry, None))
    shown = [_shown(state, line, study, time, allowed, until)]
    return _Found(quantities, _flags(state, line), [*notes, *further], shown, [_row(state, line, until)])


def _quantity(
    state: State, name: str, unit: str, notes: Sequence[str], estimate: OldEstimate, judged: OldEstimate | None
) -> Quantity:
    unit_is_run = state.line is not None and state.line.design == "run is the unit"
    return Quantity.from_estimate(
        f"{NAME}.{name}",
        state.name,
        estimate,
        unit=unit,
        worksheet=state.data.worksheet,
        readings=state.readings,
        judged=judged,
        unit_name="run means" if unit_is_run else "readings",
        notes=notes,
        censored=state.censored,
    )


def _share(limit: Limit | None, value: float) -> float | None:
    """A limit as a share of a value; None where there is no limit or the value is not above zero."""
    if limit is None or not value > 0:
        return None
    allowed = limit.value(value) / value
    return allowed if isfinite(allowed) and allowed > 0 else None


def _expiry_notes(state: State, until: ExpiryResult, longest: float, study: Study) -> list[str]:
    bound = f"one-sided {100 * study.confidence:g} % bound"
    if until.capped:
        return [
            f"The {bound} of the change of the state {state.quoted} stays within the allowed change up to the longest "
            f"age studied: the expiry is at least {level_text(longest)} days, and nothing is said of later ages."
        ]
    return [
        f"The expiry of the state {state.quoted} is the age at which the {bound} of the change meets the allowed "
        "change."
    ]


def _flags(state: State, line: StabilityLine) -> list[Flag]:
    """The largest studentised residual against its Bonferroni bound; a mean of a run is no single reading."""
    if line.design == "run is the unit" or line.degrees_of_freedom < 3 or not np.isfinite(line.studentised).any():
        return []
    sizes = np.nan_to_num(np.abs(line.studentised))
    index, critical = int(sizes.argmax()), studentised_critical(line.units, line.degrees_of_freedom)
    if sizes[index] <= critical:
        return []
    return [
        Flag(
            reading=state.readings[index],
            test="studentised residual of the line on age",
            statistic=float(sizes[index]),
            critical=critical,
            reason=f"The result at age {level_text(state.ages[index])} days lies apart from the line of the state "
            f"{state.quoted}.",
            at=state.name,
            worksheet=state.data.worksheet,
        )
    ]


def _shown(
    state: State,
    line: StabilityLine,
    study: Study,
    time: float | None,
    allowed: float | None,
    until: ExpiryResult | None,
) -> dict[str, Any]:
    table = state.data.table.iloc[list(state.rows)]
    points = [
        {"age": float(age), "result": float(result), "line": int(at), "reading": str(reading)}
        for age, result, at, reading in zip(table["age"], table["result"], table["line"], table["reading"], strict=True)
    ]
    longest = max(state.ages)
    curve = [] if study.looked_at_otherwise else _curve(line, longest, study.judged_confidence)
    return {
        "state": state.name,
        "points": points,
        "at_zero": line.intercept,
        "longest": longest,
        "planned_time": time,
        "curve": curve,
        "bound_at": study.confidence,
        "allowed": allowed,
        "expiry": None if until is None else until.expiry.value,
        "capped": None if until is None else until.capped,
    }


def _curve(line: StabilityLine, longest: float, confidence: float) -> list[list[float]]:
    """Age, line, and the line with the bounds of the change: what the expiry is read from."""
    found = []
    for age in np.linspace(0.0, longest, 26).tolist():
        change = line.change(age, confidence=confidence) if age > 0 else None
        low, high = (0.0, 0.0) if change is None or change.interval is None else change.interval
        exact = change is not None and change.interval is None
        middle = line.at(age)
        ends = (middle, middle) if exact else (line.intercept * (1 + low), line.intercept * (1 + high))
        found.append([float(age), middle, *ends])
    return found


def _row(state: State, line: StabilityLine, until: ExpiryResult | None) -> list[Any]:
    return [
        state.name,
        len(state.rows),
        line.units,
        line.design,
        line.intercept,
        line.slope,
        line.residual_sd,
        line.degrees_of_freedom,
        line.lack_of_fit_p,
        # Beyond the ages studied it would be an extrapolation.
        None if until is None or (until.line_meets or 0.0) > max(state.ages) else until.line_meets,
    ]


def _line_table(rows: Sequence[list[Any]]) -> list[dict[str, Any]]:
    if not rows:
        return []
    head = ["state", "readings", "units", "design", "value at age 0", "slope per day", "residual s", "df"]
    head += ["p of lack of fit", "line itself meets the limit at / day"]
    return [{"caption": "Lines of the result on age", "head": head, "rows": [list(row) for row in rows]}]


# Drift --------------------------------------------------------------------------------------------------------------


class _Drift:
    """Drift inside runs, from control or else from the precision experiment; drift between the runs of control."""

    def __init__(self, study: Study):
        self.study = study
        self.quantities: list[Quantity] = []
        self.notes: list[str] = []
        self.tables: list[dict[str, Any]] = []
        self.shown: dict[str, Any] | None = None
        planned = study.experiments.get("control")
        self.allowed: Limit | None = None if planned is None else planned.settings.get("allowed_drift")
        if not any(self._in_run(name) for name in ("control", "precision")):
            self.notes.append(
                "Drift inside a run cannot be told: it needs a worksheet control, or precision, with several readings "
                "of one material in a run, and their time or order."
            )
        control = study.ready("control")
        if control is not None:
            self._between_runs(control)
        if self.quantities and self.allowed is None:
            self.notes.append(NO_ALLOWED_DRIFT)

    def _in_run(self, experiment: str) -> bool:
        data = self.study.ready(experiment)
        order = None if data is None else run_order(data)
        if order is None:
            return False
        found = _within(order)
        if found is None or not found[0].scatter.max() > 0:
            return False
        cells, over = found
        drift, judged = (_at(over.mean, c) for c in (self.study.confidence, self.study.judged_confidence))
        unit, span = _clock(order)
        data = order.data
        notes = [_drift_note(experiment, cells, over, unit)]
        if data.censored:
            notes.append(f"{len(data.censored)} censored reading(s) of {data.worksheet} were left out.")
        readings = [str(data.table["reading"].iloc[int(row)]) for row in cells.positions]
        self._add("drift_in_run", experiment, f"1/{unit}", drift, judged, data, readings, "runs", notes)
        places = [place for place in {order.places[int(row)] for row in cells.positions} if place > 0]
        shares = [share for place in places if (share := _share(self.allowed, place)) is not None]
        if shares:
            self._interval(experiment, min(shares), judged, span, unit, data, readings)
        self.shown = _shown_drift(order, cells, over, drift.interval, experiment, unit)
        self.tables.append(_drift_table(order, over, experiment, unit))
        self.notes += notes
        return True

    def _between_runs(self, data: ExperimentData) -> None:
        means = _run_means(data)
        if means is None:
            self.notes.append("Drift between runs of the control worksheet needs the date of every reading.")
            return
        days, values = means
        try:
            line = stability_line(days, values)
        except ValueError:
            self.notes.append(
                "Drift between runs needs three runs or more of the control worksheet, on different days."
            )
            return
        change, judged = (line.change(1.0, confidence=c) for c in (self.study.confidence, self.study.judged_confidence))
        if change is None or judged is None:
            return
        note = (
            "Drift between runs holds the ageing of the check standard and whatever the calibration of each run does "
            "not take away."
        )
        readings = [str(reading) for reading in data.table["reading"]]
        self._add("drift_between_runs", "control", "1/day", change, judged, data, readings, "runs", [note])
        self.notes.append(note)
        share = _share(self.allowed, mean(data.exact["result"]))
        if share is not None:
            self._interval(BETWEEN, share, judged, max(days) - min(days), "day", data, readings)

    def _add(
        self,
        name: str,
        at: str,
        unit: str,
        estimate: OldEstimate,
        judged: OldEstimate | None,
        data: ExperimentData,
        readings: Sequence[str],
        unit_name: str,
        notes: Sequence[str],
    ) -> None:
        self.quantities.append(
            Quantity.from_estimate(
                f"{NAME}.{name}",
                at,
                estimate,
                unit=unit,
                worksheet=data.worksheet,
                readings=readings,
                judged=judged,
                unit_name=unit_name,
                notes=notes,
                censored=len(data.censored),
            )
        )

    def _interval(
        self,
        at: str,
        share: float,
        judged: OldEstimate,
        span: float,
        unit: str,
        data: ExperimentData,
        readings: Sequence[str],
    ) -> None:
        """The time in which the bound of the drift uses up what is allowed, never beyond the time looked at."""
        found = None if judged.interval is None else time_within(judged.interval, share)
        if found is None:
            self.notes.append(f"No calibration interval can be proposed for {at}: the drift has no interval.")
            return
        side = f"one-sided {100 * self.study.confidence:g} % bound"
        note = f"Time in which the {side} of the drift uses up the allowed {significant(100 * share, 3)} %."
        if found > span:
            note = (
                f"The {side} of the drift stays within the allowed {significant(100 * share, 3)} % for as long as was "
                f"looked at: the interval is at least {significant(span)} {unit}s."
            )
        estimate = OldEstimate(
            min(found, span), n=judged.n, units=judged.units, source="allowed drift over the bound of the drift"
        )
        self._add("calibration_interval", at, unit, estimate, None, data, readings, "runs", [note])
        self.notes.append(note)


def _clock(order: RunOrder) -> tuple[str, float]:
    """What drift is counted in, and how much of it the longest run holds."""
    if order.hours is not None:
        return "hour", max(order.hours)
    assert order.orders is not None, "run_order gives one of the two"
    return "reading", max(order.orders) - min(order.orders)


def _at(estimate: Estimate, level: float) -> OldEstimate:
    """The estimate with its interval at one level."""
    interval = estimate.interval(level)
    return OldEstimate(
        value=estimate.value,
        interval=interval,
        confidence=None if interval is None else level,
        standard_uncertainty=estimate.standard_uncertainty,
        degrees_of_freedom=estimate.degrees_of_freedom,
        n=estimate.n,
        units=estimate.units,
        notes=estimate.notes_at(level),
        source=estimate.source,
    )


def _within(order: RunOrder) -> tuple[WithinCellsResult, SlopeOverRunsResult] | None:
    """Relative drift: the result of a material regressed on its mean times the time in the run."""
    clock = order.hours if order.hours is not None else order.orders
    assert clock is not None, "run_order gives one of the two"
    covariate = [place * time for place, time in zip(order.places, clock, strict=True)]
    cells = within_cells(order.values, covariate, order.cells, order.places)
    return None if cells is None else (cells, slope_over_runs(cells, order.runs))


def _drift_note(experiment: str, cells: WithinCellsResult, over: SlopeOverRunsResult, unit: str) -> str:
    runs = "one run" if len(over.runs) == 1 else f"{len(over.runs)} runs"
    return (
        f"Drift inside a run from {experiment}: {len(cells.positions)} results of {runs}, the mean of each run and "
        f"material taken away; relative to the result, per {unit}."
    )


def _run_means(data: ExperimentData) -> tuple[list[float], list[float]] | None:
    """Days since the first run, and the mean of each run relative to its materials; None without every date."""
    times = {reading.reading: reading.time for reading in data.readings}
    stamps = [times[str(name)] for name in data.table["reading"]]
    known = [stamp for stamp in stamps if stamp is not None]
    if len(known) < len(stamps) or len({stamp.tzinfo is None for stamp in known}) > 1:
        return None
    start, values = min(known), data.exact["result"]
    levels = [str(level) for level in data.table["level"]] if "level" in data.table else [""] * len(values)
    middles = {
        level: mean([v for v, other in zip(values, levels, strict=True) if other == level]) for level in set(levels)
    }
    if min(middles.values()) <= 0:
        return None
    relative = [float(v / Decimal(middles[level])) for v, level in zip(values, levels, strict=True)]
    runs = [str(run) for run in data.table["run"]]
    days, means = [], []
    for run in dict.fromkeys(runs):
        rows = [row for row, other in enumerate(runs) if other == run]
        days.append(mean([(known[row] - start).total_seconds() / 86400 for row in rows]))
        means.append(mean([relative[row] for row in rows]))
    return days, means


def _shown_drift(
    order: RunOrder,
    cells: WithinCellsResult,
    over: SlopeOverRunsResult,
    interval: tuple[float, float] | None,
    experiment: str,
    unit: str,
) -> dict[str, Any]:
    clock = order.hours if order.hours is not None else order.orders
    assert clock is not None, "run_order gives one of the two"
    table = order.data.table
    points = [
        {
            "time": float(clock[int(row)]),
            "residual": float(deviation / scatter),
            "line": int(table["line"].iloc[int(row)]),
            "reading": str(table["reading"].iloc[int(row)]),
        }
        for row, deviation, scatter in zip(cells.positions, cells.deviations, cells.scatter, strict=True)
    ]
    runs = [
        {"run": order.names[run], "slope": slope, "error": error}
        for run, slope, error in zip(over.runs, over.slopes, over.errors, strict=True)
    ]
    return {
        "experiment": experiment,
        "unit": unit,
        "points": points,
        "runs": runs,
        "mean": over.mean.value,
        "interval": None if interval is None else list(interval),
    }


def _drift_table(order: RunOrder, over: SlopeOverRunsResult, experiment: str, unit: str) -> dict[str, Any]:
    rows = [
        [order.names[run], slope, error] for run, slope, error in zip(over.runs, over.slopes, over.errors, strict=True)
    ]
    head = ["run", f"relative drift per {unit}", "standard error"]
    return {"caption": f"Drift inside each run of {experiment}", "head": head, "rows": rows}


# What the chapter says ----------------------------------------------------------------------------------------------


def in_words(evaluation: Evaluation, unit: str) -> list[str]:
    """What was found, in sentences."""
    if evaluation.missing:
        return [evaluation.missing]
    said = [_state_in_words(evaluation, entry, unit) for entry in evaluation.details["states"]]
    drift = evaluation.details["drift"]
    if drift is not None:
        q = evaluation.get(f"{NAME}.drift_in_run", drift["experiment"])
        if q is not None and q.value is not None:
            count = len(drift["runs"])
            said.append(
                f"Inside a run of {drift['experiment']} results drift by {_percent(q)} per {drift['unit']}, "
                f"{'one run' if count == 1 else f'mean of {count} runs'}."
            )
    between = evaluation.get(f"{NAME}.drift_between_runs", "control")
    if between is not None and between.value is not None:
        said.append(f"Between runs the check standard drifts by {_percent(between)} per day.")
    intervals = [q for q in evaluation.quantities if q.key == f"{NAME}.calibration_interval" and q.value is not None]
    if intervals:
        times = [f"{significant(q.value or 0.0, 3)} {q.unit}s ({q.at})" for q in intervals]
        said.append(f"Proposed calibration interval: {sentence_list(times)}.")
    return said


def _state_in_words(evaluation: Evaluation, entry: dict[str, Any], unit: str) -> str:
    state = entry["state"]
    slope = evaluation.get(f"{NAME}.slope", state)
    change, until = evaluation.get(f"{NAME}.change", state), evaluation.get(f"{NAME}.expiry", state)
    said = f"{state[:1].upper()}{state[1:]}:"
    if change is not None and change.value is not None:
        said += f" over {level_text(entry['planned_time'])} days the value changes by {_percent(change)}."
    elif slope is not None and slope.value is not None:
        value, interval = with_interval(slope.value, slope.interval)
        said += f" the value changes by {value} {slope.unit}{f' (from {interval})' if interval else ''}."
    if until is not None and until.value is not None:
        days = significant(until.value, 3)
        limit = f"{significant(100 * entry['allowed'], 3)} %"
        if entry["capped"]:
            said += f" The change stays within {limit} up to {days} days, the longest age studied, at least."
        else:
            said += f" The {100 * entry['bound_at']:g} % bound of the change meets {limit} at {days} days."
    return said


def _percent(q: Quantity) -> str:
    """A share with its interval, in per cent."""
    value = 100 * (q.value or 0.0)
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
