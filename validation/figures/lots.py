"""Figures of the chapter on lot bridging."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from validation.figures._levels import ring
from validation.figures.style import BLUE, GREY, INK, dossier_style, new_figure
from validation.stats.intervals import Interval
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, with_interval

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class RelativeReading:
    """A response over the mean response of the reference lot, and its row of the worksheet."""

    reading: str
    line: int
    value: float


@dataclass(frozen=True, slots=True)
class LotResponse:
    """A lot, its response over that of the reference lot, and its readings; none where that averages to zero."""

    lot: str
    ratio: float | None
    interval: Interval | None
    readings: tuple[RelativeReading, ...]


@dataclass(frozen=True, slots=True)
class FirstReadings:
    """The ratio from the first so many readings of a lot; `lies`: where its interval is against the allowed step."""

    lot: str
    ratio: float
    interval: Interval | None
    step: float | None
    lies: str


@dataclass(frozen=True, slots=True)
class OtherCount:
    """For another number of readings a lot: the half-width to expect, and what the first so many of each gave."""

    count: int
    half_width: float
    lots: tuple[FirstReadings, ...]


@dataclass(frozen=True, slots=True)
class LotsView:
    """What this chapter draws and puts into words; `relative_sd` is that of one reading."""

    reference: str
    lots: tuple[LotResponse, ...]
    relative_sd: float | None
    counts: tuple[OtherCount, ...]


def lot_chain(evaluation: Evaluation, study: Study) -> Figure | None:
    """The response of every lot over that of the reference lot, in the order of the lots, with intervals."""
    view: LotsView = evaluation.display.view
    chain = [(lot.lot, lot.ratio, lot.interval) for lot in view.lots if lot.ratio is not None]
    if len(chain) < 2:
        return None
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.axhline(1, color=INK, lw=0.6)
        axes.plot(range(len(chain)), [ratio for _, ratio, _ in chain], color=GREY, lw=0.7, ls=":")
        for x, (lot, ratio, interval) in enumerate(chain):
            if interval is not None:
                axes.plot([x, x], list(interval), color=BLUE, lw=1.2, marker="_", ms=6)
            axes.plot([x], [ratio], color=BLUE, marker="D", ms=5, lw=0)
            text, rise = ("reference", 9) if lot == view.reference else (with_interval(ratio, interval)[0], 0)
            axes.annotate(text, (x, ratio), xytext=(8, rise), textcoords="offset points", va="center")
        axes.set_xlim(-0.5, len(chain) - 0.3)
        axes.set_xticks(range(len(chain)), [lot for lot, _, _ in chain])
        axes.set_xlabel("lot")
        axes.set_ylabel(f"response over that of {view.reference}")
        others = {lot: ratio for lot, ratio, _ in chain if lot != view.reference}
        axes.set_title(_message(others, view.reference))
    return figure


def readings_by_lot(evaluation: Evaluation, study: Study) -> Figure | None:
    """Every reading of every lot, over the mean of the reference lot, in worksheet order."""
    view: LotsView = evaluation.display.view
    lots = [lot for lot in view.lots if lot.readings]
    if not lots:
        return None
    flagged = {flag.reading for flag in evaluation.flags}
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.axhline(1, color=INK, lw=0.6)
        for x, lot in enumerate(lots):
            values = [row.value for row in lot.readings]
            places = x + np.linspace(-0.28, 0.28, len(values)) if len(values) > 1 else np.array([x])
            axes.plot(places, values, marker="o", ms=3, mfc="none", mec=BLUE, mew=0.8, lw=0)
            axes.plot([x - 0.33, x + 0.33], [np.mean(values)] * 2, color=INK, lw=1.1)
            for place, row in zip(places, lot.readings, strict=True):
                if row.reading in flagged:
                    ring(axes, float(place), row.value, row.line)
        axes.set_xlim(-0.6, len(lots) - 0.4)
        axes.set_xticks(range(len(lots)), [lot.lot for lot in lots])
        axes.set_xlabel("lot, readings in the order of the worksheet")
        axes.set_ylabel(f"response over the mean of {view.reference}")
        axes.set_title(_scatter_message(view.relative_sd))
    return figure


def _scatter_message(relative_sd: float | None) -> str:
    if not relative_sd:
        return "Readings of each lot and their mean"
    return f"One reading of a lot scatters by {fixed(100 * relative_sd, 1)} % (standard deviation)"


def _message(ratios: Mapping[str, float], reference: str) -> str:
    lot = max(ratios, key=lambda name: abs(ratios[name] - 1))
    effect = 100 * (ratios[lot] - 1)
    size = fixed(abs(effect), 1)
    if size == "0.0":
        return f"No lot responds differently from {reference} by a tenth of a percent"
    return f"{lot} responds {size} % {'stronger' if effect > 0 else 'weaker'} than {reference}"
