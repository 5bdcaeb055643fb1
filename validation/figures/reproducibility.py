"""Figures of the chapter on reproducibility: laboratories by level, Mandel's h and k, precision against level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures.style import BLUE, GREY, INK, ORANGE, VERMILION, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import level_text, sentence_list, significant

_STRONG, _WEAK = (0, (1, 0)), (0, (4, 3))


def laboratory_means(evaluation: Evaluation, study: Study) -> Figure | None:
    """Every reading by laboratory, one panel a level, with the general mean and a band of one s_R."""
    levels = evaluation.details.get("levels", [])
    if not levels:
        return None
    names = max(sum(len(cell["laboratory"]) for cell in level["cells"]) for level in levels)
    columns = min(3 if len(levels) > 4 and names <= 18 else 2, len(levels))
    rows = -(-len(levels) // columns)
    with dossier_style():
        figure, axes = new_figure(rows, columns, height=0.75 + 1.85 * rows)
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
        return f"{sentence_list(named)} {'stands' if len(named) == 1 else 'stand'} apart from the other laboratories"
    return "No laboratory's mean stands apart from the others"


def _named(evaluation: Evaluation, tests: Sequence[str]) -> list[str]:
    owner = {
        reading["reading"]: cell["laboratory"]
        for level in evaluation.details["levels"]
        for cell in level["cells"]
        for reading in cell["readings"]
    }
    return sorted({owner[flag.reading] for flag in evaluation.flags if flag.test in tests})


def _panel(axis: Axes, level: Mapping[str, Any], evaluation: Evaluation) -> None:
    estimates, cells = level["estimates"], level["cells"]
    mean, s_R = estimates["mean"], estimates.get("s_R")
    if s_R is not None:
        axis.axhspan(mean - s_R, mean + s_R, color=GREY, alpha=0.15, lw=0)
    axis.axhline(mean, color=GREY, lw=0.8)
    flagged = {flag.reading for flag in evaluation.flags if flag.at == level["at"]}
    for position, cell in enumerate(cells):
        axis.plot([position - 0.3, position + 0.3], [cell["mean"]] * 2, color=INK, lw=1.2)
        for reading in cell["readings"]:
            axis.plot(position, reading["value"], "o", ms=3.5, color=BLUE, alpha=0.75, mew=0)
            if reading["reading"] in flagged:
                _ring(axis, position, reading["value"], reading["line"])
    axis.set_xticks(range(len(cells)), [cell["laboratory"] for cell in cells])
    crowded = sum(len(cell["laboratory"]) for cell in cells) > 34
    axis.tick_params(axis="x", labelrotation=30 if crowded else 0)
    axis.set_xlim(-0.6, len(cells) - 0.4)
    axis.margins(y=0.15)
    axis.set_title(f"level {level_text(level['at'])}", fontsize=9.5, fontweight="normal")


def _ring(axis: Axes, x: float, y: float, line: int) -> None:
    """A flagged reading keeps its place, ringed, with the row of the worksheet."""
    axis.plot(x, y, "o", ms=9, mfc="none", mec=VERMILION, mew=1.1)
    axis.annotate(f"row {line}", (x, y), xytext=(6, 3), textcoords="offset points", fontsize=8, color=VERMILION)


def mandel_h_and_k(evaluation: Evaluation, study: Study) -> Figure | None:
    """Mandel's h and k, laboratories side by side and within each its levels, with the 5 % and 1 % values."""
    levels = evaluation.details.get("levels", [])
    if not any(cell["h"] is not None or cell["k"] is not None for level in levels for cell in level["cells"]):
        return None
    names = list(dict.fromkeys(cell["laboratory"] for level in levels for cell in level["cells"]))
    with dossier_style():
        figure, (top, bottom) = new_figure(2, 1, height=4.6)
        for axis, symbol in ((top, "h"), (bottom, "k")):
            _stems(axis, symbol, levels, names)
        top.axhline(0, color=INK, lw=0.7)
        top.set_ylabel("h (mean against the others)")
        bottom.set_ylabel("k (spread against all)")
        bottom.set_ylim(bottom=0)
        shown = sentence_list([level_text(level["at"]) for level in levels])
        bottom.set_xlabel(f"laboratory; within each, from left to right, level {shown}")
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


