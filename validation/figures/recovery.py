"""Figure of the chapter on recovery."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures._limits import row_limits
from validation.figures.style import BLUE, GREY, INK, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, places_for


def recovery_by_sample(evaluation: Evaluation, study: Study) -> Figure | None:
    """One strip a sample, the mean of the samples last, about the line of full recovery."""
    shown = list(evaluation.details.get("samples", ()))
    if not shown:
        return None
    mean = {
        "name": "mean of the samples",
        "recovery": evaluation.details["mean"],
        "interval": evaluation.details["mean_interval"],
        "single": [],
    }
    strips = [*shown, mean] if len(shown) > 1 else shown
    with dossier_style():
        figure, (axes,) = new_figure(height=1.4 + 0.34 * len(strips))
        axes.axvline(100, color=INK, lw=0.6)
        for place, entry in enumerate(reversed(strips)):
            _strip(axes, place, entry, BLUE if entry is not mean else INK, _judged(evaluation, entry, entry is mean))
        row_limits(axes, study, [_row(*item) for item in enumerate(reversed(strips))], scale=100.0)
        axes.set_yticks(range(len(strips)), [entry["name"] for entry in reversed(strips)])
        axes.set_ylim(-0.7, len(strips) - 0.3)
        axes.tick_params(axis="y", length=0)
        circles = "; circles: single readings after the addition" if any(entry["single"] for entry in strips) else ""
        bars = f"thin: {100 * study.confidence:g} % interval; thick: {100 * study.judged_confidence:g} %, for the limit"
        axes.set_xlabel(f"recovery / %\n{bars}{circles}")
        axes.set_title(_title(strips), pad=14)
    return figure


def _judged(evaluation: Evaluation, entry: Mapping[str, Any], of_mean: bool) -> tuple[float, float] | None:
    """The interval that a limit is held against."""
    key, at = ("recovery.mean_recovery", None) if of_mean else ("recovery.recovery", entry["name"])
    quantity = evaluation.get(key, at)
    return None if quantity is None else quantity.judged_interval


def _strip(axes: Axes, y: float, entry: Mapping[str, Any], color: str, judged: tuple[float, float] | None) -> None:
    for single in entry["single"]:
        axes.plot([100 * single["recovery"]], [y - 0.26], marker="o", ms=3.2, mfc="none", mec=GREY, mew=0.7, lw=0)
    if entry["interval"] is not None:
        axes.plot([100 * end for end in entry["interval"]], [y, y], color=color, lw=0.8, marker="|", ms=6)
    if judged is not None:
        axes.plot([100 * end for end in judged], [y, y], color=color, lw=3, solid_capstyle="butt")
    axes.plot([100 * entry["recovery"]], [y], color=color, marker="D", ms=5, lw=0)


def _row(place: int, entry: Mapping[str, Any]) -> tuple[float, str, str | None]:
    if entry["name"] == "mean of the samples":
        return place, "recovery.mean_recovery", None
    return place, "recovery.recovery", entry["name"]


def _title(strips: Sequence[Mapping[str, Any]]) -> str:
    last = strips[-1]
    interval = last["interval"]
    places = 0 if interval is None else places_for(100 * (interval[1] - interval[0]) / 4)
    value = fixed(100 * last["recovery"], places)
    if len(strips) == 1:
        return f"Of the addition to {last['name']}, {value} % is found"
    return f"On average {value} % of what was added is found"
