"""Change with age, state by state: the line, the change over the planned time, the expiry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

from validation.figures.stability import AgedResult, Curve, StateAges
from validation.stats.estimate import Estimate
from validation.stats.stability import ExpiryResult, StabilityLine, expiry, stability_line, studentised_critical
from validation.study.grammar import Limit
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Cell, Flag, Quantity, Table
from validation.words import counted, level_text, p_value

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
    def longest(self) -> float:
        return max(self.ages)

    @property
    def readings(self) -> list[str]:
        return [self.data.identifiers[row] for row in self.rows]

    @property
    def planned_time(self) -> float | None:
        return self.data.settings.get("planned_time")

    @property
    def allowed(self) -> float | None:
        """The allowed change as a share of the value at age 0."""
        return None if self.line is None else share(self.data.settings.get("allowed_change"), self.line.intercept)


@dataclass(frozen=True)
class Ageing:
    """What one state shows: its line, the quantities, the expiry where one is asked for, flags and sentences."""

    state: State
    line: StabilityLine
    until: ExpiryResult | None
    quantities: tuple[Quantity, ...]
    flags: tuple[Flag, ...]
    notes: tuple[str, ...]


def states_of(data: ExperimentData) -> list[State]:
    """The states in order of appearance; several levels are never put on one line."""
    table = data.table
    states = [str(state) for state in table["state"]]
    levels = [str(level) for level in table["level"]] if "level" in table else [""] * len(table)
    several = len(set(levels)) > 1
    names = [f"{state}, level {level}" if several else state for state, level in zip(states, levels, strict=True)]
    result = []
    for name in dict.fromkeys(names):
        rows = [row for row, other in enumerate(names) if other == name]
        runs = [str(run) for run in table["run"].iloc[rows]] if "run" in table else None
        try:
            line = stability_line([float(a) for a in table["age"].iloc[rows]], data.decimals("result", rows), runs)
        except ValueError:
            line = None
        result.append(State(name, tuple(rows), data, line, data.censored_at("state", states[rows[0]])))
    return result


def ageing(state: State, study: Study) -> Ageing | str:
    """Slope, change and expiry of one state; the sentence that says why where no line is possible."""
    line = state.line
    if line is None:
        return (
            f"No line can be fitted to the state {state.quoted}: it needs two ages or more, and more readings (where "
            "each age has a run of its own: three ages or more)."
        )
    notes = _notes(state, line)
    quantities = [_quantity(state, study, "slope", f"{study.unit}/day", line.slope_estimate(), notes)]
    further = []
    time = state.planned_time
    if time is not None and time > state.longest:
        further.append(
            f"The planned time of {level_text(time)} days lies beyond the longest age of the state {state.quoted}, "
            f"{level_text(state.longest)} days: the change over it would be an extrapolation and is not given."
        )
    elif time is not None and (change := line.change(time)) is not None:
        quantities.append(_quantity(state, study, "change", "1", change, notes))
    allowed = state.allowed
    until = None if allowed is None else expiry(line, allowed, state.longest, one_sided=study.confidence)
    if until is not None:
        further.append(_expiry_note(state, until, study))
        quantities.append(_quantity(state, study, "expiry", "day", until.expiry, [*notes, further[-1]]))
    return Ageing(state, line, until, tuple(quantities), _flags(state, line), (*notes, *further))


def _notes(state: State, line: StabilityLine) -> list[str]:
    notes = [_DESIGNS[line.design].format(state=state.quoted, units=line.units)]
    if line.lack_of_fit_p is not None and line.lack_of_fit_p < 0.05:
        notes.append(
            f"The results of the state {state.quoted} depart from a straight line (p = {p_value(line.lack_of_fit_p)}): "
            "look at the figure before the change is used."
        )
    if state.censored:
        were = "was" if state.censored == 1 else "were"
        notes.append(f"{counted(state.censored, 'censored reading')} of the state {state.quoted} {were} left out.")
    return notes


def _quantity(state: State, study: Study, name: str, unit: str, estimate: Estimate, notes: Sequence[str]) -> Quantity:
    unit_is_run = state.line is not None and state.line.design == "run is the unit"
    return Quantity(
        key=f"stability.{name}",
        at=state.name,
        estimate=estimate.with_notes(*notes),
        level=study.confidence,
        unit=unit,
        worksheet=state.data.worksheet,
        readings=tuple(state.readings),
        unit_name="run means" if unit_is_run else "readings",
        censored=state.censored,
    )


def share(limit: Limit | None, value: float) -> float | None:
    """A limit as a share of a value; None where there is no limit or the value is not above zero."""
    if limit is None or not value > 0:
        return None
    allowed = limit.value(value) / value
    return allowed if isfinite(allowed) and allowed > 0 else None


def _expiry_note(state: State, until: ExpiryResult, study: Study) -> str:
    bound = f"one-sided {100 * study.confidence:g} % bound"
    if until.capped:
        return (
            f"The {bound} of the change of the state {state.quoted} stays within the allowed change up to the longest "
            f"age studied: the expiry is at least {level_text(state.longest)} days, and later ages were not tested."
        )
    return (
        f"The expiry of the state {state.quoted} is the age at which the {bound} of the change meets the allowed "
        "change."
    )


def _flags(state: State, line: StabilityLine) -> tuple[Flag, ...]:
    """The largest studentised residual against its Bonferroni bound; a mean of a run is no single reading."""
    if line.design == "run is the unit" or line.degrees_of_freedom < 3 or not np.isfinite(line.studentised).any():
        return ()
    sizes = np.nan_to_num(np.abs(line.studentised))
    index, critical = int(sizes.argmax()), studentised_critical(line.units, line.degrees_of_freedom)
    if sizes[index] <= critical:
        return ()
    flag = Flag(
        reading=state.readings[index],
        test="studentised residual of the line on age",
        statistic=float(sizes[index]),
        critical=critical,
        reason=f"The result at age {level_text(state.ages[index])} days lies apart from the line of the state "
        f"{state.quoted}.",
        at=state.name,
        worksheet=state.data.worksheet,
    )
    return (flag,)


def state_view(item: Ageing, study: Study) -> StateAges:
    """What the figure and the words need of one state."""
    state, until = item.state, item.until
    table = state.data.table.iloc[list(state.rows)]
    columns = zip(table["reading"], table["line"], table["age"], table["result"], strict=True)
    return StateAges(
        name=state.name,
        points=tuple(AgedResult(str(reading), int(row), float(age), float(y)) for reading, row, age, y in columns),
        curve=_curve(item.line, state.longest, study.judged_confidence),
        at_zero=item.line.intercept,
        longest=state.longest,
        planned_time=state.planned_time,
        bound_at=study.confidence,
        allowed=state.allowed,
        expiry=None if until is None else until.expiry.value,
        capped=until is not None and until.capped,
    )


def _curve(line: StabilityLine, longest: float, level: float) -> Curve:
    """The line, and the line with the bounds of the change; the line alone where it has no bounds."""
    ages = np.linspace(0.0, longest, 26).tolist()
    ends = []
    for age in ages:
        change = line.change(age) if age > 0 else None
        interval = None if change is None else change.interval(level)
        if change is not None and interval is None:
            ends.append((line.at(age), line.at(age)))
        else:
            low, high = interval or (0.0, 0.0)
            ends.append((line.intercept * (1 + low), line.intercept * (1 + high)))
    lows, highs = zip(*ends, strict=True)
    return Curve(tuple(ages), tuple(line.at(age) for age in ages), lows, highs)


def line_table(items: Sequence[Ageing]) -> tuple[Table, ...]:
    """The lines side by side; no table without one."""
    if not items:
        return ()
    head = ["state", "readings", "units", "design", "value at age 0", "slope per day", "residual s", "df"]
    head += ["p of lack of fit", "line itself meets the limit at / day"]
    return (Table("lines", "Lines of the result on age", tuple(head), tuple(_row(item) for item in items)),)


def _row(item: Ageing) -> tuple[Cell, ...]:
    line, until = item.line, item.until
    return (
        item.state.name,
        len(item.state.rows),
        line.units,
        line.design,
        line.intercept,
        line.slope,
        line.residual_sd,
        line.degrees_of_freedom,
        line.lack_of_fit_p,
        # Beyond the ages studied it would be an extrapolation.
        None if until is None or (until.line_meets or 0.0) > item.state.longest else until.line_meets,
    )
