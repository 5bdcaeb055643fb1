"""Figures of the chapter on intermediate precision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING

from validation.figures._levels import (
    Deviation,
    SdForm,
    dots,
    end_label,
    interval_bars,
    level_axis,
    named,
    positions,
    spread,
)
from validation.figures.style import BLUE, GREY, INK, ORANGE, VERMILION, dossier_style, new_figure
from validation.stats.intervals import Interval
from validation.study.model import Study
from validation.study.quantity import At, Evaluation, Quantity
from validation.words import level_text, sentence_list, significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Runs that are all named on the axis of a panel; of more, every second, third, ... has its name.
MOST_NAMES, SOME_NAMES = 24, 8


@dataclass(frozen=True, slots=True)
class LevelRuns:
    """One level: its runs by name and its readings, each minus the mean of the run means; s_r, s_run and s_I."""

    at: At
    runs: tuple[tuple[str, float], ...]
    readings: tuple[Deviation, ...]
    s_r: Quantity | None
    s_run: Quantity | None
    s_I: Quantity | None


@dataclass(frozen=True, slots=True)
class FactorComponent:
    """The component of one factor at one level, named as the page names it."""

    level: str
    factor: str
    value: float
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Curve:
    """A curve over the levels with its band."""

    x: tuple[float, ...]
    estimate: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class WholeRange:
    """The model of all levels at once; `errors` pairs each level with its mean error; no bias if curved."""

    s_r: Curve
    s_I: Curve
    bias: Curve | None
    errors: tuple[tuple[float, float], ...]
    confidence: float


@dataclass(frozen=True, slots=True)
class IntermediatePrecisionView:
    """What this chapter draws and puts into words."""

    levels: tuple[LevelRuns, ...]
    form: SdForm | None
    components: tuple[FactorComponent, ...]
    factor_notes: tuple[str, ...]
    whole_range: WholeRange | None = None


def run_means(evaluation: Evaluation, study: Study) -> Figure | None:
    """Readings and run means about the mean of each level, one panel a level, with s_run and s_r drawn next to them."""
    view: IntermediatePrecisionView = evaluation.display.view
    columns = min(3, len(view.levels))
    rows = -(-len(view.levels) // columns)
    with dossier_style():
        figure, panels = new_figure(rows, columns, height=0.7 + 1.45 * rows)
        for axes, level in zip(panels, view.levels, strict=False):
            _panel(axes, level, study.unit)
        for axes in panels[len(view.levels) :]:
            axes.set_visible(False)
        figure.supylabel(f"result minus level mean / {study.unit}", fontsize=10)
        figure.supxlabel("run", fontsize=10)
        figure.suptitle(_means_title(view.levels, study.unit), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _panel(axes: Axes, level: LevelRuns, unit: str) -> None:
    names = [name for name, _ in level.runs]
    place_of = {name: x for x, name in enumerate(names)}
    axes.axhline(0, color=INK, lw=0.6)
    dots(axes, [place_of[reading.run] for reading in level.readings], level.readings, ms=2.6, mew=0.7)
    ends = [end for place in range(len(names)) for end in (place - 0.35, place + 0.35, nan)]
    axes.plot(ends, [y for _, deviation in level.runs for y in (deviation, deviation, nan)], color=INK, lw=1.3)
    axes.set_title(named(level.at, unit), fontsize=9, fontweight="normal")
    step = 1 if len(names) <= MOST_NAMES else -(-len(names) // SOME_NAMES)
    last, room = len(names) - 1, max(1.0, len(names) / 10)
    axes.set_xlim(-0.7, last + 2.6 * room)
    rotation = 90 if max(map(len, names)) > 3 else 0
    axes.set_xticks(range(0, len(names), step), names[::step], fontsize=7, rotation=rotation)
    axes.tick_params(axis="y", labelsize=8)
    # One name above its bar and one below: side by side they would run into each other.
    bars = ((last + 1.1 * room, level.s_run, VERMILION, 1), (last + 1.9 * room, level.s_r, BLUE, -1))
    for place, q, color, end in bars:
        if q is not None:
            s, key = q.value, q.key.partition(".")[2]
            axes.plot([place, place], [-s, s], color=color, lw=2.2, solid_capstyle="butt")
            axes.annotate(
                _typeset(key) if s > 0 else f"{_typeset(key)} = 0",
                (place, end * s),
                xytext=(0, 2 * end),
                textcoords="offset points",
                ha="center",
                va="bottom" if end > 0 else "top",
                fontsize=8,
                color=color,
            )


def _means_title(levels: Sequence[LevelRuns], unit: str) -> str:
    known = [(level.at, level.s_run.value, level.s_r.value) for level in levels if level.s_run and level.s_r]
    if not known:
        return "Run means about the mean of each level"
    larger = [at for at, s_run, s_r in known if s_run > s_r]
    if not larger:
        return "Runs differ by less than results within a run at every level"
    if len(larger) == len(known):
        return "Runs differ by more than results within a run at every level"
    places = sentence_list([named(at, unit) for at in larger])
    return f"Runs differ by more than results within a run at {places}"


def sd_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """s_r and s_I against level, each with its interval, and the chosen form of s_I(x)."""
    view: IntermediatePrecisionView = evaluation.display.view
    levels = [level for level in view.levels if level.s_I is not None]
    places = [level.at for level in levels]
    x, shift, form = positions(places), 0.12 * spread(places), view.form
    with dossier_style():
        figure, (axes,) = new_figure()
        for key, side, color, marker in (("s_r", -shift, BLUE, "o"), ("s_I", shift, ORANGE, "s")):
            estimates = [(at + side, getattr(level, key)) for at, level in zip(x, levels, strict=True)]
            known = [(at, q) for at, q in estimates if q is not None]
            if not known:
                continue
            places_of, quantities = zip(*known, strict=True)
            values, intervals = [q.value for q in quantities], [q.interval for q in quantities]
            interval_bars(axes, places_of, values, intervals, color=color, marker=marker)
            end_label(axes, places_of[-1], values[-1], _typeset(key), color=INK, rise=6 if key == "s_I" else -6)
        level_axis(axes, places, study)
        if form is not None:
            axes.plot(*form.curve, color=GREY, lw=0.9, ls="--")
            # At the foot of the axis, which starts at zero, nothing else is drawn at the highest levels.
            text, place = f"dashed: {_typeset('s_I')}(x), {form.name}", (0.98, 0.04)
            axes.annotate(text, place, xycoords="axes fraction", ha="right", color=GREY, fontsize=9)
        axes.set_ylim(bottom=0)
        axes.set_ylabel(f"standard deviation / {study.unit}")
        axes.set_title(_sd_title(places, [level.s_I.value for level in levels if level.s_I], study.unit))
    return figure


def whole_range(evaluation: Evaluation, study: Study) -> Figure | None:
    """s_r(x), s_I(x) and the bias of the model of all levels, with their bands, over the estimates of each level."""
    view: IntermediatePrecisionView = evaluation.display.view
    model = view.whole_range
    if model is None:
        return None
    with dossier_style():
        # Where no line of the bias is given there is nothing to draw beside the standard deviations.
        figure, (left, *beside) = new_figure(1, 1 if model.bias is None else 2)
        for key, curve, color in (("s_r", model.s_r, BLUE), ("s_I", model.s_I, ORANGE)):
            _band(left, curve, color)
            end_label(left, curve.x[-1], curve.estimate[-1], _typeset(key), color=INK, rise=6 if key == "s_I" else -6)
            at = [(level.at, getattr(level, key).value) for level in view.levels if getattr(level, key) is not None]
            left.plot(*zip(*at, strict=True), "o", color=color, ms=4)
        left.set_ylim(bottom=0)
        left.set_ylabel(f"standard deviation / {study.unit}")
        for right in beside:
            if model.bias is not None:
                _band(right, model.bias, VERMILION)
            right.axhline(0, color=GREY, lw=0.6)
            right.plot(*zip(*model.errors, strict=True), "o", color=INK, ms=4, mfc="none")
            right.set_ylabel(f"bias / {study.unit}", labelpad=16)  # clear of the names at the ends of the curves
        figure.supxlabel(f"level / {study.unit}", fontsize=10)
        title = f"Whole range at once, bands that hold a whole curve at {100 * model.confidence:g} %"
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _band(axes: Axes, curve: Curve, color: str) -> None:
    axes.fill_between(curve.x, curve.low, curve.high, color=color, alpha=0.15, lw=0)
    axes.plot(curve.x, curve.estimate, color=color, lw=1.2)


def _sd_title(places: list, values: list[float], unit: str) -> str:
    if len(values) == 1:
        return f"Intermediate precision at {named(places[0], unit)} is {significant(values[0])} {unit}"
    ends = (0, -1) if isinstance(places[0], float | int) else (values.index(min(values)), values.index(max(values)))
    first, last = (f"{significant(values[i])} {unit} at {named(places[i], unit)}" for i in ends)
    return f"Intermediate precision goes from {first} to {last}"


def _typeset(symbol: str) -> str:
    """ "s_run" as mathematics with an upright word for its index."""
    base, _, index = symbol.partition("_")
    return f"${base}_{{\\mathrm{{{index}}}}}$"


def components_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """The component of each factor against level with its interval, one panel a factor."""
    view: IntermediatePrecisionView = evaluation.display.view
    if not view.components:
        return None
    factors = list(dict.fromkeys(entry.factor for entry in view.components))
    places = [level.at for level in view.levels]
    names, x = [level_text(at) for at in places], positions(places)
    columns = min(3, len(factors))
    rows = -(-len(factors) // columns)
    with dossier_style():
        figure, panels = new_figure(rows, columns, height=0.7 + 1.7 * rows, sharey=True)
        for axes, factor in zip(panels, factors, strict=False):
            own = [entry for entry in view.components if entry.factor == factor]
            at = [x[names.index(entry.level)] for entry in own]
            values, intervals = [entry.value for entry in own], [entry.interval for entry in own]
            interval_bars(axes, at, values, intervals, color=BLUE, marker="o")
            level_axis(axes, places, study, titled=False)
            axes.set_title(factor, fontsize=9, fontweight="normal")
        panels[0].set_ylim(bottom=0)  # shared by all, so only once all of them are drawn
        for axes in panels[len(factors) :]:
            axes.set_visible(False)
        figure.supylabel(f"component / {study.unit}", fontsize=10)
        numeric = all(isinstance(at, float | int) for at in places)
        figure.supxlabel(f"level / {study.unit}" if numeric else "level", fontsize=10)
        figure.suptitle(_components_title(view.components, factors), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _components_title(components: Sequence[FactorComponent], factors: Sequence[str]) -> str:
    if len(factors) == 1:
        return f"What the {factors[0]} contributes, by level"
    by_level: dict[str, list[FactorComponent]] = {}
    for entry in components:
        by_level.setdefault(entry.level, []).append(entry)
    largest = [max(own, key=lambda entry: entry.value).factor for own in by_level.values()]
    first = max(factors, key=largest.count)
    return f"The {first} comes out largest at {largest.count(first)} of {len(largest)} levels; the intervals are wide"
