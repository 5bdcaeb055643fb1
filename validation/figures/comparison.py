"""Figures of the chapter on the comparison of two methods."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from validation.figures.style import BLUE, GREY, INK, ORANGE, SKY, VERMILION, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import level_text, significant, with_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DASH = (0, (5, 3))
_DOTS = (0, (1, 2))
#: Three figures of this height share a page.
_HEIGHT = 2.85
#: So many marked samples are labelled with their names.
_NAMED = 8


@dataclass(frozen=True, slots=True)
class PairedSample:
    """One sample: means and readings of both methods, in the unit of the study.

    `relative`: difference over the mean of both methods; None where a sample of the study has none. `readings` are the
    identifiers, `line` the row of the candidate's reading furthest from the reference, `note` what the worksheet says.
    """

    name: str
    reference: float
    candidate: float
    difference: float
    relative: float | None
    reference_readings: tuple[float, ...]
    candidate_readings: tuple[float, ...]
    readings: tuple[str, ...]
    line: int
    note: str


@dataclass(frozen=True, slots=True)
class Band:
    """A middle with a lower and an upper end, over levels."""

    levels: tuple[float, ...]
    middle: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class DrawnLine:
    """The line by which the difference is predicted: its quantities are `comparison.KEY_slope` and so on."""

    key: str
    name: str


@dataclass(frozen=True, slots=True)
class ScatterAbout:
    """Standard deviation about "the differences" or "the Deming line", and what the replicates explain of it."""

    about: str
    observed: float
    expected: float
    sample_specific: float
    p: float | None


@dataclass(frozen=True, slots=True)
class ComparisonView:
    """What this chapter draws and puts into words; `fuel` is that of the standards, empty where the plan names none."""

    samples: tuple[PairedSample, ...]
    customer_limits: tuple[float, ...]
    fuel: str
    line: DrawnLine
    predicted: Band | None
    agreement: Band | None
    scatter: tuple[ScatterAbout, ...]


def _titled(what: str, unit: str) -> str:
    """An axis title with its unit; a pure number has none."""
    return what if unit in ("", "1") else f"{what} / {unit}"


def _of(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def difference_plot(evaluation: Evaluation, study: Study) -> Figure | None:
    """Differences against the mean of both methods, with mean, limits of agreement and their intervals.

    Dotted, where the samples allow: the limits that follow the level.
    """
    names = ("mean_difference", "agreement_low", "agreement_high")
    labels = ("mean difference of the methods", _titled("candidate minus reference", study.unit))
    view: ComparisonView = evaluation.display.view
    points = [(sample, sample.difference) for sample in view.samples]
    return _differences(evaluation, points, names, labels, (study.unit, study.unit), view.agreement)


def relative_difference_plot(evaluation: Evaluation, study: Study) -> Figure | None:
    """The same with differences relative to the mean of both methods."""
    names = ("mean_relative_difference", "relative_agreement_low", "relative_agreement_high")
    labels = ("relative difference of the methods", "difference / mean of both methods")
    view: ComparisonView = evaluation.display.view
    points = [(sample, sample.relative) for sample in view.samples if sample.relative is not None]
    return _differences(evaluation, points, names, labels, (study.unit, "1"), None)


def _differences(
    evaluation: Evaluation,
    points: Sequence[tuple[PairedSample, float]],
    names: tuple[str, str, str],
    labels: tuple[str, str],
    units: tuple[str, str],
    followed: Band | None,
) -> Figure | None:
    mean, low, high = (evaluation.get(f"comparison.{name}") for name in names)
    if not points or mean is None:
        return None
    samples = [sample for sample, _ in points]
    with dossier_style():
        figure, (axis,) = new_figure(height=_HEIGHT)
        axis.axhline(0, color=GREY, lw=0.7)
        for quantity, text, dash in ((high, "upper limit", _DASH), (mean, "mean", "-"), (low, "lower limit", _DASH)):
            _level_line(axis, quantity, text, dash)
        if followed is not None:
            for ends in (followed.low, followed.high):
                axis.plot(followed.levels, ends, color=INK, lw=1.0, ls=_DOTS)
        for sample, y in points:
            _point(axis, evaluation, sample, (sample.reference + sample.candidate) / 2, y)
        axis.set_xlim(left=min(0.0, axis.get_xlim()[0]) if min(s.reference for s in samples) < 0 else 0)
        axis.margins(y=0.1)
        dotted = "; dotted: limits that follow the level" if followed else ""
        axis.set_xlabel(_titled("mean of both methods", units[0]) + dotted + _open(samples))
        axis.set_ylabel(labels[1])
        at_limits = _at_limits(evaluation) if followed is not None else ""
        axis.set_title(at_limits or _difference_title(labels[0], mean, low, high, units[1]))
    return figure


def _level_line(axis: Axes, quantity: Quantity | None, text: str, dash: Any) -> None:
    """A line at the estimate, its interval as pale ground, its name at the right margin."""
    if quantity is None:
        return
    if quantity.interval is not None:
        axis.axhspan(*quantity.interval, color=SKY if dash == "-" else ORANGE, alpha=0.18, lw=0)
    axis.axhline(quantity.value, color=INK, lw=1.0, ls=dash)
    axis.annotate(
        text,
        (1.0, quantity.value),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
    )


def _at_limits(evaluation: Evaluation) -> str:
    """The limits that follow the level, at the customer's; empty without one of these."""
    view: ComparisonView = evaluation.display.view
    ends = [
        (low, evaluation.get("comparison.level_agreement_high", low.at))
        for low in evaluation.judged
        if low.key == "comparison.level_agreement_low" and low.at in view.customer_limits[:2]
    ]
    expected = [
        f"{significant(low.value, 2)} to {significant(high.value, 2)} at {level_text(low.at)}{_of(low.unit)}"
        for low, high in ends
        if high is not None
    ]
    return f"Differences of further samples: {', '.join(expected)}" if expected else ""


