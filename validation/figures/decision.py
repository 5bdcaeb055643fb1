"""Figures of the chapter on the decision rule."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures._levels import named
from validation.figures.style import BLUE, GREY, INK, SKY, VERMILION, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed

PANEL = 2.5  # inches a limit
LOW = 2.8  # inches: a histogram tells as much, and the page keeps room for the table
#: Ground of a label that stands on a hatched or crossed place.
GROUND = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.2}


def zones(evaluation: Evaluation, study: Study) -> Figure | None:
    """The zones along the results about each limit, with the probability that a report is wrong."""
    shown = evaluation.details.get("limits", ())
    if not shown:
        return None
    with dossier_style():
        figure, panels = new_figure(rows=len(shown), height=PANEL * len(shown))
        for axes, entry in zip(panels, shown, strict=True):
            _panel(axes, entry, study.unit)
        marks = "; short marks: earlier results" if any(entry["results"] for entry in shown) else ""
        panels[-1].set_xlabel(f"result / {study.unit}{marks}")
    return figure


def _panel(axes: Axes, entry: dict[str, Any], unit: str) -> None:
    x, above = np.asarray(entry["x"]), 100 * np.asarray(entry["above"])
    limit, a, r = entry["limit"], entry["acceptance"], entry["rejection"]
    clear_to, condemn_from = max(limit, a), min(limit, r)
    top = max(float(above[x <= clear_to].max(initial=0)), float((100 - above)[x >= condemn_from].max(initial=0)), 50.0)
    room = 1.42 * top
    axes.axvspan(x[0], max(a, x[0]), color=SKY, alpha=0.22, lw=0)
    axes.axvspan(min(r, x[-1]), x[-1], facecolor="none", edgecolor=VERMILION, alpha=0.35, hatch="///", lw=0)
    axes.axvline(limit, color=INK, lw=1.1)
    for end in sorted({a, r} - {limit}):
        axes.axvline(end, color=INK, lw=0.8, ls="--")
    # Solid where the report is made, dotted where it would be made without the guard band.
    for wanted, curve, end in ((x <= clear_to, above, x <= a), (x >= condemn_from, 100 - above, x >= r)):
        color = BLUE if curve is above else VERMILION
        axes.plot(x[wanted], curve[wanted], color=color, lw=1.0, ls=":")
        axes.plot(x[wanted & end], curve[wanted & end], color=color, lw=1.8)
    _names(axes, entry, x, room)
    _curve_labels(axes, x, above, entry)
    if entry["results"]:
        axes.plot(entry["results"], np.full(len(entry["results"]), -0.045 * room), color=GREY, marker="|", ms=7, lw=0)
    axes.set_xlim(x[0], x[-1])
    axes.set_ylim(-0.09 * room, room)
    axes.set_yticks([0, 25, 50] if top <= 50 else [0, 25, 50, 75, 100])
    axes.set_ylabel("probability / %")
    _ticks(axes, entry)
    axes.set_title(_title(entry, unit))


def _names(axes: Axes, entry: dict[str, Any], x: np.ndarray, room: float) -> None:
    limit, a, r = entry["limit"], entry["acceptance"], entry["rejection"]
    spans = [(x[0], a, "reported as\nbelow"), (r, x[-1], "reported as\nabove")]
    if entry["rule"] == "non-binary":
        spans += [(a, limit, "conditionally\nbelow"), (limit, r, "conditionally\nabove")]
    for low, high, text in spans:
        low, high = max(low, x[0]), min(high, x[-1])
        if high - low < 0.05 * (x[-1] - x[0]):
            continue
        axes.text((low + high) / 2, 0.98 * room, text, ha="center", va="top", fontsize=8.5, color=INK, bbox=GROUND)


def _curve_labels(axes: Axes, x: np.ndarray, above: np.ndarray, entry: dict[str, Any]) -> None:
    """Words beside each curve, outside the conditional zones, on a ground of their own."""
    a, r, limit = entry["acceptance"], entry["rejection"], entry["limit"]
    left, right = x <= limit, x >= limit
    clear_at = min(a, float(np.interp(12.0, above[left], x[left])))
    condemn_at = max(r, float(np.interp(-12.0, above[right] - 100, x[right])))
    places = (
        (clear_at, above, "right", -6, "false clearance", BLUE),
        (condemn_at, 100 - above, "left", 6, "false condemnation", VERMILION),
    )
    for at, curve, side, shift, text, color in places:
        if not x[0] < at < x[-1]:
            continue
        axes.annotate(
            text, (at, float(np.interp(at, x, curve))), xytext=(shift, 8), textcoords="offset points", ha=side,
            fontsize=8.5, color=color, bbox=GROUND,
        )  # fmt: skip


def _ticks(axes: Axes, entry: dict[str, Any]) -> None:
    """The limit and the ends of the zones are the marks of this axis; round numbers fill the ground beside them."""
    places = entry["places"]
    low, high = entry["x"][0], entry["x"][-1]
    own = sorted(mark for mark in {entry["limit"], entry["acceptance"], entry["rejection"]} if low <= mark <= high)
    gap = 0.09 * (high - low)
    plain = [float(t) for t in axes.get_xticks() if low < t < high and all(abs(t - mark) > gap for mark in own)]
    marks = sorted({*own, *plain})
    axes.set_xticks(marks, [fixed(mark, places if mark in own else 1) for mark in marks])


def _title(entry: dict[str, Any], unit: str) -> str:
    limit = named(entry["limit"], unit)
    a, r = (fixed(entry[name], entry["places"]) for name in ("acceptance", "rejection"))
    if entry["acceptance"] <= 0:
        return f"Limit {limit}: the guard band reaches zero, no result is reported as below"
    if entry["rule"] == "non-binary":
        return f"Limit {limit}: below up to {a}, above from {r}, between them not shown"
    if entry["rule"] == "guarded":
        return f"Limit {limit}: up to {a} a result is reported as below, else as above"
    return f"Limit {limit}: the result alone decides, and at the limit half of the reports are wrong"


def earlier_results(evaluation: Evaluation, study: Study) -> Figure | None:
    """The laboratory's earlier results in classes, with what the fitted distribution expects of them."""
    shown = evaluation.details.get("history")
    if not shown:
        return None
    edges, counts = np.asarray(shown["edges"]), shown["counts"]
    limits = [entry["limit"] for entry in evaluation.details["limits"]]
    with dossier_style():
        figure, (axes,) = new_figure(height=LOW)
        axes.stairs(counts, edges, color=GREY, fill=True, alpha=0.35)
        axes.stairs(counts, edges, color=GREY, lw=0.8)
        axes.plot(shown["x"], shown["expected"], color=BLUE, lw=1.6)
        top = 1.25 * max(*counts, *shown["expected"])
        peak = int(np.argmax(shown["expected"]))
        # Two lines, so that the name of the curve ends before a limit that stands near its peak.
        axes.annotate(
            f"fitted\n({shown['family']})", (shown["x"][peak], shown["expected"][peak]), xytext=(14, 0),
            textcoords="offset points", va="center", color=BLUE, bbox=GROUND,
        )  # fmt: skip
        right = max(edges[-1], 1.02 * max(limits))
        for limit in limits:
            axes.axvline(limit, color=VERMILION, lw=1.0, ls="-.")
            # The last limit may stand near the edge: its name then goes to the left of its line.
            shift, side = (5, "left") if limit < 0.85 * right else (-5, "right")
            axes.annotate(
                f"limit {named(limit, study.unit)}", (limit, top), xytext=(shift, -2), textcoords="offset points",
                ha=side, va="top", color=VERMILION, fontsize=9, bbox=GROUND,
            )  # fmt: skip
        axes.set_xlim(0, right)
        axes.set_ylim(0, top)
        axes.set_xlabel(f"result / {study.unit}")
        axes.set_ylabel("earlier results in a class")
        axes.set_title(_history_title(shown, evaluation, study.unit))
    return figure


def _history_title(shown: dict[str, Any], evaluation: Evaluation, unit: str) -> str:
    parts = [f"{entry['beyond']} above {named(entry['limit'], unit)}" for entry in evaluation.details["limits"]]
    return f"Of {shown['n']} earlier results {', '.join(parts)}"
