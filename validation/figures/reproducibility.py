"""Figures of the chapter on reproducibility: laboratories by level, Mandel's h and k, precision against level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures._levels import positions
from validation.figures.style import BLUE, GREY, INK, ORANGE, VERMILION, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import At, Evaluation, Quantity
from validation.words import level_text, sentence_list, significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_STRONG, _WEAK = (0, (1, 0)), (0, (4, 3))


@dataclass(frozen=True, slots=True)
class LaboratoryReading:
    """One reading of a laboratory, with its row of the worksheet."""

    reading: str
    line: int
    value: float


@dataclass(frozen=True, slots=True)
class Mandel:
    """Mandel's h or k of one laboratory with its values at 5 % and at 1 %."""

    value: float
    at_5_percent: float
    at_1_percent: float


@dataclass(frozen=True, slots=True)
class LaboratoryCell:
    """One laboratory at one level; `sd` within its runs, None without replicates."""

    laboratory: str
    mean: float
    sd: float | None
    readings: tuple[LaboratoryReading, ...]
    h: Mandel | None
    k: Mandel | None


@dataclass(frozen=True, slots=True)
class LevelLaboratories:
    """All laboratories at one level, with the general mean."""

    at: At
    mean: float
    s_r: Quantity | None
    s_R: Quantity | None
    cells: tuple[LaboratoryCell, ...]


@dataclass(frozen=True, slots=True)
class ReproducibilityView:
    """What this chapter draws and puts into words."""

    levels: tuple[LevelLaboratories, ...]

    @property
    def owners(self) -> Mapping[str, str]:
        """The laboratory of each reading."""
        cells = [cell for level in self.levels for cell in level.cells]
        return {reading.reading: cell.laboratory for cell in cells for reading in cell.readings}


