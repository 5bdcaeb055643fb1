"""Figures of the detection chapter, drawn from its evaluation alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures.style import BLUE, GREY, INK, ORANGE, VERMILION, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MARKS = (
    ("detection.critical_value", "|", INK, "critical value"),
    ("detection.detection_limit", "o", BLUE, "detection limit"),
    ("detection.quantification_limit", "s", ORANGE, "quantification limit"),
)


@dataclass(frozen=True, slots=True)
class ReadingGroup:
    """Readings of one matrix, in the unit of the study: its blanks, or its lowest spikes.

    `kind`: "blank", or "spiked at " and the level. `suffix`: what the definitions from these blanks carry after their
    names, empty for the main matrix; None for spikes.
    """

    matrix: str
    kind: str
    suffix: str | None
    results: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Definition:
    """One definition of limits, its matrix and how many readings it rests on."""

    name: str
    matrix: str
    n: int


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A limit that a requirement asks of one matrix, and that is larger by the same definition in another one.

    `limit` is the requirement's; `value` holds in `matrix`, `there` in `other`.
    """

    requirement: str
    limit: float | None
    quantity: str
    definition: str
    matrix: str
    value: float
    other: str
    there: float


@dataclass(frozen=True, slots=True)
class DetectionView:
    """What this chapter draws and puts into words."""

    groups: tuple[ReadingGroup, ...]
    definitions: tuple[Definition, ...]
    elsewhere: tuple[Elsewhere, ...]


def blank_distribution(evaluation: Evaluation, study: Study) -> Figure | None:
    """Blanks and spikes of each matrix as points, with critical value and detection limit of IUPAC 1997."""
    view: DetectionView = evaluation.display.view
    groups = view.groups
    if not groups:
        return None
    with dossier_style():
        figure, (axes,) = new_figure(height=1.2 + 0.65 * len(groups), wide=True)
        axes.axvline(0, color=GREY, lw=0.6)
        for row, group in enumerate(groups):
            _stacked(axes, group.results, row)
            if group.suffix is not None:
                _marks(axes, evaluation, f"IUPAC 1997{group.suffix}", row)
        axes.set_yticks(range(len(groups)), [f"{group.matrix}\n{group.kind}" for group in groups])
        axes.set_ylim(len(groups) - 0.4, -0.8)
        axes.set_xlabel(f"result / {study.unit}")
        axes.set_title(_blank_title(evaluation, view, study))
    return figure


def _blank_title(evaluation: Evaluation, view: DetectionView, study: Study) -> str:
    definitions = [f"IUPAC 1997{group.suffix}" for group in view.groups if group.kind == "blank"]
    limits = [evaluation.get("detection.detection_limit", name) for name in definitions]
    values = [q.value for q in limits if q is not None]
    if not values:
        return "Blanks and spikes, reading by reading"
    if len(values) == 1:
        return f"Blanks put the detection limit at {significant(values[0], 2)} {study.unit} (IUPAC 1997)"
    low, high = significant(min(values), 2), significant(max(values), 2)
    return f"The detection limit by IUPAC 1997 runs from {low} to {high} {study.unit} with the matrix"


def _stacked(axes: Axes, results: Sequence[float], row: int) -> None:
    """Points in a row; equal readings are stacked."""
    seen: dict[float, int] = {}
    heights = []
    for result in results:
        heights.append(row - 0.09 * seen.get(result, 0))
        seen[result] = seen.get(result, 0) + 1
    axes.plot(results, heights, "o", color=BLUE, mfc="none", mew=0.8)


def _marks(axes: Axes, evaluation: Evaluation, definition: str, row: int) -> None:
    # Labels turn away from one another, so that they stay apart where the two limits are close.
    for key, sign, side in (("detection.critical_value", "C", "right"), ("detection.detection_limit", "D", "left")):
        q = evaluation.get(key, definition)
        if q is None:
            continue
        axes.plot([q.value, q.value], [row - 0.32, row + 0.25], color=VERMILION, lw=1.2)
        text = f"$L_{sign}$ {significant(q.value, 2)}"
        axes.annotate(text, (q.value, row - 0.34), fontsize=9, ha=side, va="bottom", color=INK)


def definitions_side_by_side(evaluation: Evaluation, study: Study) -> Figure | None:
    """Every limit of every definition on one axis, with its interval."""
    view: DetectionView = evaluation.display.view
    definitions = view.definitions
    if not definitions:
        return None
    limits = [q for q in evaluation.judged if q.key == "detection.detection_limit"]
    with dossier_style():
        figure, (axes,) = new_figure(height=1.1 + 0.4 * len(definitions), wide=True)
        axes.axvline(0, color=GREY, lw=0.6)
        for row, definition in enumerate(definitions):
            for shift, (key, marker, colour, _) in enumerate(_MARKS):
                q = evaluation.get(key, definition.name)
                if q is not None:
                    _interval(axes, q, row + 0.2 * (shift - 1), marker, colour)
        _direct_labels(axes, evaluation, definitions)
        labels = [f"{definition.name}\n{definition.matrix}, n = {definition.n}" for definition in definitions]
        axes.set_yticks(range(len(definitions)), labels, fontsize=8)
        axes.set_ylim(len(definitions) - 0.4, -0.9)
        axes.set_xlabel(f"limit / {study.unit}")
        axes.set_title(_side_by_side_title(limits, study), x=1.0, ha="right")
    return figure


def _interval(axes: Axes, q: Quantity, height: float, marker: str, colour: str) -> None:
    if q.interval is not None:
        axes.plot(list(q.interval), [height, height], color=colour, lw=0.9)
    axes.plot(
        [q.value], [height], marker, color=colour, ms=8 if marker == "|" else 4.5, mew=1.6 if marker == "|" else 1.0
    )


def _direct_labels(axes: Axes, evaluation: Evaluation, definitions: Sequence[Definition]) -> None:
    """Names of the three marks at the first definition that has them, in place of a legend."""
    for shift, (key, _, _, name) in enumerate(_MARKS):
        for row, definition in enumerate(definitions):
            q = evaluation.get(key, definition.name)
            if q is None:
                continue
            end = q.interval[1] if q.interval is not None else q.value
            place = (end, row + 0.2 * (shift - 1))
            axes.annotate(name, place, xytext=(5, 0), textcoords="offset points", fontsize=8, va="center")
            break


def _side_by_side_title(limits: Sequence[Quantity], study: Study) -> str:
    values = [q.value for q in limits]
    if len(values) < 2:
        return "Limits with their intervals"
    low, high = significant(min(values), 2), significant(max(values), 2)
    return f"Detection limits run from {low} to {high} {study.unit} with definition and matrix"
