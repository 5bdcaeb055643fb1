"""Figures of the chapter on repeatability."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures._levels import (
    Deviation,
    SdForm,
    dots,
    end_label,
    interval_bars,
    level_axis,
    named,
    positions,
    spread,
)
from validation.figures.style import BLUE, GREY, INK, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import At, Evaluation, Quantity
from validation.words import counted, significant

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class LevelScatter:
    """One level: s_r, and its readings minus the means of their runs."""

    at: At
    s_r: Quantity | None
    residuals: tuple[Deviation, ...]


@dataclass(frozen=True, slots=True)
class AgainstPublished:
    """s_r at a level against a published repeatability: chi-square and its critical value."""

    at: At
    chi_squared: float
    critical: float


@dataclass(frozen=True, slots=True)
class RepeatabilityView:
    """What this chapter draws and puts into words."""

    levels: tuple[LevelScatter, ...]
    form: SdForm | None
    published: tuple[AgainstPublished, ...]


def sd_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """s_r against level with its intervals and the chosen form of s(x)."""
    view: RepeatabilityView = evaluation.display.view
    estimates = [level.s_r for level in view.levels if level.s_r is not None]
    if not estimates:
        return None
    places = [s_r.at for s_r in estimates]
    x, values, form = positions(places), [s_r.value for s_r in estimates], view.form
    with dossier_style():
        figure, (axes,) = new_figure()
        interval_bars(axes, x, values, [s_r.interval for s_r in estimates], color=BLUE, marker="o")
        level_axis(axes, places, study)
        if form is not None:
            axes.plot(*form.curve, color=GREY, lw=0.9, ls="--")
            end_label(axes, form.curve[0][-1], form.curve[1][-1], "s(x)", color=GREY)
        axes.set_ylim(bottom=0)
        axes.set_ylabel(f"$s_r$ / {study.unit}")
        axes.set_title(_sd_title(places, values, form, study.unit))
    return figure


def _sd_title(places: list, values: list[float], form: SdForm | None, unit: str) -> str:
    if len(values) == 1:
        return f"Repeatability at {named(places[0], unit)} is {significant(values[0])} {unit}"
    if form is None:
        return f"Repeatability is between {significant(min(values))} and {significant(max(values))} {unit}"
    a, b = ("" if part is None else significant(part) for part in (form.constant, form.slope))
    follows = {
        "constant": f"is constant over the levels, {a} {unit}",
        "proportional": f"is proportional to the level, {b} × level",
        "linear": f"is linear in the level, {a} + {b} × level",
        "root-sum-square": f"is the root-sum-square of {a} and {b} × level",
    }[form.name]
    return f"Repeatability {follows} (dashed)"


def residuals_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """Every reading minus the mean of its run, by level."""
    view: RepeatabilityView = evaluation.display.view
    levels = [level for level in view.levels if level.residuals]
    if not levels:
        return None
    places = [level.at for level in levels]
    width = spread(places)
    flagged = 0
    with dossier_style():
        figure, (axes,) = new_figure()
        axes.axhline(0, color=INK, lw=0.6)
        for at, level in zip(positions(places), levels, strict=True):
            runs = {run: i for i, run in enumerate(dict.fromkeys(row.run for row in level.residuals))}
            middle, gaps = (len(runs) - 1) / 2, max(len(runs) - 1, 1)
            x = [at + width * (runs[row.run] - middle) / gaps for row in level.residuals]
            flagged += dots(axes, x, level.residuals, ms=3)
        level_axis(axes, places, study)
        axes.set_ylabel(f"result minus mean of its run / {study.unit}")
        axes.set_title(
            "No reading stands out within its run"
            if not flagged
            else f"{counted(flagged, 'reading')} stand{'' if flagged > 1 else 's'} out within "
            f"{'their runs' if flagged > 1 else 'its run'} (ringed, kept)"
        )
    return figure
