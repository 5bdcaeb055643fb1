"""What the figures of oils and of fuels share: ratios in a row with their intervals, results with their lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

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
from validation.stats.intervals import Interval
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, with_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = (INK, BLUE, VERMILION, GREEN, ORANGE, SKY)
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)))


#: A value and its interval, where it has one.
Shown = tuple[float, Interval | None]


@dataclass(frozen=True, slots=True)
class MaterialLine:
    """The readings of one oil or fuel as level and result, its line, and its slope over that of the reference."""

    name: str
    points: tuple[tuple[float, float], ...]
    slope: float
    intercept: float
    ratio: Shown | None
    run_ratios: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class LinesView:
    """What a comparison of materials draws and puts into words; without lines where none could be fitted."""

    reference: str
    lines: tuple[MaterialLine, ...]

    @property
    def ratios(self) -> dict[str, Shown]:
        return {line.name: line.ratio for line in self.lines if line.ratio is not None}


def forest(
    axes: Axes,
    names: Sequence[str],
    entries: Mapping[str, Shown],
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
        # Next to the panel, where no line and no point can cross it.
        axes.annotate(
            with_interval(value, interval)[0],
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
    """The names next to their rows."""
    axes.set_yticks(range(len(names)), list(names) if named else [""] * len(names))
    axes.tick_params(axis="y", length=0)


def ratio_panel(axes: Axes, names: Sequence[str], view: LinesView) -> None:
    """The slope ratio of every material, those of the single runs above it."""
    forest(axes, names, view.ratios, at=1, points={line.name: line.run_ratios for line in view.lines})
    axes.set_xlabel(f"slope over that of {view.reference}")


def ratio_message(view: LinesView, what: str) -> str:
    """The title: which material differs most from the reference, and by how much."""
    name, (ratio, _) = max(view.ratios.items(), key=lambda item: abs(item[1][0] - 1))
    effect = 100 * (ratio - 1)
    size = fixed(abs(effect), 1)
    if size == "0.0":
        return f"No {what} responds differently from {view.reference} by a tenth of a percent"
    return f"{name} responds {size} % {'stronger' if effect > 0 else 'weaker'} than {view.reference}"


def results_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Results of every oil or fuel against the level, with the mean line of each."""
    view: LinesView = evaluation.display.view
    if not view.lines:
        return None
    with dossier_style():
        figure, (axes,) = new_figure()
        _results_with_lines(axes, view.lines, study)
        axes.set_title(_lines_message(view.lines))
    return figure


def _results_with_lines(axes: Axes, lines: Sequence[MaterialLine], study: Study) -> None:
    """Every reading against the level, the lines of all names, direct labels at their ends."""
    top = max(level for line in lines for level, _ in line.points)
    width = 0.02 * top
    ends = []
    for i, line in enumerate(lines):
        colour = COLOURS[i % len(COLOURS)]
        shift = width * (i - (len(lines) - 1) / 2)
        axes.plot(
            [level + shift for level, _ in line.points],
            [result for _, result in line.points],
            marker=MARKERS[i % len(MARKERS)],
            ms=3.2,
            mfc="none",
            mec=colour,
            mew=0.8,
            lw=0,
        )
        last = line.intercept + line.slope * top
        axes.plot([0, top], [line.intercept, last], color=colour, lw=0.9, ls=DASHES[i % len(DASHES)])
        ends.append((last, line.name, colour))
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


def _lines_message(lines: Sequence[MaterialLine]) -> str:
    """The title of the results: which line is the steepest, which the flattest."""
    if len(lines) < 2:
        return f"Results of {lines[0].name} rise with the level"
    order = sorted(lines, key=lambda line: line.slope)
    return f"Results rise fastest for {order[-1].name}, slowest for {order[0].name}"
