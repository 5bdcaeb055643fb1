"""Figures of the chapter on stability."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from validation.figures._levels import ring
from validation.figures.style import BLUE, GREY, INK, SKY, VERMILION, WIDTH, dossier_style, new_figure
from validation.stats.intervals import Interval
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, level_text, places_for, significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Keeps a label readable where points are under it.
_GROUND: Any = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5}


@dataclass(frozen=True, slots=True)
class AgedResult:
    """One result with its age in days and its row of the worksheet."""

    reading: str
    line: int
    age: float
    result: float


@dataclass(frozen=True, slots=True)
class Curve:
    """The line over the ages in days, with the bounds of the change: what the expiry is read from."""

    ages: tuple[float, ...]
    line: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class StateAges:
    """One state: its results, its line, and what is allowed and shown of its change.

    `at_zero` is the fitted value at age 0, `longest` the longest age; `allowed` a share of `at_zero`, `bound_at` the
    level of the one-sided bounds; `expiry` in days, `capped` where it is the longest age studied.
    """

    name: str
    points: tuple[AgedResult, ...]
    curve: Curve
    at_zero: float
    longest: float
    planned_time: float | None
    bound_at: float
    allowed: float | None
    expiry: float | None
    capped: bool

    @property
    def allowed_text(self) -> str:
        return "" if self.allowed is None else f"{significant(100 * self.allowed, 3)} %"


@dataclass(frozen=True, slots=True)
class RunDrift:
    """The relative drift of one run and its standard error."""

    run: str
    slope: float
    error: float


@dataclass(frozen=True, slots=True)
class DriftInRun:
    """Drift inside the runs of one experiment, relative, per `unit` ("hour" or "reading").

    `points` hold the time in the run and the residual over its standard deviation, one a reading.
    """

    experiment: str
    unit: str
    points: tuple[tuple[float, float], ...]
    runs: tuple[RunDrift, ...]
    mean: float
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class StabilityView:
    """What this chapter draws and says."""

    states: tuple[StateAges, ...]
    drift: DriftInRun | None


def result_by_age(evaluation: Evaluation, study: Study) -> Figure | None:
    """Results against age with the line, the bounds of the change, the allowed change and the expiry."""
    view: StabilityView = evaluation.display.view
    if not view.states:
        return None
    flagged = {flag.reading for flag in evaluation.flags}
    columns = min(2, len(view.states))
    rows = -(-len(view.states) // columns)
    alike = len({state.at_zero > 0 for state in view.states}) == 1
    with dossier_style():
        figure, panels = new_figure(rows, columns, height=0.8 + 2.0 * rows, sharey=alike)
        for axes, state in zip(panels, view.states, strict=False):
            _by_age(axes, state, flagged)
        for axes in panels[len(view.states) :]:
            axes.set_visible(False)
        for axes in panels[::columns]:
            axes.set_ylabel(f"result / {study.unit}")
        figure.supxlabel("age / day", fontsize=10)
        figure.suptitle(_age_title(view.states), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _by_age(axes: Axes, state: StateAges, flagged: set[str]) -> None:
    curve = state.curve
    axes.fill_between(curve.ages, curve.low, curve.high, color=SKY, alpha=0.25, lw=0)
    axes.plot(curve.ages, curve.line, color=INK, lw=1.0)
    for point in state.points:
        axes.plot([point.age], [point.result], lw=0, marker="o", ms=4, mfc="none", mec=BLUE)
        if point.reading in flagged:
            ring(axes, point.age, point.result, point.line)
    axes.set_xlim(-0.04 * state.longest, 1.04 * state.longest)
    if state.allowed is not None:
        _allowed_lines(axes, state.at_zero, state.allowed)
    if state.expiry is not None and not state.capped:
        _expiry_line(axes, state.expiry, state.longest)
    axes.set_title(
        f"{state.name}; ground: one-sided {100 * state.bound_at:g} % bounds", fontsize=9, fontweight="normal"
    )


def _allowed_lines(axes: Axes, at_zero: float, allowed: float) -> None:
    for sign in (-1, 1):
        axes.axhline(at_zero * (1 + sign * allowed), color=VERMILION, lw=0.9, ls="-.")
    axes.annotate(
        "allowed change",
        (1.0, at_zero * (1 + allowed)),
        xycoords=("axes fraction", "data"),
        xytext=(-2, 3),
        textcoords="offset points",
        ha="right",
        color=VERMILION,
        fontsize=8.5,
        bbox=_GROUND,
    )


def _expiry_line(axes: Axes, expiry: float, longest: float) -> None:
    axes.axvline(expiry, color=INK, lw=0.8, ls=":")
    late = expiry > 0.7 * longest
    axes.annotate(
        f"expiry\n{significant(expiry, 3)} days",
        (expiry, 0.0),
        xycoords=("data", "axes fraction"),
        xytext=(-4 if late else 4, 4),
        textcoords="offset points",
        ha="right" if late else "left",
        fontsize=8.5,
        bbox=_GROUND,
    )


def _age_title(states: Sequence[StateAges]) -> str:
    ends = [(state.expiry, state) for state in states if state.expiry is not None]
    if not ends:
        return f"Results against age: {', '.join(state.name for state in states)}"
    expiry, shortest = min(ends, key=lambda pair: pair[0])
    allowed = shortest.allowed_text
    if shortest.capped:
        return f"The change stays within {allowed} up to {level_text(shortest.longest)} days in every state"
    name = shortest.name
    return f"{name[:1].upper()}{name[1:]}, the bound of the change meets {allowed} at {significant(expiry, 3)} days"


def drift(evaluation: Evaluation, study: Study) -> Figure | None:
    """Residuals against the time in the run, and the drift of each run with the mean over runs."""
    from matplotlib.figure import Figure

    del study  # every figure has the same name
    view: StabilityView = evaluation.display.view
    drawn = view.drift
    if drawn is None:
        return None
    times, residuals = zip(*drawn.points, strict=True)
    with dossier_style():
        figure = Figure(figsize=(WIDTH, 3.0), layout="constrained")
        left, right = figure.subplots(1, 2, gridspec_kw={"wspace": 0.08})
        left.axhline(0, color=INK, lw=0.6)
        left.plot(times, residuals, lw=0, marker="o", ms=3, mfc="none", mec=GREY, mew=0.7)
        left.set_xlabel("time in the run / hour" if drawn.unit == "hour" else "place in the run")
        left.set_ylabel("residual / its standard deviation")
        _runs(right, drawn)
        figure.suptitle(_drift_title(drawn), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _runs(axes: Axes, drawn: DriftInRun) -> None:
    axes.axhline(0, color=INK, lw=0.6)
    for place, run in enumerate(drawn.runs):
        value, error = 100 * run.slope, 100 * run.error
        axes.plot([place, place], [value - error, value + error], color=GREY, lw=0.9)
        axes.plot([place], [value], marker="o", mfc="none", mec=BLUE, lw=0)
    end = len(drawn.runs)
    if drawn.interval is not None:
        low, high = (100 * value for value in drawn.interval)
        axes.plot([end, end], [low, high], color=INK, lw=1.2, marker="_", ms=6)
    axes.plot([end], [100 * drawn.mean], color=INK, marker="D", ms=5)
    axes.set_xticks(range(end + 1), [*(run.run for run in drawn.runs), "mean"], rotation=90 if end > 8 else 0)
    axes.set_xlabel("run (bar: standard error; mean: interval)")
    axes.set_ylabel(f"drift / (% per {drawn.unit})")


def _drift_title(drawn: DriftInRun) -> str:
    value, unit = 100 * drawn.mean, drawn.unit
    if drawn.interval is None:
        return f"Drift inside a run of {drawn.experiment}: {significant(value, 2)} % per {unit}"
    low, high = (100 * end for end in drawn.interval)
    places = places_for((high - low) / 4)
    ends = f"{fixed(low, places)} % to {fixed(high, places)} %"
    return f"Drift inside a run of {drawn.experiment}: {fixed(value, places)} % per {unit} ({ends})"
