"""Figure of the chapter on recovery."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures._limits import row_limits
from validation.figures.style import BLUE, GREY, INK, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, places_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Strip:
    """A recovery with both its intervals, and the recoveries of the single readings after the addition."""

    recovery: Quantity
    singles: tuple[float, ...] = ()

    @property
    def name(self) -> str:
        return "mean of the samples" if self.recovery.at is None else str(self.recovery.at)


@dataclass(frozen=True, slots=True)
class RecoveryView:
    """What this chapter draws: the samples, and their mean."""

    samples: tuple[Strip, ...]
    mean: Strip


def recovery_by_sample(evaluation: Evaluation, study: Study) -> Figure | None:
    """One strip a sample, the mean of the samples last, about the line of full recovery."""
    view: RecoveryView = evaluation.display.view
    strips = [*view.samples, view.mean] if len(view.samples) > 1 else list(view.samples)
    with dossier_style():
        figure, (axes,) = new_figure(height=1.4 + 0.34 * len(strips))
        axes.axvline(100, color=INK, lw=0.6)
        for y, strip in enumerate(reversed(strips)):
            _draw(axes, y, strip, INK if strip is view.mean else BLUE)
        places = [(y, strip.recovery.key, _at(strip)) for y, strip in enumerate(reversed(strips))]
        row_limits(axes, study, places, scale=100.0)
        axes.set_yticks(range(len(strips)), [strip.name for strip in reversed(strips)])
        axes.set_ylim(-0.7, len(strips) - 0.3)
        axes.tick_params(axis="y", length=0)
        circles = "; circles: single readings after the addition" if any(strip.singles for strip in strips) else ""
        bars = f"thin: {100 * study.confidence:g} % interval; thick: {100 * study.judged_confidence:g} %, for the limit"
        axes.set_xlabel(f"recovery / %\n{bars}{circles}")
        axes.set_title(_title(strips[-1], len(strips)), pad=14)
    return figure


def _at(strip: Strip) -> str | None:
    return None if strip.recovery.at is None else str(strip.recovery.at)


def _draw(axes: Axes, y: float, strip: Strip, color: str) -> None:
    recovery = strip.recovery
    for single in strip.singles:
        axes.plot([100 * single], [y - 0.26], marker="o", ms=3.2, mfc="none", mec=GREY, mew=0.7, lw=0)
    if recovery.interval is not None:
        axes.plot([100 * end for end in recovery.interval], [y, y], color=color, lw=0.8, marker="|", ms=6)
    if recovery.judged_interval is not None:
        axes.plot([100 * end for end in recovery.judged_interval], [y, y], color=color, lw=3, solid_capstyle="butt")
    axes.plot([100 * recovery.value], [y], color=color, marker="D", ms=5, lw=0)


def _title(last: Strip, count: int) -> str:
    interval = last.recovery.interval
    places = 0 if interval is None else places_for(100 * (interval[1] - interval[0]) / 4)
    value = fixed(100 * last.recovery.value, places)
    if count == 1:
        return f"Of the addition to {last.name}, {value} % is found"
    return f"On average {value} % of what was added is found"
