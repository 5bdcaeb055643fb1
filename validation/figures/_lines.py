"""What the figures of oils and of fuels share: ratios in a row with their intervals, results with their lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    SKY,
    VERMILION,
    dossier_style,
    new_figure,
)
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, with_interval

COLOURS = (INK, BLUE, VERMILION, GREEN, ORANGE, SKY)
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)))


def forest(
    axes: Axes,
    names: Sequence[str],
    entries: Mapping[str, tuple[float, Sequence[float] | None]],
    *,
    at: float,
    points: Mapping[str, Sequence[float]] | None = None,
) -> None:
    """One row a name: the estimate drawn and printed, its interval, single values; an upright line at `at`."""
    axes.axvline(at, color=INK, lw=0.6)
    for row, name in enumerate(names):
        if name not in entries:
            continue
        value, interval = entries[name]
        singles = (points or {}).get(name, ())
        axes.plot(singles, [row + 0.22] * len(singles), marker="o", ms=2.6, mfc="none", mec=GREY, mew=0.7, lw=0)
        if interval is not None:
            axes.plot(list(interval), [row, row], color=BLUE, lw=1.2)
            axes.plot(list(interval), [row, row], color=BLUE, lw=0, marker="|", ms=6)
        axes.plot([value], [row], color=BLUE, marker="D", ms=5, lw=0)
        pair = None if interval is None else (interval[0], interval[1])
        # Beside the panel, where no line and no point can strike it.
        axes.annotate(
            with_interval(value, pair)[0],
            (1.0, row),
            xycoords=("axes fraction", "data"),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=9,
            annotation_clip=False,
        )
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.margins(x=0.12)


def rows(axes: Axes, names: Sequence[str], *, named: bool = True) -> None:
    """The names beside their rows."""
    axes.set_yticks(range(len(names)), list(names) if named else [""] * len(names))
    axes.tick_params(axis="y", length=0)


def ratio_entries(lines: Sequence[Mapping[str, Any]]) -> dict[str, tuple[float, Sequence[float] | None]]:
    return {line["name"]: (line["ratio"], line["interval"]) for line in lines if line["ratio"] is not None}


def run_ratios(lines: Sequence[Mapping[str, Any]]) -> dict[str, Sequence[float]]:
    return {line["name"]: line["run_ratios"] for line in lines}


def ratio_message(details: Mapping[str, Any], what: str) -> str:
    """The title: who stands apart from the reference most, and by how much."""
    reference = details["reference"]
    found = [(line["name"], line["ratio"]) for line in details["lines"] if line["ratio"] is not None]
    name, ratio = max(found, key=lambda item: abs(item[1] - 1))
    effect = 100 * (ratio - 1)
    size = fixed(abs(effect), 1)
    if size == "0.0":
        return f"No {what} responds otherwise than {reference} by a tenth of a percent"
    return f"{name} responds {size} % {'stronger' if effect > 0 else 'weaker'} than {reference}"


def _results_with_lines(axes: Axes, details: Mapping[str, Any], study: Study) -> None:
    """Every reading against the level, the lines of all names, direct labels at their ends."""
    lines = details["lines"]
    top = max(point["level"] for line in lines for point in line["points"])
    width = 0.02 * top
    ends = []
    for i, line in enumerate(lines):
        colour = COLOURS[i % len(COLOURS)]
        shift = width * (i - (len(lines) - 1) / 2)
        axes.plot(
            [point["level"] + shift for point in line["points"]],
            [point["result"] for point in line["points"]],
            marker=MARKERS[i % len(MARKERS)],
            ms=3.2,
            mfc="none",
            mec=colour,
            mew=0.8,
            lw=0,
        )
        last = line["intercept"] + line["slope"] * top
        axes.plot([0, top], [line["intercept"], last], color=colour, lw=0.9, ls=DASHES[i % len(DASHES)])
        ends.append((last, line["name"], colour))
    _end_labels(axes, top + width * (1 + len(lines) / 2), ends)
    axes.set_xlim(-0.03 * top, top + width * (1 + len(lines) / 2))
    axes.set_xlabel(f"level / {study.unit}")
    axes.set_ylabel(f"result / {study.unit}")


def _end_labels(axes: Axes, x: float, ends: Sequence[tuple[float, str, str]]) -> None:
    """Names at the right ends of lines, moved apart where lines end close together."""
    low, high = axes.get_ylim()
    gap = 0.055 * (high - low)
    place = None
    for y, name, colour in sorted(ends):
        place = y if place is None else max(y, place + gap)
        axes.annotate(
            name,
            (x, y),
            xytext=(x, place),
            textcoords="data",
            va="center",
            color=colour,
            annotation_clip=False,
            fontsize=9,
        )


def _lines_message(details: Mapping[str, Any]) -> str:
    """The title of the results: which line is the steepest, which the flattest."""
    lines = details["lines"]
    if len(lines) < 2:
        return f"Results of {lines[0]['name']} rise with the level"
    order = sorted(lines, key=lambda line: line["slope"])
    return f"Results rise fastest for {order[-1]['name']}, slowest for {order[0]['name']}"


def results_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Results of every oil or fuel against the level, with the mean line of each."""
    details = evaluation.details
    if not details["lines"]:
        return None
    with dossier_style():
        figure, (axes,) = new_figure(height=3.2)
        _results_with_lines(axes, details, study)
        axes.set_title(_lines_message(details))
    return figure
