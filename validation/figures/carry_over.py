"""Figures of the chapter on carry-over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from validation.figures._levels import ring
from validation.figures.style import BLUE, GREY, INK, VERMILION, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, places_for, significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Blank:
    """The result of a blank, and its row of the worksheet."""

    reading: str
    line: int
    result: float


@dataclass(frozen=True, slots=True)
class SettingBlanks:
    """One setting: effect, both blanks of each triple, mean high result, mean of blank 2, and the effect allowed."""

    setting: str
    effect: Quantity
    triples: tuple[tuple[Blank, Blank], ...]
    high: float
    second: float
    allowed: float | None


@dataclass(frozen=True, slots=True)
class MeanResidual:
    """Mean residual after one material, `previous` its mean result, with its standard error."""

    previous: float
    mean: float
    error: float


@dataclass(frozen=True, slots=True)
class RunOrderShare:
    """The share seen in the order of one experiment; residuals against the result before, in units of their s.

    `detectable` is the share that would have been seen; `telling`: whether it is small enough to mean something.
    """

    share: Quantity
    unit: str | None
    detectable: float | None
    telling: bool
    points: tuple[tuple[float, float], ...]
    means: tuple[MeanResidual, ...]

    @property
    def experiment(self) -> str:
        return str(self.share.at)


@dataclass(frozen=True, slots=True)
class CarryOverView:
    """What this chapter draws and puts into words."""

    settings: tuple[SettingBlanks, ...]
    order: tuple[RunOrderShare, ...]


def triples(evaluation: Evaluation, study: Study) -> Figure | None:
    """Both blanks of each triple, joined, one panel a setting; the limit of the plan above blank 2."""
    view: CarryOverView = evaluation.display.view
    flagged = {flag.reading for flag in evaluation.flags}
    with dossier_style():
        figure, panels, first_column = _panels(len(view.settings), top=0.6, row=2.4)
        for axes, at in zip(panels, view.settings, strict=True):
            _triples_of(axes, at.triples, flagged)
            _effect(axes, at, study.unit)
        for axes in first_column:
            axes.set_ylabel(f"result of the blank / {study.unit}")
        _headline(figure, _triples_title(view.settings, study.unit))
    return figure


def _panels(count: int, *, top: float, row: float) -> tuple[Figure, list[Axes], list[Axes]]:
    """A figure of `count` panels, three at most side by side; the panels, and those of the first column."""
    columns = min(3, count)
    rows = -(-count // columns)
    figure, panels = new_figure(rows, columns, height=top + row * rows, sharey=True)
    for axes in panels[count:]:
        axes.set_visible(False)
    return figure, panels[:count], panels[::columns]


def _triples_of(axes: Axes, triples: Sequence[tuple[Blank, Blank]], flagged: set[str]) -> None:
    axes.axhline(0, color=INK, lw=0.6)
    offsets = np.linspace(-0.12, 0.12, len(triples)) if len(triples) > 1 else np.zeros(1)
    for offset, blanks in zip(offsets, triples, strict=True):
        x = [offset, 1 + offset]
        axes.plot(x, [blank.result for blank in blanks], color=GREY, lw=0.8, marker="o", ms=4, mfc="white", mec=BLUE)
        for at, blank in zip(x, blanks, strict=True):
            if blank.reading in flagged:
                ring(axes, float(at), blank.result, blank.line)
    axes.set_xlim(-0.35, 1.35)
    axes.set_xticks([0, 1], ["blank 1", "blank 2"])


def _effect(axes: Axes, at: SettingBlanks, unit: str) -> None:
    """The effect with its interval as the title of the panel, and the level that blank 1 may reach."""
    named = "" if at.setting == "all" else f"{at.setting}: "
    axes.set_title(f"{named}effect {_with_interval(at.effect)} {unit}", fontsize=9, fontweight="normal")
    if at.allowed is None:
        return
    top = at.second + at.allowed
    axes.axhline(top, color=VERMILION, lw=1.0, ls="-.")
    axes.annotate(
        "mean blank 2 + limit",
        (1.33, top),
        xytext=(0, 4),
        textcoords="offset points",
        ha="right",
        color=VERMILION,
        fontsize=8.5,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5},
    )


def _with_interval(q: Quantity, factor: float = 1.0) -> str:
    """A quantity times `factor` with its interval in brackets."""
    if q.interval is None:
        return significant(factor * q.value)
    low, high = (factor * end for end in q.interval)
    places = places_for((high - low) / 4)
    return f"{fixed(factor * q.value, places)} ({fixed(low, places)} to {fixed(high, places)})"


def _triples_title(settings: Sequence[SettingBlanks], unit: str) -> str:
    largest = max(settings, key=lambda at: at.effect.value)
    interval = largest.effect.interval
    places = 3 if interval is None else places_for((interval[1] - interval[0]) / 4)
    at = "" if largest.setting == "all" else f" at {largest.setting}"
    size = fixed(largest.effect.value, places)
    return f"The first blank after a high sample reads {size} {unit} above the second{at}"


def previous_result(evaluation: Evaluation, study: Study) -> Figure | None:
    """Residuals within run and material against the result before, one panel an experiment whose order can show it."""
    view: CarryOverView = evaluation.display.view
    orders = [order for order in view.order if order.telling] or list(view.order[:1])
    if not orders:
        return None
    with dossier_style():
        figure, panels, _ = _panels(len(orders), top=0.7, row=2.2)
        for axes, order in zip(panels, orders, strict=True):
            _residuals(axes, order, study.unit)
        figure.supylabel("residual / its standard deviation", fontsize=10)
        _headline(figure, _order_title(orders))
    return figure


def _headline(figure: Figure, text: str) -> None:
    figure.suptitle(text, x=0.01, ha="left", fontsize=11, fontweight="bold")


def _residuals(axes: Axes, order: RunOrderShare, unit: str) -> None:
    axes.axhline(0, color=INK, lw=0.6)
    x, residuals = zip(*order.points, strict=True)
    axes.plot(x, residuals, lw=0, marker="o", ms=3, mfc="none", mec=GREY, mew=0.7)
    for mean in order.means:
        ends = mean.mean - mean.error, mean.mean + mean.error
        axes.plot([mean.previous, mean.previous], ends, color=BLUE, lw=1.2)
        axes.plot([mean.previous], [mean.mean], color=BLUE, marker="D", ms=5)
    low = min(0.0, *x)
    axes.set_xlim(low - 0.04 * (max(x) - low), max(x) + 0.04 * (max(x) - low))
    axes.set_xlabel(f"previous result / {order.unit or unit}")
    share = "" if order.share.interval is None else f"\nshare {_with_interval(order.share, 100)} %"
    axes.set_title(f"{order.experiment}{share}", fontsize=9, fontweight="normal")


def _order_title(orders: Sequence[RunOrderShare]) -> str:
    clear = [order.experiment for order in orders if order.share.interval is not None and order.share.interval[0] > 0]
    if clear:
        return f"Results after a high one read high in {', '.join(clear)}; diamonds: mean and its standard error"
    return "Residuals do not rise with the result before; diamonds: mean and its standard error"
