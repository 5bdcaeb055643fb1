"""Figures of the chapter on ruggedness."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures._limits import row_limits
from validation.figures.style import BLUE, GREY, INK, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, places_for, sentence_list, significant


def effects_by_size(evaluation: Evaluation, study: Study) -> Figure | None:
    """One strip a factor, the largest on top: effect, interval, what each block gave by itself, the plan's limits."""
    shown = evaluation.details.get("factors", ())
    if not shown:
        return None
    relative = all(entry["relative"] is not None for entry in shown)
    with dossier_style():
        figure, (axes,) = new_figure(height=1.25 + 0.35 * len(shown))
        axes.axvline(0, color=INK, lw=0.6)
        for place, entry in enumerate(shown):
            _strip(axes, len(shown) - 1 - place, entry, relative, _judged(evaluation, entry, relative))
        key = f"ruggedness.{'relative_effect' if relative else 'effect'}"
        rows = [(place, key, entry["name"]) for place, entry in enumerate(reversed(shown))]
        row_limits(axes, study, rows, scale=100.0 if relative else 1.0)
        axes.set_yticks(range(len(shown)), [_setting(entry) for entry in reversed(shown)], linespacing=0.9)
        axes.set_ylim(-0.6, len(shown) - 0.4)
        axes.tick_params(axis="y", length=0)
        of = f"% of the mean, {significant(evaluation.details['mean'])} {study.unit}" if relative else study.unit
        bars = f"thin: {100 * study.confidence:g} % interval; thick: {100 * study.judged_confidence:g} %, for the limit"
        axes.set_xlabel(
            f"effect / {of}\n{bars}; circles: each {evaluation.details['blocks']['name']} alone"
            if _alone(shown)
            else f"effect / {of}\n{bars}"
        )
        axes.set_title(_largest(shown[0], relative, study.unit), pad=14)
    return figure


def _alone(shown: Sequence[Mapping[str, Any]]) -> bool:
    return any(entry["by_block"] for entry in shown)


def _judged(evaluation: Evaluation, entry: Mapping[str, Any], relative: bool) -> tuple[float, float] | None:
    """The interval that a limit is held against."""
    quantity = evaluation.get(f"ruggedness.{'relative_effect' if relative else 'effect'}", entry["name"])
    return None if quantity is None else quantity.judged_interval


def _strip(axes: Axes, y: float, entry: Mapping[str, Any], relative: bool, judged: tuple[float, float] | None) -> None:
    scale, value, interval = _numbers(entry, relative)
    for block in entry["by_block"]:
        own = block["relative"] if relative else block["effect"]
        if own is not None:
            axes.plot([scale * own], [y - 0.26], marker="o", ms=3.2, mfc="none", mec=GREY, mew=0.7, lw=0)
    if interval is not None:
        axes.plot([scale * end for end in interval], [y, y], color=BLUE, lw=0.8)
        axes.plot([scale * end for end in interval], [y, y], color=BLUE, lw=0, marker="|", ms=6)
    if judged is not None:
        axes.plot([scale * end for end in judged], [y, y], color=BLUE, lw=3, solid_capstyle="butt")
    axes.plot([scale * value], [y], color=BLUE, marker="D", ms=5, lw=0)


def _numbers(entry: Mapping[str, Any], relative: bool) -> tuple[float, float, Sequence[float] | None]:
    if relative:
        return 100.0, entry["relative"], entry["relative_interval"]
    return 1.0, entry["effect"], entry["interval"]


def _setting(entry: Mapping[str, Any]) -> str:
    return f"{entry['name']}\n{entry['low']} to {entry['high']}"


def _largest(entry: Mapping[str, Any], relative: bool, unit: str) -> str:
    scale, value, interval = _numbers(entry, relative)
    places = 1 if interval is None else places_for(scale * (interval[1] - interval[0]) / 4)
    of = "%" if relative else unit
    clear = interval is not None and (interval[0] > 0 or interval[1] < 0)
    moved = f"{entry['name']} changes the result most: {fixed(scale * value, places)} {of}"
    return moved[:1].upper() + moved[1:] if clear else "No effect is clear of zero at this number of readings"


def half_normal(evaluation: Evaluation, study: Study) -> Figure | None:
    """Absolute effects against the quantiles of pure scatter, with names; scatter alone follows a line from zero."""
    points = evaluation.details.get("half_normal", ())
    if len(points) < 3:
        return None
    lenth = evaluation.details["lenth"]
    with dossier_style():
        figure, (axes,) = new_figure(height=2.6)
        x, y = [point["position"] for point in points], [point["size"] for point in points]
        right = 1.12 * max(x)
        if lenth:
            axes.plot([0, right], [0, lenth["pse"] * right], color=GREY, lw=0.8)
            axes.annotate(
                "scatter alone",
                (right, lenth["pse"] * right),
                xytext=(-2, -3),
                textcoords="offset points",
                ha="right",
                va="top",
                fontsize=9,
                color=GREY,
            )
        axes.plot(x, y, color=BLUE, marker="o", lw=0)
        named = range(len(points)) if len(points) <= 11 else range(len(points) - 5, len(points))
        for i in named:
            last = i == len(points) - 1
            axes.annotate(
                points[i]["name"],
                (x[i], y[i]),
                xytext=(-6, 0) if last else (-1, 5),
                textcoords="offset points",
                ha="right" if last else "left",
                va="center" if last else "bottom",
                rotation=0 if last else 32,  # small effects lie close: slanted names pass one another
                rotation_mode="anchor",
                fontsize=9,
                color=INK,
            )
        axes.set_xlim(-0.02 * right, right)
        axes.set_ylim(0, 1.15 * (max(y) or 1.0))
        axes.set_xlabel("quantile of the half-normal distribution")
        axes.set_ylabel(f"size of the effect / {study.unit}")
        axes.set_title(_standing_off(points, lenth))
    return figure


def _standing_off(points: Sequence[Mapping[str, Any]], lenth: Mapping[str, Any] | None) -> str:
    if not lenth:
        return "Size of the effects against the quantiles of scatter"
    off = [point["name"] for point in reversed(points) if point["size"] > lenth["me"]]
    if not off:
        return "No effect stands off the line of scatter by more than its margin of error"
    return f"Off the line of scatter: {sentence_list(off[:3])}" + (" and others" if len(off) > 3 else "")
