"""The accuracy profile."""

from __future__ import annotations

from matplotlib.figure import Figure

from validation.figures._levels import end_label, level_axis, named, positions
from validation.figures.style import BLUE, GREY, INK, SKY, dossier_style, new_figure
from validation.figures.trueness import limits
from validation.study.model import Study
from validation.study.quantity import Evaluation

KEYS = ("accuracy.tolerance_low", "accuracy.tolerance_high")


def accuracy_profile(evaluation: Evaluation, study: Study) -> Figure | None:
    """Errors, bias and tolerance limits by level, with the plan's acceptance limits where it sets some."""
    shown = evaluation.details.get("levels", ())
    if not shown:
        return None
    places = [entry["at"] for entry in shown]
    x = positions(places)
    bias, low, high = ([entry[name] for entry in shown] for name in ("bias", "low", "high"))
    numeric = all(isinstance(at, float | int) for at in places)
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.axhline(0, color=INK, lw=0.6)
        if numeric and len(x) > 1:
            axes.fill_between(x, low, high, color=SKY, alpha=0.18, lw=0)
        for at, entry in zip(x, shown, strict=True):
            errors = [row["error"] for row in entry["errors"]]
            axes.plot([at] * len(errors), errors, marker="o", ms=2.2, mfc="none", mec=GREY, mew=0.6, lw=0)
        joined = 0.9 if numeric else 0.0
        axes.plot(x, bias, color=INK, lw=joined, marker="D", ms=3.5)
        for values, marker in ((low, "^"), (high, "v")):
            axes.plot(x, values, color=BLUE, lw=joined, ls="--" if joined else "", marker=marker, ms=4)
        end_label(axes, x[-1], bias[-1], "bias", color=INK)
        end_label(axes, x[-1], high[-1], f"{100 * evaluation.details['beta']:g} %", color=BLUE)
        worst = [max(pair, key=abs) for pair in zip(low, high, strict=True)]
        outside = limits(axes, study, KEYS, "inside", places, worst)
        level_axis(axes, places, study)
        axes.set_ylabel(f"result minus reference value / {study.unit}")
        share = f"{100 * evaluation.details['beta']:g} %"
        if outside:
            message = "The tolerance limits leave the limits at " + ", ".join(named(at, study.unit) for at in outside)
        elif outside is not None:
            message = "The tolerance limits stay within the limits at every level that has one"
        else:
            message = f"Where {share} of the errors of future single results are expected"
        axes.set_title(message)
    return figure
