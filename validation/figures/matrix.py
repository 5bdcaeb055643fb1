"""Figures of the chapter on selectivity and matrix effect."""

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
    """Slope ratio of every oil with its interval, and the differences of the blanks beside it."""
    details = evaluation.details
    ratios = ratio_entries(details["lines"])
    blanks = {entry["name"]: (entry["value"], entry["interval"]) for entry in details["differences"]}
    if not ratios and not blanks:
        return None
    names = list(dict.fromkeys([*ratios, *blanks]))
    panels = [kind for kind, found in (("ratio", ratios), ("blank", blanks)) if found]
    with dossier_style():
        figure, drawn = new_figure(1, len(panels), height=1.3 + 0.5 * len(names))
        for axes, kind in zip(drawn, panels, strict=True):
            if kind == "ratio":
                forest(axes, names, ratios, at=1, points=run_ratios(details["lines"]))
                axes.set_xlabel(f"slope over that of {details['reference']}")
            else:
                forest(axes, names, blanks, at=0)
                axes.set_xlabel(f"blank minus the blank compared with / {study.unit}")
            rows(axes, names, named=axes is drawn[0])
        drawn[0].set_title(
            ratio_message(details, "oil") if ratios else "Blanks of the oils side by side",
        )
    return figure