def _stems(axis: Axes, symbol: str, levels: Sequence[Mapping[str, Any]], names: Sequence[str]) -> None:
    step = 0.7 / max(1, len(levels))
    marks: dict[float, tuple[float, float]] = {}
    for i, level in enumerate(levels):
        for cell in level["cells"]:
            value, critical = cell[symbol], cell[f"{symbol}_critical"]
            if value is None:
                continue
            x = names.index(cell["laboratory"]) + (i - (len(levels) - 1) / 2) * step
            beyond = abs(value) > critical[0]
            axis.vlines(x, 0, value, color=VERMILION if beyond else BLUE, lw=2.0 if beyond else 1.2)
            axis.plot(x, value, "D" if beyond else "o", ms=4.5 if beyond else 3, color=VERMILION if beyond else BLUE)
            marks[x] = (round(critical[0], 6), round(critical[1], 6))
    signs = (1, -1) if symbol == "h" else (1,)
    for position, dash in enumerate((_WEAK, _STRONG)):
        if len({pair[position] for pair in marks.values()}) == 1:
            for sign in signs:
                axis.axhline(sign * next(iter(marks.values()))[position], color=ORANGE, lw=0.9, ls=dash)
        else:
            # Other numbers of laboratories or readings have other critical values: one dash over each stem.
            for x, pair in marks.items():
                ends = (x - step / 2, x + step / 2)
                axis.hlines([sign * pair[position] for sign in signs], *ends, color=ORANGE, lw=0.9, ls=dash)
    if marks:
        limits = set(marks.values())
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
        axis.set_ylim(top=1.12 * max(axis.get_ylim()[1], *(pair[1] for pair in limits)))
        if symbol == "h":
            axis.set_ylim(bottom=-axis.get_ylim()[1])
    for edge in range(1, len(names)):
        axis.axvline(edge - 0.5, color=GREY, lw=0.4, alpha=0.5)
    axis.set_xticks(range(len(names)), names)
    axis.set_xlim(-0.6, len(names) - 0.4)


def precision_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """s_r and s_R with their intervals against the level, or side by side where levels are labels."""
    series = {
        symbol: [q for q in evaluation.quantities if q.key == f"reproducibility.{symbol}" and q.value is not None]
        for symbol in ("s_r", "s_R")
    }
    if not any(series.values()):
        return None
    numeric = bool(evaluation.details["numeric_levels"])
    order = [level["at"] for level in evaluation.details["levels"]]
    spread = max((float(at) for at in order), default=1.0) if numeric else float(len(order))
    with dossier_style():
        figure, (axis,) = new_figure()
        for symbol, color, marker, side in (("s_r", BLUE, "o", -1), ("s_R", VERMILION, "s", 1)):
            points = series[symbol]
            if not points:
                continue
            places = [float(q.at) if numeric else float(order.index(q.at)) for q in points]  # type: ignore[arg-type]
            xs = [place + side * 0.006 * spread for place in places]
            values = [float(q.value or 0.0) for q in points]
            for x, q in zip(xs, points, strict=True):
                if q.interval is not None:
                    axis.plot([x, x], q.interval, color=color, lw=1.0)
            axis.plot(xs, values, marker, color=color, ls="-" if numeric else "none", lw=0.7)
            axis.annotate(
                f"${symbol[0]}_{symbol[2]}$",
                (xs[-1], values[-1]),
                xytext=(8, 0),
                textcoords="offset points",
                color=color,
                va="center",
                fontsize=11,
            )
        if numeric:
            axis.set_xlim(0, 1.08 * spread)
            axis.set_xlabel(_titled("level", study.unit))
        else:
            axis.set_xticks(range(len(order)), [str(at) for at in order])
            axis.set_xlim(-0.5, len(order) - 0.4)
            axis.set_xlabel("level")
        axis.set_ylim(bottom=0)
        axis.set_ylabel(_titled("standard deviation", study.unit))
        axis.set_title(_precision_title(series, study.unit))
    return figure


def _precision_title(series: Mapping[str, Sequence[Any]], unit: str) -> str:
    name = "s_R" if series["s_R"] else "s_r"
    words = {"s_R": "Between laboratories", "s_r": "Within one laboratory"}[name]
    values = [q.value for q in series[name]]
    low, high = significant(min(values), 2), significant(max(values), 2)
    span = f"is {low}" if low == high else f"runs from {low} to {high}"
    return f"{words}, ${name[0]}_{name[2]}$ {span} {'' if unit == '1' else unit}".rstrip()
