"""Figures of the calibration chapter, drawn from its evaluation alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures.style import BLUE, GREY, INK, VERMILION, WIDTH, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import level_text, sentence_list, significant, with_interval

#: Three figures of this height share a page.
_HEIGHT = 2.85


def response_and_line(evaluation: Evaluation, study: Study) -> Figure | None:
    """Every response against its level, with the ordinary line."""
    points = evaluation.details.get("points")
    if not points:
        return None
    details = evaluation.details
    worst = _largest(_by_level(evaluation, "calibration.departure"))
    title = "Responses and the ordinary straight line"
    if worst is not None and worst.value is not None:
        size = significant(abs(worst.value), 2)
        title = f"Read back through the line, the mean departs by at most {size} {study.unit}"
    with dossier_style():
        figure, (axes,) = new_figure(height=_HEIGHT)
        top = max(point["x"] for point in points)
        line = details["line"]
        axes.plot([0, top], [line["intercept"], line["intercept"] + line["slope"] * top], color=INK, lw=0.8)
        axes.plot([p["x"] for p in points], [p["response"] for p in points], "o", color=BLUE, mfc="none", mew=0.8)
        _ring(axes, evaluation, points, "x", "response")
        equation = f"{significant(line['intercept'], 4)} + {significant(line['slope'], 4)} × level"
        axes.annotate(
            equation,
            (0.62 * top, line["intercept"] + line["slope"] * 0.62 * top),
            xytext=(12, -16 if line["slope"] > 0 else 10),
            textcoords="offset points",
            fontsize=9,
            color=INK,
        )
        _level_axis(axes, study, top)
        axes.set_ylabel(f"response / {details['response_unit']}")
        axes.set_title(title)
    return figure


def residuals(evaluation: Evaluation, study: Study) -> Figure | None:
    """Residuals about the ordinary line, in result units, by level and by order of measurement."""
    points = evaluation.details.get("points")
    if not points or any(point["residual"] is None for point in points):
        return None
    details = evaluation.details
    spread = details["sd"]
    with dossier_style():
        figure, (left, right) = new_figure(1, 2, height=_HEIGHT)
        top = max(point["x"] for point in points)
        for axes, name in ((left, "x"), (right, "order")):
            axes.axhline(0, color=INK, lw=0.6)
            axes.plot([p[name] for p in points], [p["residual"] for p in points], "o", color=BLUE, mfc="none", mew=0.8)
            _ring(axes, evaluation, points, name, "residual")
        if spread is not None:
            for sign in (2, -2):
                ends = [sign * spread[0], sign * (spread[0] + spread[1] * top)]
                left.plot([0, top], ends, color=GREY, lw=0.8, ls="--")
            left.annotate(
                "2 s(x)", (top, 2 * (spread[0] + spread[1] * top)), fontsize=9, color=GREY, ha="right", va="bottom"
            )
        _level_axis(left, study, top)
        left.set_ylabel(f"residual / {study.unit}")
        right.set_xlabel(f"order ({details['order_from']})")
        right.tick_params(labelleft=False)
        right.set_ylim(left.get_ylim())
        title = "Residuals about the ordinary line, by level and by order"
        if spread is not None:
            low, high = significant(spread[0], 2), significant(spread[0] + spread[1] * top, 2)
            title = f"The spread goes from {low} at level 0 to {high} {study.unit} at {level_text(top)}"
        left.set_title(title)
    return figure


def departure_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Departure from the ordinary line by level, with intervals and the required limit."""
    quantities = _by_level(evaluation, "calibration.departure")
    worst = _largest(quantities)
    if worst is None or worst.value is None:
        return None
    title = f"The line is missed most at {level_text(worst.at)} {study.unit}: {_told(worst)} {study.unit}"
    label = f"back-calculated minus level / {study.unit}"
    return _intervals_by_level(evaluation, study, quantities, "calibration.departure", title, label)


