"""Figures of the chapter on measurement uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures._levels import end_label, interval_bars, level_axis, named
from validation.figures.style import BLUE, GREY, INK, ORANGE, dossier_style, new_figure
from validation.stats.intervals import Interval
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, places_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LOW = 2.75  # inches


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of the map of the two budgets."""

    name: str
    top_down: float | None
    bottom_up: float | None


@dataclass(frozen=True, slots=True)
class LevelUncertainty:
    """Both budgets at one level; `bias_dominates`: the bias makes up more than half of the variance."""

    at: float
    combined: float
    interval: Interval | None
    measured_part: float
    bottom_up: float | None
    bias_dominates: bool


@dataclass(frozen=True, slots=True)
class Curve:
    """The fitted function u(x)."""

    x: tuple[float, ...]
    u: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class UncertaintyView:
    """What this chapter draws, and its sentences. `lines` are those of the map at the level `focus`."""

    focus: float
    lines: tuple[BudgetLine, ...]
    levels: tuple[LevelUncertainty, ...]
    function: Curve | None
    sentences: tuple[str, ...]


def budget_parts(evaluation: Evaluation, study: Study) -> Figure | None:
    """The lines of the map at one level: top-down and bottom-up bars side by side, the totals below."""
    view: UncertaintyView = evaluation.display.view
    whole = next(level for level in view.levels if level.at == view.focus)
    if not view.lines or not whole.combined:
        return None
    unit, focus = study.unit, view.focus
    rows = [(line.name, line.top_down, line.bottom_up) for line in view.lines]
    rows.append(("all together", whole.combined, whole.bottom_up))
    with dossier_style():
        figure, (axes,) = new_figure(height=0.36 * len(rows) + 1.0)
        for row, (_, top_down, bottom_up) in enumerate(rows):
            _bar(axes, row - 0.17, top_down, BLUE, "")
            _bar(axes, row + 0.17, bottom_up, ORANGE, "////")
        axes.axhline(len(rows) - 1.5, color=GREY, lw=0.6)
        widest = max(value for _, *values in rows for value in values if value is not None)
        places = places_for(whole.combined) + 1
        for row, (_, top_down, bottom_up) in enumerate(rows):
            _value(axes, row - 0.17, top_down, places, widest, "top-down" if row == len(rows) - 1 else "")
            _value(axes, row + 0.17, bottom_up, places, widest, "bottom-up" if row == len(rows) - 1 else "")
        axes.set_yticks(range(len(rows)), [name for name, _, _ in rows])
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_xlim(0, 1.3 * widest)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel(f"standard uncertainty at {named(focus, unit)} / {unit}")
        largest = max(view.lines, key=lambda line: line.top_down or 0.0)
        figure.suptitle(
            f"At {named(focus, unit)} the largest part of the uncertainty is the {largest.name}",
            x=0.01,
            ha="left",
            fontsize=11,
            fontweight="bold",
        )
    return figure


def _bar(axes: Axes, at: float, value: float | None, color: str, hatch: str) -> None:
    if value is not None:
        face = "none" if hatch else color
        axes.barh(at, value, height=0.3, color=face, edgecolor=color, hatch=hatch, lw=0.7)


def _value(axes: Axes, at: float, value: float | None, places: int, widest: float, name: str) -> None:
    text = "none" if value is None else fixed(value, places)
    label = f"{text}  {name}" if name else text
    axes.text((value or 0.0) + 0.01 * widest, at, label, va="center", fontsize=8, color=INK)


def uncertainty_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Combined uncertainty with its interval at each level, the fitted function, and the part measured in the runs."""
    view: UncertaintyView = evaluation.display.view
    levels, function = view.levels, view.function
    unit, places = study.unit, [level.at for level in levels]
    with dossier_style():
        figure, (axes,) = new_figure(height=LOW)
        if function:
            axes.plot(function.x, function.u, color=BLUE, lw=1.0)
            middle = len(function.x) // 2 + 8
            at = (function.x[middle], function.u[middle])
            axes.annotate("fitted u", at, xytext=(-5, 5), textcoords="offset points", ha="right", color=BLUE)
        interval_bars(
            axes,
            places,
            [level.combined for level in levels],
            [level.interval for level in levels],
            color=BLUE,
            marker="D",
        )
        part = [level.measured_part for level in levels]
        axes.plot(places, part, color=GREY, marker="o", ms=3.5, mfc="none", lw=0.8, ls=":")
        end_label(axes, places[-1], part[-1], "measured in\nruns alone", color=GREY, rise=-10)
        below = [(level.at, level.bottom_up) for level in levels if level.bottom_up is not None]
        if below:
            axes.plot([at for at, _ in below], [u for _, u in below], color=ORANGE, marker="x", ms=6, mew=1.2, lw=0)
            end_label(axes, *below[-1], "bottom-up", color=ORANGE, rise=-8)
        level_axis(axes, places, study)
        axes.set_ylim(bottom=0)
        axes.set_ylabel(f"standard uncertainty / {unit}")
        axes.set_title(_title(levels, unit))
    return figure


def _title(levels: Sequence[LevelUncertainty], unit: str) -> str:
    bent = [level.at for level in levels if level.bias_dominates]
    if bent:
        return "The bias makes up most of the uncertainty at " + ", ".join(named(at, unit) for at in bent)
    first, last = levels[0], levels[-1]
    low, high = (fixed(level.combined, places_for(level.combined)) for level in (first, last))
    if len(levels) == 1:
        return f"At {named(first.at, unit)} the standard uncertainty is {low} {unit}"
    return (
        f"The standard uncertainty grows from {low} {unit} at {named(first.at, unit)} to {high} {unit} at "
        f"{named(last.at, unit)}"
        if last.combined > first.combined
        else f"The standard uncertainty is {low} {unit} at {named(first.at, unit)} and {high} {unit} at "
        f"{named(last.at, unit)}"
    )
