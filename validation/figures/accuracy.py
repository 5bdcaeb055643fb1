"""The accuracy profile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures._levels import end_label, level_axis, named, positions
from validation.figures.style import BLUE, GREY, INK, SKY, dossier_style, new_figure
from validation.figures.trueness import limits
from validation.study.model import Study
from validation.study.quantity import At, Evaluation

if TYPE_CHECKING:
    from matplotlib.figure import Figure

KEYS = ("accuracy.tolerance_low", "accuracy.tolerance_high")


@dataclass(frozen=True, slots=True)
class LevelErrors:
    """One level: the errors of its readings, their bias, and the limits for the next one: expected, and of content."""

    at: At
    bias: float
    low: float
    high: float
    content: tuple[float, float]
    errors: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class AccuracyView:
    """What this chapter draws; the limits are to hold the share `beta`."""

    levels: tuple[LevelErrors, ...]
    beta: float


def accuracy_profile(evaluation: Evaluation, study: Study) -> Figure | None:
    """Errors, bias, expectation and content limits by level, with the plan's acceptance limits where it sets some."""
    view: AccuracyView = evaluation.display.view
    places = [level.at for level in view.levels]
    x, share = positions(places), f"{100 * view.beta:g} %"
    bias, low, high = ([getattr(level, name) for level in view.levels] for name in ("bias", "low", "high"))
    numeric = all(isinstance(at, float | int) for at in places)
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.axhline(0, color=INK, lw=0.6)
        if numeric and len(x) > 1:
            axes.fill_between(x, low, high, color=SKY, alpha=0.18, lw=0)
        for at, level in zip(x, view.levels, strict=True):
            axes.plot([at] * len(level.errors), level.errors, marker="o", ms=2.2, mfc="none", mec=GREY, mew=0.6, lw=0)
        joined = 0.9 if numeric else 0.0
        axes.plot(x, bias, color=INK, lw=joined, marker="D", ms=3.5)
        for values, marker in ((low, "^"), (high, "v")):
            axes.plot(x, values, color=BLUE, lw=joined, ls="--" if joined else "", marker=marker, ms=4)
        for end in zip(*(level.content for level in view.levels), strict=True):
            axes.plot(x, end, color=INK, lw=joined and 0.7, ls=":" if joined else "", marker="_", ms=5)
        end_label(axes, x[-1], bias[-1], "bias", color=INK)
        end_label(axes, x[-1], high[-1], f"{share} expected", color=BLUE)
        end_label(axes, x[-1], view.levels[-1].content[1], f"with {share} confidence", color=INK)
        worst = [max(pair, key=abs) for pair in zip(low, high, strict=True)]
        outside = limits(axes, study, KEYS, "inside", places, worst)
        level_axis(axes, places, study)
        axes.set_ylabel(f"result minus reference value / {study.unit}")
        if outside:
            message = "Expected errors reach beyond the limits of the plan at " + ", ".join(
                named(at, study.unit) for at in outside
            )
        elif outside is not None:
            message = "Expected errors stay within the limits of the plan at every level that has one"
        else:
            message = f"Where {share} of the errors of future single results are expected"
        axes.set_title(message)
    return figure
