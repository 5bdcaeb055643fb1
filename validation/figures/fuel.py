"""Figures of the chapter on fuel blends."""

from __future__ import annotations

from matplotlib.figure import Figure

from validation.figures._lines import (
    forest,
    ratio_entries,
    ratio_message,
    results_by_level,
    rows,
    run_ratios,
)
from validation.figures.style import dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation

__all__ = ["results_by_level", "slope_ratios"]


def slope_ratios(evaluation: Evaluation, study: Study) -> Figure | None:
    """Slope ratio of every fuel with its interval."""
    details = evaluation.details
    ratios = ratio_entries(details["lines"])
    if not ratios:
        return None
    names = list(ratios)
    with dossier_style():
        figure, (axes,) = new_figure(height=1.3 + 0.5 * len(names))
        forest(axes, names, ratios, at=1, points=run_ratios(details["lines"]))
        rows(axes, names)
        axes.set_xlabel(f"slope over that of {details['reference']}")
        axes.set_title(ratio_message(details, "fuel"))
    return figure