def _difference_title(what: str, mean: Quantity, low: Quantity | None, high: Quantity | None, unit: str) -> str:
    if low is None or high is None:
        return f"The {what} is {significant(mean.value, 2)}{_of(unit)}"
    ends = f"{significant(low.value, 2)} and {significant(high.value, 2)}{_of(unit)}"
    kind = "Relative differences" if what.startswith("relative") else "Differences"
    return f"{kind} of further samples are expected between {ends}"


def _open(samples: Sequence[PairedSample]) -> str:
    """What an open marker means, where there is one."""
    return "; open: marked in the worksheet, kept" if any(sample.note for sample in samples) else ""


def _point(axis: Axes, evaluation: Evaluation, sample: PairedSample, x: float, y: float, *, size: float = 4.0) -> None:
    """One sample; open and by name where the worksheet marks it, ringed where a test flags it."""
    view: ComparisonView = evaluation.display.view
    marked = bool(sample.note)
    axis.plot(
        x, y, "o", color=BLUE, ms=size + marked, mfc="white" if marked else BLUE, mew=1.0 if marked else 0, zorder=3
    )
    _ring_if_flagged(axis, evaluation, sample, x, y)
    few = sum(bool(other.note) for other in view.samples) <= _NAMED
    if marked and few and not _flagged(evaluation, sample):
        axis.annotate(sample.name, (x, y), xytext=(6, 0), textcoords="offset points", va="center", fontsize=8.5)


def _flagged(evaluation: Evaluation, sample: PairedSample) -> bool:
    return any(flag.reading in sample.readings for flag in evaluation.flags)


def _ring_if_flagged(axis: Axes, evaluation: Evaluation, sample: PairedSample, x: float, y: float) -> None:
    """A flagged sample keeps its place, ringed, with its name and the row of the worksheet."""
    if _flagged(evaluation, sample):
        axis.plot(x, y, "o", ms=9, mfc="none", mec=VERMILION, mew=1.1)
        axis.annotate(
            f"{sample.name}, row {sample.line}",
            (x, y),
            xytext=(7, 4),
            textcoords="offset points",
            fontsize=8.5,
            color=VERMILION,
        )


def comparison_plot(evaluation: Evaluation, study: Study) -> Figure | None:
    """Candidate against reference with the replicates of both, equal scales, identity and the line that predicts."""
    view: ComparisonView = evaluation.display.view
    ends = _ends(view)
    slope, intercept = (evaluation.get(f"comparison.{view.line.key}_{name}") for name in ("slope", "intercept"))
    with dossier_style():
        figure, (axis,) = new_figure(height=3.4)
        for limit in view.customer_limits:
            _limit_mark(axis, limit, study.unit)
        axis.plot(ends, ends, color=GREY, lw=0.9, ls=_DASH)
        if slope is not None and intercept is not None:
            axis.plot(ends, [intercept.value + slope.value * end for end in ends], color=INK, lw=1.1)
            _line_names(axis, view.line.name, slope.value, intercept.value, ends)
        for sample in view.samples:
            x, y = sample.reference, sample.candidate
            xs, ys = sample.reference_readings, sample.candidate_readings
            axis.plot([min(xs), max(xs)], [y, y], color=BLUE, lw=0.8)
            axis.plot([x, x], [min(ys), max(ys)], color=BLUE, lw=0.8)
            _point(axis, evaluation, sample, x, y)
        axis.set_xlim(*ends)
        axis.set_ylim(*ends)
        axis.set_aspect("equal", adjustable="box")
        axis.set_xlabel(_titled("reference", study.unit) + _open(view.samples))
        axis.set_ylabel(_titled("candidate", study.unit))
        axis.set_title(_line_title(slope))
    return figure


