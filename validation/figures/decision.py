"""Figures of the chapter on the decision rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from validation.figures._levels import named
from validation.figures.style import BLUE, GREY, INK, SKY, VERMILION, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANEL = 2.3  # inches a limit
LOW = 2.75  # inches: a histogram tells as much, and the page keeps room for the table
#: Background of a label on a hatched or crossed place.
GROUND = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.2}


@dataclass(frozen=True, slots=True)
class LimitZones:
    """The zones at one limit, in the unit of the study.

    `acceptance`, `rejection` are the ends of the zones, printed with `places` decimals; `above` is the probability
    that the true value is above the limit, along results `x`. `results` are earlier results among these, `beyond`
    the number of all earlier ones above the limit.
    """

    limit: float
    u: float
    rule: str
    rule_words: str
    acceptance: float
    rejection: float
    places: int
    x: tuple[float, ...]
    above: tuple[float, ...]
    results: tuple[float, ...]
    beyond: int


@dataclass(frozen=True, slots=True)
class EarlierResults:
    """The `n` earlier results in classes, and what the fitted distribution expects in a class, along results `x`."""

    edges: tuple[float, ...]
    counts: tuple[int, ...]
    x: tuple[float, ...]
    expected: tuple[float, ...]
    n: int
    family: str


@dataclass(frozen=True, slots=True)
class DecisionView:
    """What this chapter draws and says.

    `risks` are false clearance and false condemnation of each limit, in the order of the limits; `agreement` says who
    agreed to the rule, `between` what the laboratory does with a result between the zones.
    """

    limits: tuple[LimitZones, ...]
    history: EarlierResults | None
    risks: tuple[Quantity, ...]
    rule_is_stated: bool
    agreement: str
    between: str


def zones(evaluation: Evaluation, study: Study) -> Figure | None:
    """The zones along the results about each limit, with the probability that a report is wrong."""
    view: DecisionView = evaluation.display.view
    with dossier_style():
        figure, panels = new_figure(rows=len(view.limits), height=PANEL * len(view.limits))
        for axes, zones_at in zip(panels, view.limits, strict=True):
            _panel(axes, zones_at, study.unit)
        marks = "; short marks: earlier results" if any(at.results for at in view.limits) else ""
        panels[-1].set_xlabel(f"result / {study.unit}{marks}")
    return figure


def _panel(axes: Axes, at: LimitZones, unit: str) -> None:
    x, above = np.asarray(at.x), 100 * np.asarray(at.above)
    limit, a, r = at.limit, at.acceptance, at.rejection
    clear_to, condemn_from = max(limit, a), min(limit, r)
    top = max(float(above[x <= clear_to].max(initial=0)), float((100 - above)[x >= condemn_from].max(initial=0)), 50.0)
    room = 1.42 * top
    axes.axvspan(x[0], max(a, x[0]), color=SKY, alpha=0.22, lw=0)
    axes.axvspan(min(r, x[-1]), x[-1], facecolor="none", edgecolor=VERMILION, alpha=0.35, hatch="///", lw=0)
    axes.axvline(limit, color=INK, lw=1.1)
    for end in sorted({a, r} - {limit}):
        axes.axvline(end, color=INK, lw=0.8, ls="--")
    # Solid where the report is made, dotted where it would be made without the guard band.
    for wanted, curve, made in ((x <= clear_to, above, x <= a), (x >= condemn_from, 100 - above, x >= r)):
        color = BLUE if curve is above else VERMILION
        axes.plot(x[wanted], curve[wanted], color=color, lw=1.0, ls=":")
        axes.plot(x[wanted & made], curve[wanted & made], color=color, lw=1.8)
    _names(axes, at, x, room)
    _curve_labels(axes, x, above, at)
    if at.results:
        axes.plot(at.results, np.full(len(at.results), -0.045 * room), color=GREY, marker="|", ms=7, lw=0)
    axes.set_xlim(x[0], x[-1])
    axes.set_ylim(-0.09 * room, room)
    axes.set_yticks([0, 25, 50] if top <= 50 else [0, 25, 50, 75, 100])
    axes.set_ylabel("probability / %")
    _ticks(axes, at)
    axes.set_title(_title(at, unit))


def _names(axes: Axes, at: LimitZones, x: np.ndarray, room: float) -> None:
    limit, a, r = at.limit, at.acceptance, at.rejection
    spans = [(x[0], a, "reported as\nbelow"), (r, x[-1], "reported as\nabove")]
    if at.rule == "non-binary":
        spans += [(a, limit, "conditionally\nbelow"), (limit, r, "conditionally\nabove")]
    for low, high, text in spans:
        low, high = max(low, x[0]), min(high, x[-1])
        if high - low < 0.05 * (x[-1] - x[0]):
            continue
        axes.text((low + high) / 2, 0.98 * room, text, ha="center", va="top", fontsize=8.5, color=INK, bbox=GROUND)


def _curve_labels(axes: Axes, x: np.ndarray, above: np.ndarray, at: LimitZones) -> None:
    """Words next to each curve, outside the conditional zones, on their own background."""
    a, r, limit = at.acceptance, at.rejection, at.limit
    left, right = x <= limit, x >= limit
    clear_at = min(a, float(np.interp(12.0, above[left], x[left])))
    condemn_at = max(r, float(np.interp(-12.0, above[right] - 100, x[right])))
    places = (
        (clear_at, above, "right", -6, "false clearance", BLUE),
        (condemn_at, 100 - above, "left", 6, "false condemnation", VERMILION),
    )
    for place, curve, side, shift, text, color in places:
        if not x[0] < place < x[-1]:
            continue
        axes.annotate(
            text, (place, float(np.interp(place, x, curve))), xytext=(shift, 8), textcoords="offset points", ha=side,
            fontsize=8.5, color=color, bbox=GROUND,
        )  # fmt: skip


def _ticks(axes: Axes, at: LimitZones) -> None:
    """The limit and the ends of the zones are the marks of this axis; round numbers fill the space between them."""
    places = at.places
    low, high = at.x[0], at.x[-1]
    own = sorted(mark for mark in {at.limit, at.acceptance, at.rejection} if low <= mark <= high)
    gap = 0.09 * (high - low)
    plain = [float(t) for t in axes.get_xticks() if low < t < high and all(abs(t - mark) > gap for mark in own)]
    marks = sorted({*own, *plain})
    axes.set_xticks(marks, [fixed(mark, places if mark in own else 1) for mark in marks])


def _title(at: LimitZones, unit: str) -> str:
    limit = named(at.limit, unit)
    a, r = (fixed(end, at.places) for end in (at.acceptance, at.rejection))
    if at.acceptance <= 0:
        return f"Limit {limit}: the guard band reaches zero, no result is reported as below"
    if at.rule == "non-binary":
        return f"Limit {limit}: below up to {a}, above from {r}, between them not shown"
    if at.rule == "guarded":
        return f"Limit {limit}: up to {a} a result is reported as below, else as above"
    return f"Limit {limit}: the result alone decides, and at the limit half of the reports are wrong"


def earlier_results(evaluation: Evaluation, study: Study) -> Figure | None:
    """The laboratory's earlier results in classes, with what the fitted distribution expects of them."""
    view: DecisionView = evaluation.display.view
    history = view.history
    if history is None:
        return None
    limits = [at.limit for at in view.limits]
    top = 1.25 * max(*history.counts, *history.expected)
    right = max(history.edges[-1], 1.02 * max(limits))
    with dossier_style():
        figure, (axes,) = new_figure(height=LOW)
        axes.stairs(history.counts, history.edges, color=GREY, fill=True, alpha=0.35)
        axes.stairs(history.counts, history.edges, color=GREY, lw=0.8)
        axes.plot(history.x, history.expected, color=BLUE, lw=1.6)
        peak = int(np.argmax(history.expected))
        # Short lines, so that the name of the curve ends before a limit near its peak.
        name = "fitted\n(" + history.family.replace(" ", "\n") + ")"
        axes.annotate(
            name, (history.x[peak], history.expected[peak]), xytext=(14, 0),
            textcoords="offset points", va="center", color=BLUE, bbox=GROUND,
        )  # fmt: skip
        _limit_lines(axes, limits, right, top, study.unit)
        axes.set_xlim(0, right)
        axes.set_ylim(0, top)
        axes.set_xlabel(f"result / {study.unit}")
        axes.set_ylabel("earlier results in a class")
        axes.set_title(_history_title(view.limits, history.n, study.unit))
    return figure


def _limit_lines(axes: Axes, limits: Sequence[float], right: float, top: float, unit: str) -> None:
    for limit in limits:
        axes.axvline(limit, color=VERMILION, lw=1.0, ls="-.")
        # The last limit may be near the edge: its name then goes to the left of its line.
        shift, side = (5, "left") if limit < 0.85 * right else (-5, "right")
        axes.annotate(
            f"limit {named(limit, unit)}", (limit, top), xytext=(shift, -2), textcoords="offset points", ha=side,
            va="top", color=VERMILION, fontsize=9, bbox=GROUND,
        )  # fmt: skip


def _history_title(limits: Sequence[LimitZones], n: int, unit: str) -> str:
    parts = [f"{at.beyond} above {named(at.limit, unit)}" for at in limits]
    return f"Of {n} earlier results {', '.join(parts)}"