def laboratory_means(evaluation: Evaluation, study: Study) -> Figure | None:
    """Every reading by laboratory, one panel a level, with the general mean and a band of one s_R."""
    view: ReproducibilityView = evaluation.display.view
    levels = view.levels
    names = max(sum(len(cell.laboratory) for cell in level.cells) for level in levels)
    columns = min(3 if len(levels) > 4 and names <= 18 else 2, len(levels))
    rows = -(-len(levels) // columns)
    with dossier_style():
        figure, axes = new_figure(rows, columns, height=0.7 + 1.45 * rows)
        for axis, level in zip(axes, levels, strict=False):
            _panel(axis, level, evaluation)
        for axis in axes[len(levels) :]:
            axis.set_visible(False)
        for axis in axes[::columns]:
            axis.set_ylabel(_titled("result", study.unit))
        figure.supxlabel("bars: laboratory means; line: general mean; band: one $s_R$ either way", fontsize=9)
        figure.suptitle(_laboratories_title(evaluation), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _titled(what: str, unit: str) -> str:
    """An axis title with its unit; a pure number has none."""
    return what if unit in ("", "1") else f"{what} / {unit}"


def _laboratories_title(evaluation: Evaluation) -> str:
    named = _named(evaluation, ("Mandel h", "Grubbs, one laboratory", "Grubbs, two laboratories"))
    if named:
        return f"{sentence_list(named)} {'is' if len(named) == 1 else 'are'} far from the other laboratories"
    return "No laboratory's mean is far from the others"


def _named(evaluation: Evaluation, tests: Sequence[str]) -> list[str]:
    view: ReproducibilityView = evaluation.display.view
    owners = view.owners
    return sorted({owners[flag.reading] for flag in evaluation.flags if flag.test in tests})


def _panel(axis: Axes, level: LevelLaboratories, evaluation: Evaluation) -> None:
    mean, cells = level.mean, level.cells
    if level.s_R is not None:
        axis.axhspan(mean - level.s_R.value, mean + level.s_R.value, color=GREY, alpha=0.15, lw=0)
    axis.axhline(mean, color=GREY, lw=0.8)
    flagged = {flag.reading for flag in evaluation.flags if flag.at == level.at}
    for position, cell in enumerate(cells):
        axis.plot([position - 0.3, position + 0.3], [cell.mean] * 2, color=INK, lw=1.2)
        for reading in cell.readings:
            axis.plot(position, reading.value, "o", ms=3.5, color=BLUE, alpha=0.75, mew=0)
            if reading.reading in flagged:
                _ring(axis, position, reading.value, reading.line)
    axis.set_xticks(range(len(cells)), [cell.laboratory for cell in cells])
    crowded = sum(len(cell.laboratory) for cell in cells) > 34
    axis.tick_params(axis="x", labelrotation=30 if crowded else 0)
    axis.set_xlim(-0.6, len(cells) - 0.4)
    axis.margins(y=0.15)
    axis.set_title(f"level {level_text(level.at)}", fontsize=9.5, fontweight="normal")


def _ring(axis: Axes, x: float, y: float, line: int) -> None:
    """A flagged reading keeps its place, ringed, with the row of the worksheet."""
    axis.plot(x, y, "o", ms=9, mfc="none", mec=VERMILION, mew=1.1)
    axis.annotate(f"row {line}", (x, y), xytext=(6, 3), textcoords="offset points", fontsize=8, color=VERMILION)


def mandel_h_and_k(evaluation: Evaluation, study: Study) -> Figure | None:
    """Mandel's h and k, laboratories side by side and within each its levels, with the 5 % and 1 % values."""
    view: ReproducibilityView = evaluation.display.view
    levels = view.levels
    if not any(cell.h or cell.k for level in levels for cell in level.cells):
        return None
    names = list(dict.fromkeys(cell.laboratory for level in levels for cell in level.cells))
    with dossier_style():
        figure, (top, bottom) = new_figure(2, 1, height=3.7)
        for axis, symbol in ((top, "h"), (bottom, "k")):
            _stems(axis, symbol, levels, names)
        top.axhline(0, color=INK, lw=0.7)
        top.set_ylabel("h (mean against the others)")
        bottom.set_ylabel("k (spread against all)")
        bottom.set_ylim(bottom=0)
        places = sentence_list([level_text(level.at) for level in levels])
        bottom.set_xlabel(f"laboratory; within each, from left to right, level {places}")
        figure.suptitle(_mandel_title(evaluation), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _mandel_title(evaluation: Evaluation) -> str:
    level, scatter = _named(evaluation, ("Mandel h",)), _named(evaluation, ("Mandel k",))
    parts = []
    if level:
        parts.append(f"{sentence_list(level)} by the mean")
    if scatter:
        parts.append(f"{sentence_list(scatter)} by the scatter")
    if not parts:
        return "No laboratory goes beyond the 5 % values of h and k"
    return f"Beyond the 5 % values: {', '.join(parts)}"


def _stems(axis: Axes, symbol: str, levels: Sequence[LevelLaboratories], names: Sequence[str]) -> None:
    step = 0.7 / max(1, len(levels))
    marks: dict[float, tuple[float, float]] = {}
    for i, level in enumerate(levels):
        for cell in level.cells:
            mandel: Mandel | None = getattr(cell, symbol)
            if mandel is None:
                continue
            x = names.index(cell.laboratory) + (i - (len(levels) - 1) / 2) * step
            beyond = abs(mandel.value) > mandel.at_5_percent
            colour = VERMILION if beyond else BLUE
            axis.vlines(x, 0, mandel.value, color=colour, lw=2.0 if beyond else 1.2)
            axis.plot(x, mandel.value, "D" if beyond else "o", ms=4.5 if beyond else 3, color=colour)
            marks[x] = (round(mandel.at_5_percent, 6), round(mandel.at_1_percent, 6))
    _critical_values(axis, marks, (1, -1) if symbol == "h" else (1,), step)
    if marks and symbol == "h":
        axis.set_ylim(bottom=-axis.get_ylim()[1])
    for edge in range(1, len(names)):
        axis.axvline(edge - 0.5, color=GREY, lw=0.4, alpha=0.5)
    axis.set_xticks(range(len(names)), names)
    axis.set_xlim(-0.6, len(names) - 0.4)


def _critical_values(axis: Axes, marks: Mapping[float, tuple[float, float]], signs: Sequence[int], step: float) -> None:
    """The 5 % and 1 % values, one line where all stems share them, and their names at the right."""
    for position, dash in enumerate((_WEAK, _STRONG)):
        if len({pair[position] for pair in marks.values()}) == 1:
            for sign in signs:
                axis.axhline(sign * next(iter(marks.values()))[position], color=ORANGE, lw=0.9, ls=dash)
        else:
            # Other numbers of laboratories or readings have other critical values: one dash over each stem.
            for x, pair in marks.items():
                ends = (x - step / 2, x + step / 2)
                axis.hlines([sign * pair[position] for sign in signs], *ends, color=ORANGE, lw=0.9, ls=dash)
    if not marks:
        return
    for position, (percent, nudge) in enumerate((("5 %", -3), ("1 %", 3))):
        axis.annotate(
            percent,
            (1.0, marks[max(marks)][position]),
            xycoords=("axes fraction", "data"),
            xytext=(3, nudge),
            textcoords="offset points",
            fontsize=8.5,
            va="center",
            color=INK,
        )
    axis.set_ylim(top=1.12 * max(axis.get_ylim()[1], *(pair[1] for pair in marks.values())))


def precision_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """s_r and s_R with their intervals against the level, or side by side where levels are labels."""
    view: ReproducibilityView = evaluation.display.view
    s_r = [level.s_r for level in view.levels if level.s_r is not None]
    s_R = [level.s_R for level in view.levels if level.s_R is not None]
    if not s_r and not s_R:
        return None
    places = [level.at for level in view.levels]
    numeric = all(isinstance(at, float) for at in places)
    x = dict(zip(places, positions(places), strict=True))
    spread = max(x.values()) if numeric else float(len(places))
    with dossier_style():
        figure, (axis,) = new_figure()
        for symbol, points, side in (("$s_r$", s_r, -1), ("$s_R$", s_R, 1)):
            if points:
                _series(axis, symbol, [x[q.at] + side * 0.006 * spread for q in points], points, joined=numeric)
        if numeric:
            axis.set_xlim(0, 1.08 * spread)
            axis.set_xlabel(_titled("level", study.unit))
        else:
            axis.set_xticks(range(len(places)), [str(at) for at in places])
            axis.set_xlim(-0.5, len(places) - 0.4)
            axis.set_xlabel("level")
        axis.set_ylim(bottom=0)
        axis.set_ylabel(_titled("standard deviation", study.unit))
        axis.set_title(_precision_title(s_r, s_R, study.unit))
    return figure


def _series(axis: Axes, symbol: str, xs: Sequence[float], points: Sequence[Quantity], *, joined: bool) -> None:
    color, marker = {"$s_r$": (BLUE, "o"), "$s_R$": (VERMILION, "s")}[symbol]
    values = [q.value for q in points]
    for x, q in zip(xs, points, strict=True):
        if q.interval is not None:
            axis.plot([x, x], q.interval, color=color, lw=1.0)
    axis.plot(xs, values, marker, color=color, ls="-" if joined else "none", lw=0.7)
    axis.annotate(
        symbol,
        (xs[-1], values[-1]),
        xytext=(8, 0),
        textcoords="offset points",
        color=color,
        va="center",
        fontsize=11,
    )


def _precision_title(s_r: Sequence[Quantity], s_R: Sequence[Quantity], unit: str) -> str:
    words, symbol = ("Between laboratories", "$s_R$") if s_R else ("Within one laboratory", "$s_r$")
    values = [q.value for q in s_R or s_r]
    low, high = significant(min(values), 2), significant(max(values), 2)
    span = f"is {low}" if low == high else f"runs from {low} to {high}"
    return f"{words}, {symbol} {span} {'' if unit == '1' else unit}".rstrip()