def _ends(view: ComparisonView) -> tuple[float, float]:
    """Both axes: zero or the lowest reading, the highest reading or customer's limit with some room."""
    values = [value for s in view.samples for value in (*s.reference_readings, *s.candidate_readings)]
    low, high = min(0.0, *values), max(*values, *view.customer_limits)
    return low, high + 0.05 * (high - low)


def _limit_mark(axis: Axes, limit: float, unit: str) -> None:
    axis.axvline(limit, color=ORANGE, lw=0.8, ls=_DOTS)
    axis.annotate(
        f"limit {level_text(limit)}{_of(unit)}",
        (limit, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(3, -3),
        textcoords="offset points",
        va="top",
        fontsize=8.5,
        rotation=90,
    )


def _line_names(axis: Axes, name: str, slope: float, intercept: float, ends: tuple[float, float]) -> None:
    """Name both lines near their upper ends, each on its own side."""
    x = ends[0] + 0.9 * (ends[1] - ends[0])
    above = intercept + slope * x >= x
    for y, text, up in ((x, "identity", not above), (intercept + slope * x, name, above)):
        axis.annotate(
            text,
            (x, min(y, ends[1])),
            xytext=(-4, 4) if up else (4, -4),
            textcoords="offset points",
            ha="right" if up else "left",
            va="bottom" if up else "top",
            fontsize=9,
        )


def _line_title(slope: Quantity | None) -> str:
    if slope is None or slope.interval is None:
        return "Candidate against reference: too few samples for a line"
    value, interval = with_interval(slope.value, slope.interval)
    if slope.interval[0] <= 1 <= slope.interval[1]:
        return f"The slope {value} ({interval}) leaves room for 1"
    return f"The slope {value} ({interval}) differs from 1"


def difference_at_limits(evaluation: Evaluation, study: Study) -> Figure | None:
    """Predicted difference over the content, with its interval; the decision levels stand out."""
    view: ComparisonView = evaluation.display.view
    curve = view.predicted
    if curve is None:
        return None
    points = [q for q in evaluation.judged if q.key == "comparison.difference_at"]
    with dossier_style():
        figure, (axis,) = new_figure(height=_HEIGHT)
        axis.fill_between(curve.levels, curve.low, curve.high, color=SKY, alpha=0.25, lw=0)
        axis.plot(curve.levels, curve.middle, color=INK, lw=1.0)
        axis.axhline(0, color=GREY, lw=0.7)
        for sample in view.samples:
            _point(axis, evaluation, sample, sample.reference, sample.difference, size=3)
        for q in points:
            _predicted(axis, q, study.unit)
        axis.set_xlim(left=min(0.0, *curve.levels))
        axis.margins(y=0.08)
        axis.set_xlabel(_titled("reference", study.unit) + _open(view.samples))
        axis.set_ylabel(_titled("candidate minus reference", study.unit))
        axis.set_title(_limits_title(points, study.unit))
    return figure


def _predicted(axis: Axes, q: Quantity, unit: str) -> None:
    x, y = float(q.at or 0.0), q.value
    if q.interval is not None:
        axis.plot([x, x], q.interval, color=VERMILION, lw=1.6)
    axis.plot(x, y, "s", color=VERMILION, ms=5)
    below = y < 0  # away from the line at zero
    low, high = q.interval or (y, y)
    axis.annotate(
        f"{level_text(q.at)}{_of(unit)}",
        (x, low if below else high),
        xytext=(0, -3) if below else (0, 3),
        textcoords="offset points",
        ha="center",
        va="top" if below else "bottom",
        fontsize=9,
        color=VERMILION,
    )


def _limits_title(points: Sequence[Quantity], unit: str) -> str:
    if not points:
        return "Predicted difference over the content"
    values = [f"{with_interval(q.value, q.interval)[0]} at {level_text(q.at)}{_of(unit)}" for q in points[:3]]
    return f"Predicted difference: {', '.join(values)}"
