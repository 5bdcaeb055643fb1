"""Figures of the chapter on fuel blends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures._lines import LinesView, ratio_message, ratio_panel, results_by_level, rows
from validation.figures.style import dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FuelView", "results_by_level", "slope_ratios"]


@dataclass(frozen=True, slots=True)
class FuelView(LinesView):
    """What this chapter draws and puts into words."""


def slope_ratios(evaluation: Evaluation, study: Study) -> Figure | None:
    """Slope ratio of every fuel with its interval."""
    view: FuelView = evaluation.display.view
    names = list(view.ratios)
    if not names:
        return None
    with dossier_style():
        figure, (axes,) = new_figure(height=1.3 + 0.5 * len(names))
        ratio_panel(axes, names, view)
        rows(axes, names)
        axes.set_title(ratio_message(view, "fuel"))
    return figure