def single_point_bias_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Error of the one-point calibration by level, with intervals, the required limit and the routine standard."""
    quantities = _by_level(evaluation, "calibration.single_point_bias")
    worst = _largest(quantities)
    if worst is None or worst.value is None:
        return None
    title = f"One point through zero errs most at {level_text(worst.at)} {study.unit}: {_told(worst)} {study.unit}"
    label = f"one-point result minus level / {study.unit}"
    figure = _intervals_by_level(evaluation, study, quantities, "calibration.single_point_bias", title, label)
    routine = evaluation.details.get("routine")
    at = {str(name): x for name, x in evaluation.details["level_x"]}.get(str(routine))
    if at is not None:
        with dossier_style():
            axes = figure.axes[0]
            axes.plot([at], [0], "D", color=INK, ms=6)
            low, high = axes.get_ylim()
            axes.annotate(
                "routine standard",
                (at, 0),
                xytext=(at, low + 0.94 * (high - low)),
                fontsize=9,
                ha="center",
                arrowprops={"arrowstyle": "-", "lw": 0.5, "color": GREY},
            )
    return figure


def other_calibrations(evaluation: Evaluation, study: Study) -> Figure | None:
    """What other calibrations would have given on the same readings: error by level, one panel a calibration."""
    others = evaluation.details.get("other_calibrations")
    if others is None or len(others["tried"]) < 2:
        return None
    tried = others["tried"]
    rows = -(-len(tried) // 2)
    places = {error["x"] for one in tried for error in one["errors"]}
    with dossier_style():
        figure = Figure(figsize=(WIDTH, 0.75 + 1.6 * rows), layout="constrained")
        panels = figure.subplots(rows, 2, squeeze=False, sharex=True, sharey=True)
        for axes, one in zip(panels.flat, tried, strict=False):
            _tried(axes, one, study.unit)
            _limits(axes, study, "calibration.single_point_bias", sorted(places), named=one is tried[0])
            axes.set_xlim(-0.03 * max(places), 1.05 * max(places))
        for axes in list(panels.flat)[len(tried) :]:
            axes.set_visible(False)
        figure.supylabel(f"back-calculated minus level / {study.unit}", fontsize=10)
        bars = f"bars: {100 * others['confidence']:.4g} % interval; open: zero by construction"
        figure.supxlabel(f"level / {study.unit}; {bars}", fontsize=10)
        figure.suptitle(
            "What another calibration would have given on the same readings",
            x=0.01, ha="left", fontsize=11, fontweight="bold",
        )  # fmt: skip
    return figure


def _tried(axes: Axes, one: dict[str, Any], unit: str) -> None:
    """The mean error of one calibration at each level; an open point is zero by construction."""
    axes.axhline(0, color=INK, lw=0.6)
    for error in one["errors"]:
        made = error["at"] in one["made_from"]
        if error["interval"] is not None and not made:
            axes.plot([error["x"]] * 2, error["interval"], color=BLUE, lw=1.2)
        axes.plot([error["x"]], [error["value"]], "o", color=BLUE, mfc="white" if made else BLUE)
    places = sentence_list([level_text(at) for at in one["made_from"]])
    axes.set_title(f"{one['name']}, {places} {unit}" if places else one["name"], fontsize=9, fontweight="normal")


def _intervals_by_level(
    evaluation: Evaluation, study: Study, quantities: Sequence[Quantity], key: str, title: str, label: str
) -> Figure:
    places = {str(name): x for name, x in evaluation.details["level_x"]}
    with dossier_style():
        figure, (axes,) = new_figure(height=_HEIGHT)
        axes.axhline(0, color=INK, lw=0.6)
        for q in quantities:
            if q.value is None:
                continue
            x = places[str(q.at)]
            if q.interval is not None:
                axes.plot([x, x], list(q.interval), color=BLUE, lw=1.2)
            axes.plot([x], [q.value], "o", color=BLUE)
        _limits(axes, study, key, [places[str(q.at)] for q in quantities])
        _level_axis(axes, study, max(places.values()))
        axes.set_ylabel(label)
        axes.set_title(title)
        confidence = next((q.confidence for q in quantities if q.confidence is not None), None)
        if confidence is not None:
            axes.set_xlabel(f"{axes.get_xlabel()}; bars: {100 * confidence:.4g} % interval")
    return figure


def _limits(axes: Axes, study: Study, key: str, levels: Sequence[float], *, named: bool = True) -> None:
    """The equivalence limits that the plan sets on this key, as thin lines about their target."""
    low, high = study.plan.study.range
    for requirement in study.plan.requirements:
        if requirement.quantity != key or requirement.rule != "equivalence":
            continue
        if requirement.at is None:
            at = sorted(level for level in levels if low <= level <= high)
        else:
            at = [level for level in levels if level == requirement.at]
        if not at:
            continue
        sizes = [requirement.limit.value(level) for level in at]
        for sign in (1, -1):
            ends = [requirement.target + sign * size for size in sizes]
            axes.plot(at, ends, color=VERMILION, lw=0.8, ls="--", marker="_" if len(at) == 1 else None)
        if not named:
            continue
        axes.annotate(
            f"limit ({requirement.id})",
            (at[-1], requirement.target + sizes[-1]),
            xytext=(0, 3),
            textcoords="offset points",
            fontsize=9,
            color=VERMILION,
            ha="right",
        )


def _ring(axes: Axes, evaluation: Evaluation, points: Sequence[dict[str, Any]], x: str, y: str) -> None:
    """A ring and the worksheet row at every flagged reading."""
    flagged = {flag.reading for flag in evaluation.flags}
    for point in points:
        if point["reading"] in flagged:
            axes.plot([point[x]], [point[y]], "o", ms=10, mfc="none", mec=VERMILION, mew=1.0)
            axes.annotate(
                f"row {point['line']}", (point[x], point[y]), xytext=(7, 4), textcoords="offset points", fontsize=8
            )


def _level_axis(axes: Axes, study: Study, top: float) -> None:
    axes.set_xlim(-0.03 * top, 1.05 * top)
    axes.set_xlabel(f"level / {study.unit}")


def _by_level(evaluation: Evaluation, key: str) -> list[Quantity]:
    return [q for q in evaluation.quantities if q.key == key]


def _largest(quantities: Sequence[Quantity]) -> Quantity | None:
    return max(quantities, key=lambda q: abs(q.value or 0.0), default=None)


def _told(q: Quantity) -> str:
    return with_interval(q.value or 0.0, q.interval)[0]
