"""Figures of the calibration chapter, drawn from its view alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures.style import BLUE, GREY, INK, VERMILION, dossier_style, new_figure
from validation.stats.intervals import Interval
from validation.study.model import Study
from validation.study.quantity import At, Evaluation, Quantity
from validation.words import level_text, sentence_list, significant, with_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Three figures of this height share a page.
_HEIGHT = 2.85


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One reading with its row of the worksheet; `residual` in result units, None where the line is level."""

    reading: str
    line: int
    order: float
    x: float
    response: float
    residual: float | None


@dataclass(frozen=True, slots=True)
class LevelError:
    """Mean error of a calibration at one level, in result units."""

    at: At
    x: float
    value: float
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class TriedCalibration:
    """A calibration that was not used, tried on the same readings; `worst` is its largest error within the range.

    `made_from` names its levels where it is made from one or two of them.
    """

    name: str
    made_from: tuple[At, ...]
    errors: tuple[LevelError, ...]
    worst: LevelError | None

    def named(self, unit: str = "") -> str:
        """ "two points, 0 and 10 %", as tables and sentences name it."""
        places = sentence_list([level_text(at) for at in self.made_from])
        return f"{self.name}, {places} {unit}".rstrip() if places else self.name


@dataclass(frozen=True, slots=True)
class CalibrationView:
    """What this chapter draws and puts into words.

    `intercept` and `slope` of the ordinary line are in response units; `spread` holds constant and slope of s(x) in
    result units; `places` are the levels with their mean reference values; `routine` is the level of the one-point
    calibration.
    """

    response_unit: str
    order_from: str
    points: tuple[CalibrationPoint, ...]
    intercept: float
    slope: float
    spread: tuple[float, float] | None
    places: tuple[tuple[At, float], ...]
    routine: At
    departures: tuple[Quantity, ...]
    single_point: tuple[Quantity, ...]
    tried: tuple[TriedCalibration, ...]

    @property
    def top(self) -> float:
        """The highest reference value."""
        return max(point.x for point in self.points)


def response_and_line(evaluation: Evaluation, study: Study) -> Figure:
    """Every response against its level, with the ordinary line."""
    view: CalibrationView = evaluation.display.view
    top, intercept, slope = view.top, view.intercept, view.slope
    title = "Responses and the ordinary straight line"
    if view.departures:
        size = significant(abs(_largest(view.departures).value), 2)
        title = f"The mean departs from the line by at most {size} {study.unit}"
    with dossier_style():
        figure, (axes,) = new_figure(height=_HEIGHT)
        axes.plot([0, top], [intercept, intercept + slope * top], color=INK, lw=0.8)
        x, y = [p.x for p in view.points], [p.response for p in view.points]
        axes.plot(x, y, "o", color=BLUE, mfc="none", mew=0.8)
        _rings(axes, evaluation, view.points, x, y)
        axes.annotate(
            f"{significant(intercept, 4)} + {significant(slope, 4)} × level",
            (0.62 * top, intercept + slope * 0.62 * top),
            xytext=(12, -16 if slope > 0 else 10),
            textcoords="offset points",
            fontsize=9,
            color=INK,
        )
        _level_axis(axes, study, top)
        axes.set_ylabel(f"response / {view.response_unit}")
        axes.set_title(title)
    return figure


def residuals(evaluation: Evaluation, study: Study) -> Figure | None:
    """Residuals about the ordinary line, in result units, by level and by order of measurement."""
    view: CalibrationView = evaluation.display.view
    y = [p.residual for p in view.points if p.residual is not None]
    if not y:
        return None
    top, spread = view.top, view.spread
    with dossier_style():
        figure, (left, right) = new_figure(1, 2, height=_HEIGHT)
        for axes, x in ((left, [p.x for p in view.points]), (right, [p.order for p in view.points])):
            axes.axhline(0, color=INK, lw=0.6)
            axes.plot(x, y, "o", color=BLUE, mfc="none", mew=0.8)
            _rings(axes, evaluation, view.points, x, y)
        title = "Residuals about the ordinary line, by level and by order"
        if spread is not None:
            low, high = spread[0], spread[0] + spread[1] * top
            for sign in (2, -2):
                left.plot([0, top], [sign * low, sign * high], color=GREY, lw=0.8, ls="--")
            left.annotate("2 s(x)", (top, 2 * high), fontsize=9, color=GREY, ha="right", va="bottom")
            grows = f"from {significant(low, 2)} at level 0 to {significant(high, 2)} {study.unit}"
            title = f"The spread goes {grows} at {level_text(top)}"
        _level_axis(left, study, top)
        left.set_ylabel(f"residual / {study.unit}")
        right.set_xlabel(f"order ({view.order_from})")
        right.tick_params(labelleft=False)
        right.set_ylim(left.get_ylim())
        left.set_title(title)
    return figure


def departure_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Departure from the ordinary line by level, with intervals and the required limit."""
    view: CalibrationView = evaluation.display.view
    if not view.departures:
        return None
    worst = _largest(view.departures)
    title = f"The line is missed most at {level_text(worst.at)} {study.unit}: {_rounded(worst)} {study.unit}"
    return _by_level(view, study, view.departures, title, f"back-calculated minus level / {study.unit}")


def single_point_bias_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Error of the one-point calibration by level, with intervals, the required limit and the routine standard."""
    view: CalibrationView = evaluation.display.view
    if not view.single_point:
        return None
    worst = _largest(view.single_point)
    title = f"One point through zero errs most at {level_text(worst.at)} {study.unit}: {_rounded(worst)} {study.unit}"
    figure = _by_level(view, study, view.single_point, title, f"one-point result minus level / {study.unit}")
    at = dict(view.places).get(view.routine)
    if at is not None:
        with dossier_style():
            axes = figure.axes[0]
            axes.plot([at], [0], "D", color=INK, ms=6)
            low, high = axes.get_ylim()
            axes.annotate(
                "routine standard",
                (at, 0),
                xytext=(at, low + 0.94 * (high - low)),
                fontsize=9,
                ha="center",
                arrowprops={"arrowstyle": "-", "lw": 0.5, "color": GREY},
            )
    return figure


