"""Figures of the chapter on carry-over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures._levels import ring
from validation.figures.style import BLUE, GREY, INK, VERMILION, WIDTH, dossier_style
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, places_for, significant


def triples(evaluation: Evaluation, study: Study) -> Figure | None:
    """Both blanks of each triple, joined, one panel a setting; the limit of the plan above blank 2."""
    shown = evaluation.details.get("settings", ())
    if not shown:
        return None
    flagged = {flag.reading for flag in evaluation.flags}
    columns = min(3, len(shown))
    rows = -(-len(shown) // columns)
    with dossier_style():
        figure = Figure(figsize=(WIDTH, 0.6 + 2.4 * rows), layout="constrained")
        panels = figure.subplots(rows, columns, squeeze=False, sharey=True)
        for axes, entry in zip(panels.flat, shown, strict=False):
            _triples_of(axes, entry, flagged)
            _effect(axes, entry, entry["allowed"], study.unit)
        for axes in list(panels.flat)[len(shown) :]:
            axes.set_visible(False)
        for row in panels:
            row[0].set_ylabel(f"result of the blank / {study.unit}")
        figure.suptitle(_triples_title(shown, study.unit), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _triples_of(axes: Axes, entry: Mapping[str, Any], flagged: set[str]) -> None:
    axes.axhline(0, color=INK, lw=0.6)
    count = len(entry["triples"])
    offsets = np.linspace(-0.12, 0.12, count) if count > 1 else np.zeros(1)
    for offset, triple in zip(offsets, entry["triples"], strict=True):
        x, blanks = [offset, 1 + offset], triple["results"][1:]
        axes.plot(x, blanks, color=GREY, lw=0.8, marker="o", ms=4, mfc="white", mec=BLUE)
        for at, value, line, reading in zip(x, blanks, triple["lines"][1:], triple["readings"][1:], strict=True):
            if reading in flagged:
                ring(axes, float(at), value, {"line": line})
    axes.set_xlim(-0.35, 1.35)
    axes.set_xticks([0, 1], ["blank 1", "blank 2"])


def _effect(axes: Axes, entry: Mapping[str, Any], limit: float | None, unit: str) -> None:
    """The effect with its interval as the title of the panel, and the level that blank 1 may reach."""
    named = "" if entry["setting"] == "all" else f"{entry['setting']}: "
    axes.set_title(f"{named}effect {_with_interval(entry)} {unit}", fontsize=9, fontweight="normal")
    if limit is None:
        return
    base = entry["second"]
    axes.axhline(base + limit, color=VERMILION, lw=1.0, ls="-.")
    axes.annotate(
        "mean blank 2 + limit",
        (1.33, base + limit),
        xytext=(0, 4),
        textcoords="offset points",
        ha="right",
        color=VERMILION,
        fontsize=8.5,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5},
    )


def _with_interval(entry: Mapping[str, Any]) -> str:
    if entry["interval"] is None:
        return significant(entry["effect"])
    low, high = entry["interval"]
    places = places_for((high - low) / 4)
    return f"{fixed(entry['effect'], places)} ({fixed(low, places)} to {fixed(high, places)})"


def _triples_title(shown: Sequence[Mapping[str, Any]], unit: str) -> str:
    largest = max(shown, key=lambda entry: entry["effect"])
    interval = largest["interval"]
    places = 3 if interval is None else places_for((interval[1] - interval[0]) / 4)
    at = "" if largest["setting"] == "all" else f" at {largest['setting']}"
    return f"The first blank after a high sample reads {fixed(largest['effect'], places)} {unit} above the second{at}"


def previous_result(evaluation: Evaluation, study: Study) -> Figure | None:
    """Residuals within run and material against the result before, one panel an experiment whose order can tell."""
    order = evaluation.details.get("order", ())
    shown = [entry for entry in order if entry["telling"]] or order[:1]
    if not shown:
        return None
    columns = min(3, len(shown))
    rows = -(-len(shown) // columns)
    with dossier_style():
        figure = Figure(figsize=(WIDTH, 0.7 + 2.2 * rows), layout="constrained")
        panels = figure.subplots(rows, columns, squeeze=False, sharey=True)
        for axes, entry in zip(panels.flat, shown, strict=False):
            _residuals(axes, entry, study.unit)
        for axes in list(panels.flat)[len(shown) :]:
            axes.set_visible(False)
        figure.supylabel("residual / its standard deviation", fontsize=10)
        figure.suptitle(_order_title(shown), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _residuals(axes: Axes, entry: Mapping[str, Any], unit: str) -> None:
    axes.axhline(0, color=INK, lw=0.6)
    points = entry["points"]
    x = [point["previous"] for point in points]
    axes.plot(x, [point["residual"] for point in points], lw=0, marker="o", ms=3, mfc="none", mec=GREY, mew=0.7)
    for mean in entry["means"]:
        at, ends = mean["previous"], (mean["mean"] - mean["error"], mean["mean"] + mean["error"])
        axes.plot([at, at], ends, color=BLUE, lw=1.2)
        axes.plot([at], [mean["mean"]], color=BLUE, marker="D", ms=5)
    low = min(0.0, *x)
    axes.set_xlim(low - 0.04 * (max(x) - low), max(x) + 0.04 * (max(x) - low))
    axes.set_xlabel(f"previous result / {entry['unit'] or unit}")
    share = "" if entry["interval"] is None else f"\nshare {_per_cent(entry)}"
    axes.set_title(f"{entry['experiment']}{share}", fontsize=9, fontweight="normal")


def _per_cent(entry: Mapping[str, Any]) -> str:
    low, high = (100 * end for end in entry["interval"])
    places = places_for((high - low) / 4)
    return f"{fixed(100 * entry['share'], places)} ({fixed(low, places)} to {fixed(high, places)}) %"


def _order_title(shown: Sequence[Mapping[str, Any]]) -> str:
    clear = [e["experiment"] for e in shown if e["interval"] is not None and e["interval"][0] > 0]
    if clear:
        return f"Results after a high one read high in {', '.join(clear)}; diamonds: mean and its standard error"
    return "Residuals do not rise with the result before; diamonds: mean and its standard error"
