"""Figures of the chapter on measurement uncertainty."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures._levels import end_label, interval_bars, level_axis, named
from validation.figures.style import BLUE, GREY, INK, ORANGE, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, places_for

LOW = 3.0  # inches: both figures of the chapter then share a page with its tables


def budget_parts(evaluation: Evaluation, study: Study) -> Figure | None:
    """The lines of the map at one level: top-down and bottom-up bars side by side, the totals below."""
    details = evaluation.details
    groups = details.get("groups")
    shown = next((entry for entry in details.get("levels", ()) if entry["at"] == details["focus"]), None)
    if not groups or shown is None or not shown["combined"]:
        return None
    unit, focus = study.unit, details["focus"]
    rows = [(g["name"], g["top_down"], g["bottom_up"]) for g in groups]
    rows.append(("all together", shown["combined"], shown["bottom_up"]))
    with dossier_style():
        figure, (axes,) = new_figure(height=0.36 * len(rows) + 1.0)
        for row, (_, top_down, bottom_up) in enumerate(rows):
            _bar(axes, row - 0.17, top_down, BLUE, "")
            _bar(axes, row + 0.17, bottom_up, ORANGE, "////")
        axes.axhline(len(rows) - 1.5, color=GREY, lw=0.6)
        widest = max(value for _, *values in rows for value in values if value is not None)
        places = places_for(shown["combined"]) + 1
        for row, (_, top_down, bottom_up) in enumerate(rows):
            _value(axes, row - 0.17, top_down, places, widest, "top-down" if row == len(rows) - 1 else "")
            _value(axes, row + 0.17, bottom_up, places, widest, "bottom-up" if row == len(rows) - 1 else "")
        axes.set_yticks(range(len(rows)), [name for name, _, _ in rows])
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.set_xlim(0, 1.3 * widest)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel(f"standard uncertainty at {named(focus, unit)} / {unit}")
        largest = max(groups, key=lambda g: g["top_down"] or 0.0)
        figure.suptitle(
            f"At {named(focus, unit)} the largest part of the uncertainty is the {largest['name']}",
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
    levels = evaluation.details.get("levels")
    if not levels:
        return None
    unit, places = study.unit, [entry["at"] for entry in levels]
    function = evaluation.details.get("function")
    with dossier_style():
        figure, (axes,) = new_figure(height=LOW)
        if function:
            axes.plot(function["x"], function["u"], color=BLUE, lw=1.0)
            middle = len(function["x"]) // 2 + 8
            at = (function["x"][middle], function["u"][middle])
            axes.annotate("fitted u", at, xytext=(-5, 5), textcoords="offset points", ha="right", color=BLUE)
        interval_bars(
            axes,
            places,
            [entry["combined"] for entry in levels],
            [entry["interval"] for entry in levels],
            color=BLUE,
            marker="D",
        )
        part = [entry["measured_part"] for entry in levels]
        axes.plot(places, part, color=GREY, marker="o", ms=3.5, mfc="none", lw=0.8, ls=":")
        end_label(axes, places[-1], part[-1], "measured in\nruns alone", color=GREY, rise=-10)
        below = [(entry["at"], entry["bottom_up"]) for entry in levels if entry["bottom_up"] is not None]
        if below:
            axes.plot([at for at, _ in below], [u for _, u in below], color=ORANGE, marker="x", ms=6, mew=1.2, lw=0)
            end_label(axes, *below[-1], "bottom-up", color=ORANGE, rise=-2)
        level_axis(axes, places, study)
        axes.set_ylim(bottom=0)
        axes.set_ylabel(f"standard uncertainty / {unit}")
        axes.set_title(_title(levels, unit))
    return figure


def _title(levels: list[dict], unit: str) -> str:
    bent = [entry["at"] for entry in levels if entry["bias_dominates"]]
    if bent:
        return "The bias makes up most of the uncertainty at " + ", ".join(named(at, unit) for at in bent)
    first, last = levels[0], levels[-1]
    low, high = (fixed(entry["combined"], places_for(entry["combined"])) for entry in (first, last))
    if len(levels) == 1:
        return f"At {named(first['at'], unit)} the standard uncertainty is {low} {unit}"
    return (
        f"The standard uncertainty grows from {low} {unit} at {named(first['at'], unit)} to {high} {unit} at "
        f"{named(last['at'], unit)}"
        if last["combined"] > first["combined"]
        else f"The standard uncertainty is {low} {unit} at {named(first['at'], unit)} and {high} {unit} at "
        f"{named(last['at'], unit)}"
    )