def other_calibrations(evaluation: Evaluation, study: Study) -> Figure | None:
    """What other calibrations would have given on the same readings: error by level, one panel a calibration."""
    view: CalibrationView = evaluation.display.view
    tried = view.tried
    if len(tried) < 2:
        return None
    rows = -(-len(tried) // 2)
    places = {error.x for one in tried for error in one.errors}
    with dossier_style():
        figure, panels = new_figure(rows, 2, height=0.75 + 1.35 * rows, sharex=True, sharey=True)
        for axes, one in zip(panels, tried, strict=False):
            _tried(axes, one, study.unit)
            _limits(axes, study, "calibration.single_point_bias", sorted(places), named=one is tried[0])
            axes.set_xlim(-0.03 * max(places), 1.05 * max(places))
        for axes in panels[len(tried) :]:
            axes.set_visible(False)
        figure.supylabel(f"back-calculated minus level / {study.unit}", fontsize=10)
        bars = f"bars: {100 * study.confidence:.4g} % interval; open: zero by construction"
        figure.supxlabel(f"level / {study.unit}; {bars}", fontsize=10)
        figure.suptitle(
            "What another calibration would have given on the same readings",
            x=0.01, ha="left", fontsize=11, fontweight="bold",
        )  # fmt: skip
    return figure


def _tried(axes: Axes, one: TriedCalibration, unit: str) -> None:
    """The mean error of one calibration at each level; an open point is zero by construction."""
    axes.axhline(0, color=INK, lw=0.6)
    for error in one.errors:
        made = error.at in one.made_from
        if error.interval is not None and not made:
            axes.plot([error.x] * 2, error.interval, color=BLUE, lw=1.2)
        axes.plot([error.x], [error.value], "o", color=BLUE, mfc="white" if made else BLUE)
    axes.set_title(one.named(unit), fontsize=9, fontweight="normal")


def _by_level(view: CalibrationView, study: Study, quantities: Sequence[Quantity], title: str, label: str) -> Figure:
    places = dict(view.places)
    with dossier_style():
        figure, (axes,) = new_figure(height=_HEIGHT)
        axes.axhline(0, color=INK, lw=0.6)
        for q in quantities:
            x = places[q.at]
            if q.interval is not None:
                axes.plot([x, x], list(q.interval), color=BLUE, lw=1.2)
            axes.plot([x], [q.value], "o", color=BLUE)
        _limits(axes, study, quantities[0].key, [places[q.at] for q in quantities])
        _level_axis(axes, study, max(places.values()))
        axes.set_ylabel(label)
        axes.set_title(title)
        if any(q.interval is not None for q in quantities):
            axes.set_xlabel(f"{axes.get_xlabel()}; bars: {100 * study.confidence:.4g} % interval")
    return figure


def _limits(axes: Axes, study: Study, key: str, levels: Sequence[float], *, named: bool = True) -> None:
    """The equivalence limits that the plan sets on this key, as thin lines about their target."""
    low, high = study.plan.study.range
    for requirement in study.plan.requirements:
        if requirement.quantity != key or requirement.rule != "equivalence":
            continue
        if requirement.at is None:
            at = sorted(level for level in levels if low <= level <= high)
        else:
            at = [level for level in levels if level == requirement.at]
        if not at:
            continue
        sizes = [requirement.limit.value(level) for level in at]
        for sign in (1, -1):
            ends = [requirement.target + sign * size for size in sizes]
            axes.plot(at, ends, color=VERMILION, lw=0.8, ls="--", marker="_" if len(at) == 1 else None)
        if not named:
            continue
        axes.annotate(
            f"limit ({requirement.id})",
            (at[-1], requirement.target + sizes[-1]),
            xytext=(0, 3),
            textcoords="offset points",
            fontsize=9,
            color=VERMILION,
            ha="right",
        )


def _rings(
    axes: Axes,
    evaluation: Evaluation,
    points: Sequence[CalibrationPoint],
    x: Sequence[float],
    y: Sequence[float],
) -> None:
    """A ring and the worksheet row at every flagged reading."""
    flagged = {flag.reading for flag in evaluation.flags}
    for point, at, value in zip(points, x, y, strict=True):
        if point.reading in flagged:
            axes.plot([at], [value], "o", ms=10, mfc="none", mec=VERMILION, mew=1.0)
            axes.annotate(f"row {point.line}", (at, value), xytext=(7, 4), textcoords="offset points", fontsize=8)


def _level_axis(axes: Axes, study: Study, top: float) -> None:
    axes.set_xlim(-0.03 * top, 1.05 * top)
    axes.set_xlabel(f"level / {study.unit}")


def _largest(quantities: Sequence[Quantity]) -> Quantity:
    return max(quantities, key=lambda q: abs(q.value))


def _rounded(q: Quantity) -> str:
    return with_interval(q.value, q.interval)[0]
