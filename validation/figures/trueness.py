"""Figure of the chapter on trueness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from validation.figures._levels import end_label, interval_bars, level_axis, named, positions, spread
from validation.figures.style import BLUE, GREY, INK, VERMILION, dossier_style, new_figure
from validation.stats.intervals import Interval
from validation.study.model import Study
from validation.study.quantity import At, Evaluation
from validation.words import fixed, places_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class LevelBias:
    """The bias at one level, its interval, and the mean errors of the runs behind it."""

    at: At
    bias: float
    interval: Interval | None
    run_errors: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class TruenessView:
    """What this chapter draws; `zero_inside`: whether the joint region holds the line without any bias."""

    levels: tuple[LevelBias, ...]
    zero_inside: bool | None


def bias_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Bias with its interval at each level, the errors of the runs behind it, and the plan's limits."""
    view: TruenessView = evaluation.display.view
    places = [level.at for level in view.levels]
    x, width = positions(places), 0.5 * spread(places)
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.axhline(0, color=INK, lw=0.6)
        for at, level in zip(x, view.levels, strict=True):
            errors = level.run_errors
            offsets = np.linspace(-width / 2, width / 2, len(errors)) if len(errors) > 1 else [0.0]
            axes.plot([at + o for o in offsets], errors, marker="o", ms=2.6, mfc="none", mec=GREY, mew=0.7, lw=0)
        biases = [level.bias for level in view.levels]
        interval_bars(axes, x, biases, [level.interval for level in view.levels], color=BLUE, marker="D")
        outside = limits(axes, study, "trueness.bias", "equivalence", places, biases)
        level_axis(axes, places, study)
        axes.set_ylabel(f"bias / {study.unit}")
        axes.set_title(_title(view.levels, outside, study.unit))
    return figure


def limits(
    axes: Axes, study: Study, key: str | tuple[str, ...], rule: str, places: list, values: list[float]
) -> list | None:
    """Draw the plan's limits on `key`; the levels whose value is beyond them, None where the plan sets none."""
    keys = (key,) if isinstance(key, str) else key
    requirements = [item for item in study.plan.requirements if item.quantity in keys and item.rule == rule]
    x = positions(places)
    drawn: dict[float, tuple[float, float]] = {}
    for item in requirements:
        for at, place in zip(x, places, strict=True):
            if item.at is not None and item.at != place:
                continue
            if item.at is None and isinstance(place, float) and not _inside(place, study):
                continue
            if item.limit.needs_level and not isinstance(place, float | int):
                continue
            half = item.limit.value(place if isinstance(place, float | int) else None)
            # Where two requirements meet at one level the narrower one is drawn.
            if at not in drawn or half < drawn[at][1]:
                drawn[at] = (item.target, half)
    if not drawn:
        return None
    order = sorted(drawn)
    for sign in (-1, 1):
        edge = [drawn[at][0] + sign * drawn[at][1] for at in order]
        axes.plot(order, edge, color=VERMILION, lw=0.9, ls="-.", marker="_", ms=7)
    end_label(axes, order[-1], drawn[order[-1]][0] + drawn[order[-1]][1], "limit", color=VERMILION)
    return [
        place
        for at, place, value in zip(x, places, values, strict=True)
        if at in drawn and abs(value - drawn[at][0]) > drawn[at][1]
    ]


def _inside(level: float, study: Study) -> bool:
    low, high = study.plan.study.range
    return low <= level <= high


def _title(levels: Sequence[LevelBias], outside: list | None, unit: str) -> str:
    if outside:
        return "Bias is beyond the limit at " + ", ".join(named(at, unit) for at in outside)
    if outside is not None:
        return "Bias is within the limits at every level that has one"
    largest = max(levels, key=lambda level: abs(level.bias))
    interval = largest.interval
    places = 3 if interval is None else places_for((interval[1] - interval[0]) / 4)
    return f"The largest bias, {fixed(largest.bias, places)} {unit}, is found at {named(largest.at, unit)}"
