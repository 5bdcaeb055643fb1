"""Drift of the measurement itself: inside runs, between the runs of the check standard, and how long it is allowed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from validation.characteristics._run_order import RunOrder, run_order
from validation.characteristics.stability.ageing import share
from validation.figures.stability import DriftInRun, RunDrift
from validation.stats.estimate import Estimate, mean
from validation.stats.stability import stability_line, time_within
from validation.stats.within_cells import SlopeOverRunsResult, WithinCellsResult, slope_over_runs, within_cells
from validation.study.grammar import Limit
from validation.study.model import ExperimentData, Study
from validation.study.quantity import Quantity, Table
from validation.words import counted, significant

BETWEEN = "control, between runs"
NO_ALLOWED_DRIFT = "The plan states no control.allowed_drift: no calibration interval is proposed."
NO_ORDER = (
    "Drift inside a run cannot be estimated: it needs a worksheet control, or precision, with several readings "
    "of one material in a run, and their time or order."
)
NO_DATES = "Drift between runs of the control worksheet needs the date of every reading."
FEW_RUNS = "Drift between runs needs three runs or more of the control worksheet, on different days."
AGEING_TOO = (
    "Drift between runs holds the ageing of the check standard and whatever the calibration of each run does not take "
    "away."
)


@dataclass(frozen=True)
class Drift:
    """What is known of the drift of one kind: quantities and sentences; inside runs also the runs it comes from."""

    quantities: tuple[Quantity, ...] = ()
    notes: tuple[str, ...] = ()
    runs: InRun | None = None


@dataclass(frozen=True)
class InRun:
    """The regression inside the runs of one experiment; `unit` is what the drift is counted in, hour or reading."""

    experiment: str
    order: RunOrder
    cells: WithinCellsResult
    over: SlopeOverRunsResult

    @property
    def unit(self) -> str:
        return "reading" if self.order.hours is None else "hour"

    @property
    def span(self) -> float:
        """How much of the unit the longest run holds."""
        times = clock(self.order)
        return max(times) - (0.0 if self.order.hours is not None else min(times))

    @property
    def readings(self) -> list[str]:
        return [self.order.data.identifiers[row] for row in self.cells.positions]

    @property
    def note(self) -> str:
        runs = "one run" if len(self.over.runs) == 1 else f"{len(self.over.runs)} runs"
        return (
            f"Drift inside a run from {self.experiment}: {len(self.cells.positions)} results of {runs}, the mean of "
            f"each run and material taken away; relative to the result, per {self.unit}."
        )


def drifts(study: Study) -> Drift:
    """Drift inside runs, from control or else from the precision experiment, then between the runs of control."""
    planned = study.experiments.get("control")
    allowed: Limit | None = None if planned is None else planned.settings.get("allowed_drift")
    inside = next((item for name in ("control", "precision") if (item := _in_run(study, name)) is not None), None)
    first = Drift(notes=(NO_ORDER,)) if inside is None else _drift_in_run(inside, study, allowed)
    control = study.ready("control")
    second = Drift() if control is None else _between_runs(control, study, allowed)
    quantities = (*first.quantities, *second.quantities)
    more = (NO_ALLOWED_DRIFT,) if quantities and allowed is None else ()
    return Drift(quantities, (*first.notes, *second.notes, *more), inside)


def clock(order: RunOrder) -> tuple[float, ...]:
    """Hours since the first reading of the run, else places in it."""
    times = order.hours if order.hours is not None else order.orders
    assert times is not None, "run_order gives one of the two"
    return times


# Inside runs --------------------------------------------------------------------------------------------------------


def _in_run(study: Study, experiment: str) -> InRun | None:
    """Relative drift: the result of a material regressed on its mean times the time in the run."""
    data = study.ready(experiment)
    order = None if data is None else run_order(data)
    if order is None:
        return None
    covariate = [place * time for place, time in zip(order.places, clock(order), strict=True)]
    cells = within_cells(order.values, covariate, order.cells, order.places)
    if cells is None or not cells.scatter.max() > 0:
        return None
    return InRun(experiment, order, cells, slope_over_runs(cells, order.runs))


def _drift_in_run(inside: InRun, study: Study, allowed: Limit | None) -> Drift:
    data, cells, places = inside.order.data, inside.cells, inside.order.places
    notes = [inside.note]
    if data.censored:
        count = len(data.censored)
        were = "was" if count == 1 else "were"
        notes.append(f"{counted(count, 'censored reading')} of {data.worksheet} {were} left out.")
    place = _Place(inside.experiment, data, inside.readings, study)
    drift = place.quantity("drift_in_run", f"1/{inside.unit}", inside.over.mean, *notes)
    shares = [share(allowed, places[int(row)]) for row in cells.positions if places[int(row)] > 0]
    held = [item for item in shares if item is not None]
    time = place.calibration_interval(drift, min(held), inside.span, inside.unit) if held else Drift()
    return Drift((drift, *time.quantities), (*time.notes, *notes))


def drift_view(inside: InRun, level: float) -> DriftInRun:
    """What the figure and the words need of the drift inside runs, its interval at `level`."""
    cells, over, times = inside.cells, inside.over, clock(inside.order)
    points = zip(cells.positions, cells.deviations, cells.scatter, strict=True)
    runs = zip(over.runs, over.slopes, over.errors, strict=True)
    return DriftInRun(
        inside.experiment,
        inside.unit,
        tuple((float(times[int(row)]), float(deviation / scatter)) for row, deviation, scatter in points),
        tuple(RunDrift(inside.order.names[run], slope, error) for run, slope, error in runs),
        over.mean.value,
        over.mean.interval(level),
    )


def drift_table(inside: InRun) -> Table:
    """The drift of each run."""
    over = inside.over
    rows = tuple(zip((inside.order.names[run] for run in over.runs), over.slopes, over.errors, strict=True))
    head = ("run", f"relative drift per {inside.unit}", "standard error")
    return Table("drift by run", f"Drift inside each run of {inside.experiment}", head, rows)


# Between runs -------------------------------------------------------------------------------------------------------


def _between_runs(data: ExperimentData, study: Study, allowed: Limit | None) -> Drift:
    means = _run_means(data)
    if means is None:
        return Drift(notes=(NO_DATES,))
    days, values = means
    try:
        change = stability_line(days, values).change(1.0)
    except ValueError:
        return Drift(notes=(FEW_RUNS,))
    if change is None:
        return Drift()
    readings = [str(reading) for reading in data.table["reading"]]
    drift = _Place("control", data, readings, study).quantity("drift_between_runs", "1/day", change, AGEING_TOO)
    limit = share(allowed, mean(data.exact["result"]))
    if limit is None:
        return Drift((drift,), (AGEING_TOO,))
    place = _Place(BETWEEN, data, readings, study)
    time = place.calibration_interval(drift, limit, max(days) - min(days), "day")
    return Drift((drift, *time.quantities), (AGEING_TOO, *time.notes))


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


# Quantities ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Place:
    """Where quantities of drift belong: their place in the study and the readings behind them."""

    at: str
    data: ExperimentData
    readings: Sequence[str]
    study: Study

    def quantity(self, name: str, unit: str, estimate: Estimate, *notes: str) -> Quantity:
        return Quantity(
            key=f"stability.{name}",
            at=self.at,
            estimate=estimate.with_notes(*notes),
            level=self.study.confidence,
            unit=unit,
            worksheet=self.data.worksheet,
            readings=tuple(self.readings),
            unit_name="runs",
            censored=len(self.data.censored),
        )

    def calibration_interval(self, drift: Quantity, allowed: float, span: float, unit: str) -> Drift:
        """The time in which the bound of the drift uses up what is allowed, never beyond the time looked at."""
        time = None if drift.judged_interval is None else time_within(drift.judged_interval, allowed)
        if time is None:
            return Drift(notes=(f"No calibration interval can be proposed for {self.at}: the drift has no interval.",))
        side, limit = f"one-sided {100 * self.study.confidence:g} % bound", f"{significant(100 * allowed, 3)} %"
        note = f"Time in which the {side} of the drift uses up the allowed {limit}."
        if time > span:
            note = (
                f"The {side} of the drift stays within the allowed {limit} for as long as was looked at: the interval "
                f"is at least {significant(span)} {unit}s."
            )
        estimate = Estimate(
            min(time, span), n=drift.n, units=drift.units, source="allowed drift over the bound of the drift"
        )
        return Drift((self.quantity("calibration_interval", unit, estimate, note),), (note,))
