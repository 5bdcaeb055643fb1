"""Figures of the chapter on lot bridging."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from validation.figures._levels import ring
from validation.figures.style import BLUE, GREY, INK, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, with_interval


def lot_chain(evaluation: Evaluation, study: Study) -> Figure | None:
    """The response of every lot over that of the reference lot, in the order of the lots, with intervals."""
    shown = [entry for entry in evaluation.details["lots"] if entry["ratio"] is not None]
    if len(shown) < 2:
        return None
    reference = evaluation.details["reference"]
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.axhline(1, color=INK, lw=0.6)
        axes.plot(range(len(shown)), [entry["ratio"] for entry in shown], color=GREY, lw=0.7, ls=":")
        for x, entry in enumerate(shown):
            interval = entry["interval"]
            if interval is not None:
                axes.plot([x, x], interval, color=BLUE, lw=1.2, marker="_", ms=6)
            axes.plot([x], [entry["ratio"]], color=BLUE, marker="D", ms=5, lw=0)
            pair = None if interval is None else (interval[0], interval[1])
            text = "reference" if entry["lot"] == reference else with_interval(entry["ratio"], pair)[0]
            rise = 9 if entry["lot"] == reference else 0
            axes.annotate(text, (x, entry["ratio"]), xytext=(8, rise), textcoords="offset points", va="center")
        axes.set_xlim(-0.5, len(shown) - 0.3)
        axes.set_xticks(range(len(shown)), [entry["lot"] for entry in shown])
        axes.set_xlabel("lot")
        axes.set_ylabel(f"response over that of {reference}")
        axes.set_title(_message(shown, reference))
    return figure


def readings_by_lot(evaluation: Evaluation, study: Study) -> Figure | None:
    """Every reading of every lot, over the mean of the reference lot, in worksheet order."""
    shown = [entry for entry in evaluation.details["lots"] if entry["relative"] is not None]
    if not shown:
        return None
    reference = evaluation.details["reference"]
    flagged = {flag.reading for flag in evaluation.flags}
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.axhline(1, color=INK, lw=0.6)
        for x, entry in enumerate(shown):
            values = entry["relative"]
            places = x + np.linspace(-0.28, 0.28, len(values)) if len(values) > 1 else np.array([x])
            axes.plot(places, values, marker="o", ms=3, mfc="none", mec=BLUE, mew=0.8, lw=0)
            axes.plot([x - 0.33, x + 0.33], [np.mean(values)] * 2, color=INK, lw=1.1)
            for place, value, point in zip(places, values, entry["points"], strict=True):
                if point["reading"] in flagged:
                    ring(axes, float(place), value, point)
        axes.set_xlim(-0.6, len(shown) - 0.4)
        axes.set_xticks(range(len(shown)), [entry["lot"] for entry in shown])
        axes.set_xlabel("lot, readings in the order of the worksheet")
        axes.set_ylabel(f"response over the mean of {reference}")
        axes.set_title(_scatter_message(evaluation.details["relative_sd"]))
    return figure


def _scatter_message(relative_sd: float | None) -> str:
    if not relative_sd:
        return "Readings of each lot and their mean"
    return f"One reading of a lot scatters by {fixed(100 * relative_sd, 1)} % (standard deviation)"


def _message(shown: Sequence[Mapping[str, Any]], reference: str) -> str:
    others = [entry for entry in shown if entry["lot"] != reference]
    far = max(others, key=lambda entry: abs(entry["ratio"] - 1))
    effect = 100 * (far["ratio"] - 1)
    size = fixed(abs(effect), 1)
    if size == "0.0":
        return f"No lot responds otherwise than {reference} by a tenth of a percent"
    return f"{far['lot']} responds {size} % {'stronger' if effect > 0 else 'weaker'} than {reference}"
