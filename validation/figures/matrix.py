"""Figures of the chapter on selectivity and matrix effect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures._lines import LinesView, forest, ratio_message, ratio_panel, results_by_level, rows
from validation.figures.style import dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["BlankDifference", "MatrixView", "results_by_level", "slope_ratios"]


@dataclass(frozen=True, slots=True)
class BlankDifference:
    """The blank of an oil minus that of the oil `against`; `readings` of its own."""

    difference: Quantity
    against: str
    readings: int


@dataclass(frozen=True, slots=True)
class MatrixView(LinesView):
    """What this chapter draws and puts into words."""

    blanks: tuple[BlankDifference, ...]


def slope_ratios(evaluation: Evaluation, study: Study) -> Figure | None:
    """Slope ratio of every oil with its interval, and the differences of the blanks next to it."""
    view: MatrixView = evaluation.display.view
    ratios = view.ratios
    blanks = {str(of.difference.at): (of.difference.value, of.difference.interval) for of in view.blanks}
    names = list(dict.fromkeys([*ratios, *blanks]))
    if not names:
        return None
    panels = [kind for kind, entries in (("ratio", ratios), ("blank", blanks)) if entries]
    with dossier_style():
        figure, drawn = new_figure(1, len(panels), height=1.3 + 0.5 * len(names))
        for axes, kind in zip(drawn, panels, strict=True):
            if kind == "ratio":
                ratio_panel(axes, names, view)
            else:
                forest(axes, names, blanks, at=0)
                axes.set_xlabel(f"blank minus the blank compared with / {study.unit}")
            rows(axes, names, named=axes is drawn[0])
        drawn[0].set_title(ratio_message(view, "oil") if ratios else "Blanks of the oils side by side")
    return figure
