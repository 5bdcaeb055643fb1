"""Figures of the chapter on ruggedness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures._limits import row_limits
from validation.figures.style import BLUE, GREY, INK, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation, Quantity
from validation.words import fixed, places_for, sentence_list, significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class BlockEffect:
    """The effect of a factor in one block alone; `relative` to the mean of the block, None where that is 0."""

    effect: float
    relative: float | None


@dataclass(frozen=True, slots=True)
class FactorEffect:
    """A factor with its two settings, its effect and what each block alone gives of it.

    `relative` is None where the overall mean is not clear of zero; `allowed` is the shift that the plan allows, of the
    relative effect where there is one, None where it allows none.
    """

    name: str
    low: str
    high: str
    effect: Quantity
    relative: Quantity | None
    allowed: float | None
    by_block: tuple[BlockEffect, ...]


@dataclass(frozen=True, slots=True)
class Contrast:
    """The size of a contrast and the half-normal quantile it is drawn at."""

    name: str
    size: float
    position: float


@dataclass(frozen=True, slots=True)
class ScatterLine:
    """Lenth's pseudo standard error and the margin of error of one effect."""

    pse: float
    margin: float


@dataclass(frozen=True, slots=True)
class RuggednessView:
    """What this chapter draws and puts into words: factors by falling, contrasts by rising size.

    `block_name`: "run" or "day", empty without blocks.
    """

    mean: float | None
    block_name: str
    factors: tuple[FactorEffect, ...]
    contrasts: tuple[Contrast, ...]
    scatter: ScatterLine | None


def effects_by_size(evaluation: Evaluation, study: Study) -> Figure | None:
    """One strip a factor, the largest on top: effect, interval, what each block gave by itself, the plan's limits."""
    view: RuggednessView = evaluation.display.view
    factors = view.factors
    if not factors:
        return None
    relative = all(factor.relative is not None for factor in factors)
    with dossier_style():
        figure, (axes,) = new_figure(height=1.25 + 0.35 * len(factors))
        axes.axvline(0, color=INK, lw=0.6)
        for y, factor in reversed(list(enumerate(reversed(factors)))):
            _strip(axes, y, factor, relative)
        key = f"ruggedness.{'relative_effect' if relative else 'effect'}"
        rows = [(y, key, factor.name) for y, factor in enumerate(reversed(factors))]
        row_limits(axes, study, rows, scale=100.0 if relative else 1.0)
        axes.set_yticks(range(len(factors)), [_setting(factor) for factor in reversed(factors)], linespacing=0.9)
        axes.set_ylim(-0.6, len(factors) - 0.4)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel(_effect_axis(view, study, relative))
        axes.set_title(_largest(factors[0], relative, study.unit), pad=14)
    return figure


def _effect_axis(view: RuggednessView, study: Study, relative: bool) -> str:
    of = f"% of the mean, {significant(view.mean or 0.0)} {study.unit}" if relative else study.unit
    bars = f"thin: {100 * study.confidence:g} % interval; thick: {100 * study.judged_confidence:g} %, for the limit"
    alone = any(factor.by_block for factor in view.factors)
    return f"effect / {of}\n{bars}" + (f"; circles: each {view.block_name} alone" if alone else "")


def _strip(axes: Axes, y: float, factor: FactorEffect, relative: bool) -> None:
    scale, q = _drawn(factor, relative)
    for block in factor.by_block:
        own = block.relative if relative else block.effect
        if own is not None:
            axes.plot([scale * own], [y - 0.26], marker="o", ms=3.2, mfc="none", mec=GREY, mew=0.7, lw=0)
    if q.interval is not None:
        axes.plot([scale * end for end in q.interval], [y, y], color=BLUE, lw=0.8)
        axes.plot([scale * end for end in q.interval], [y, y], color=BLUE, lw=0, marker="|", ms=6)
    if q.judged_interval is not None:
        axes.plot([scale * end for end in q.judged_interval], [y, y], color=BLUE, lw=3, solid_capstyle="butt")
    axes.plot([scale * q.value], [y], color=BLUE, marker="D", ms=5, lw=0)


def _drawn(factor: FactorEffect, relative: bool) -> tuple[float, Quantity]:
    """What is drawn of a factor, and the scale from its unit to that of the axis."""
    return (100.0, factor.relative) if relative and factor.relative is not None else (1.0, factor.effect)


def _setting(factor: FactorEffect) -> str:
    return f"{factor.name}\n{factor.low} to {factor.high}"


def _largest(factor: FactorEffect, relative: bool, unit: str) -> str:
    scale, q = _drawn(factor, relative)
    interval = q.interval
    if interval is None or interval[0] <= 0 <= interval[1]:
        return "No effect is clear of zero at this number of readings"
    places = places_for(scale * (interval[1] - interval[0]) / 4)
    moved = f"{factor.name} changes the result most: {fixed(scale * q.value, places)} {'%' if relative else unit}"
    return moved[:1].upper() + moved[1:]


def half_normal(evaluation: Evaluation, study: Study) -> Figure | None:
    """Absolute effects against the quantiles of pure scatter, with names; scatter alone follows a line from zero."""
    view: RuggednessView = evaluation.display.view
    points, scatter = view.contrasts, view.scatter
    if len(points) < 3:
        return None
    with dossier_style():
        figure, (axes,) = new_figure(height=2.6)
        x, y = [point.position for point in points], [point.size for point in points]
        right = 1.12 * max(x)
        if scatter is not None:
            _scatter_alone(axes, right, scatter.pse)
        axes.plot(x, y, color=BLUE, marker="o", lw=0)
        for point in points if len(points) <= 11 else points[-5:]:
            _named(axes, point, last=point is points[-1])
        axes.set_xlim(-0.02 * right, right)
        axes.set_ylim(0, 1.15 * (max(y) or 1.0))
        axes.set_xlabel("quantile of the half-normal distribution")
        axes.set_ylabel(f"size of the effect / {study.unit}")
        axes.set_title(_standing_off(points, scatter))
    return figure


def _scatter_alone(axes: Axes, right: float, pse: float) -> None:
    """The line that scatter follows, named at its end."""
    axes.plot([0, right], [0, pse * right], color=GREY, lw=0.8)
    axes.annotate(
        "scatter alone",
        (right, pse * right),
        xytext=(-2, -3),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=9,
        color=GREY,
    )


def _named(axes: Axes, point: Contrast, *, last: bool) -> None:
    axes.annotate(
        point.name,
        (point.position, point.size),
        xytext=(4, 5) if last else (-1, 5),
        textcoords="offset points",
        ha="right" if last else "left",
        va="bottom",
        rotation=0 if last else 32,  # small effects are close: slanted names do not overlap
        rotation_mode="anchor",
        fontsize=9,
        color=INK,
    )


def _standing_off(points: Sequence[Contrast], scatter: ScatterLine | None) -> str:
    if scatter is None:
        return "Size of the effects against the quantiles of scatter"
    off = [point.name for point in reversed(points) if point.size > scatter.margin]
    if not off:
        return "No effect is off the line of scatter by more than its margin of error"
    return f"Off the line of scatter: {sentence_list(off[:3])}" + (" and others" if len(off) > 3 else "")
