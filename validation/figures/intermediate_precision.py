"""Figures of the chapter on intermediate precision."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures._levels import end_label, interval_bars, level_axis, named, positions, ring, spread
from validation.figures.style import BLUE, GREY, INK, ORANGE, VERMILION, WIDTH, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import level_text, sentence_list, significant


def run_means(evaluation: Evaluation, study: Study) -> Figure | None:
    """Readings and run means about the mean of each level, one panel a level, with s_run and s_r drawn beside them."""
    shown = evaluation.details.get("levels", ())
    if not shown:
        return None
    columns = min(3, len(shown))
    rows = -(-len(shown) // columns)
    with dossier_style():
        figure = Figure(figsize=(WIDTH, 0.7 + 1.9 * rows), layout="constrained")
        panels = figure.subplots(rows, columns, squeeze=False)
        for axes, entry in zip(panels.flat, shown, strict=False):
            _panel(axes, entry, study.unit)
        for axes in list(panels.flat)[len(shown) :]:
            axes.set_visible(False)
        figure.supylabel(f"result minus level mean / {study.unit}", fontsize=10)
        figure.supxlabel("run", fontsize=10)
        figure.suptitle(_means_title(shown, study.unit), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _panel(axes: Axes, entry: dict, unit: str) -> None:
    names = [run["run"] for run in entry["runs"]]
    axes.axhline(0, color=INK, lw=0.6)
    for reading in entry["readings"]:
        x = names.index(reading["run"])
        axes.plot([x], [reading["deviation"]], marker="o", ms=2.6, mfc="none", mec=BLUE, mew=0.7, lw=0)
        if reading["flagged"]:
            ring(axes, x, reading["deviation"], reading)
    for x, run in enumerate(entry["runs"]):
        axes.plot([x - 0.35, x + 0.35], [run["deviation"]] * 2, color=INK, lw=1.3)
    axes.set_title(named(entry["at"], unit), fontsize=9, fontweight="normal")
    axes.set_xlim(-0.7, len(names) + 1.6)
    axes.set_xticks(range(len(names)), names, fontsize=7, rotation=90 if max(map(len, names)) > 3 else 0)
    axes.tick_params(axis="y", labelsize=8)
    # One name above its bar and one below: side by side they would run into each other.
    for place, key, color, end in ((len(names) + 0.1, "s_run", VERMILION, 1), (len(names) + 0.9, "s_r", BLUE, -1)):
        if entry[key] is not None:
            s = entry[key]["value"]
            axes.plot([place, place], [-s, s], color=color, lw=2.2, solid_capstyle="butt")
            axes.annotate(
                _typeset(key) if s > 0 else f"{_typeset(key)} = 0",
                (place, end * s),
                xytext=(0, 2 * end),
                textcoords="offset points",
                ha="center",
                va="bottom" if end > 0 else "top",
                fontsize=8,
                color=color,
            )


def _means_title(shown: list[dict], unit: str) -> str:
    known = [entry for entry in shown if entry["s_run"] is not None and entry["s_r"] is not None]
    if not known:
        return "Run means about the mean of each level"
    larger = [entry for entry in known if entry["s_run"]["value"] > entry["s_r"]["value"]]
    if not larger:
        return "Runs differ by less than results within a run at every level"
    if len(larger) == len(known):
        return "Runs differ by more than results within a run at every level"
    places = sentence_list([named(entry["at"], unit) for entry in larger])
    return f"Runs differ by more than results within a run at {places}"


def sd_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """s_r and s_I against level, each with its interval, and the chosen form of s_I(x)."""
    shown = [entry for entry in evaluation.details.get("levels", ()) if entry["s_I"] is not None]
    if not shown:
        return None
    places = [entry["at"] for entry in shown]
    x, shift = positions(places), 0.12 * spread(places)
    form = evaluation.details["form"]
    with dossier_style():
        figure, (axes,) = new_figure()
        for key, side, color, marker in (("s_r", -shift, BLUE, "o"), ("s_I", shift, ORANGE, "s")):
            known = [(at + side, entry[key]) for at, entry in zip(x, shown, strict=True) if entry[key] is not None]
            if not known:
                continue
            interval_bars(
                axes,
                [at for at, _ in known],
                [s["value"] for _, s in known],
                [s["interval"] for _, s in known],
                color=color,
                marker=marker,
            )
            end_label(
                axes, known[-1][0], known[-1][1]["value"], _typeset(key), color=INK, rise=6 if key == "s_I" else -6
            )
        level_axis(axes, places, study)
        if form is not None:
            axes.plot(*form["curve"], color=GREY, lw=0.9, ls="--")
            # At the foot of the axis, which starts at zero, nothing else is drawn at the highest levels.
            said, place = f"dashed: {_typeset('s_I')}(x), {form['name']}", (0.98, 0.04)
            axes.annotate(said, place, xycoords="axes fraction", ha="right", color=GREY, fontsize=9)
        axes.set_ylim(bottom=0)
        axes.set_ylabel(f"standard deviation / {study.unit}")
        axes.set_title(_sd_title(places, [entry["s_I"]["value"] for entry in shown], study.unit))
    return figure


def _sd_title(places: list, values: list[float], unit: str) -> str:
    if len(values) == 1:
        return f"Intermediate precision at {named(places[0], unit)} is {significant(values[0])} {unit}"
    ends = (0, -1) if isinstance(places[0], float | int) else (values.index(min(values)), values.index(max(values)))
    first, last = (f"{significant(values[i])} {unit} at {named(places[i], unit)}" for i in ends)
    return f"Intermediate precision goes from {first} to {last}"


def _typeset(symbol: str) -> str:
    """ "s_run" as mathematics with an upright word for its index."""
    base, _, index = symbol.partition("_")
    return f"${base}_{{\\mathrm{{{index}}}}}$"


def components_by_level(evaluation: Evaluation, study: Study) -> Figure | None:
    """The component of each factor against level with its interval, one panel a factor."""
    shown = evaluation.details.get("components", ())
    if not shown:
        return None
    factors = list(dict.fromkeys(entry["factor"] for entry in shown))
    places = [entry["at"] for entry in evaluation.details["levels"]]
    names, x = [level_text(at) for at in places], positions(places)
    columns = min(3, len(factors))
    rows = -(-len(factors) // columns)
    with dossier_style():
        figure = Figure(figsize=(WIDTH, 0.7 + 2.1 * rows), layout="constrained")
        panels = figure.subplots(rows, columns, squeeze=False, sharey=True)
        for axes, factor in zip(panels.flat, factors, strict=False):
            own = [entry for entry in shown if entry["factor"] == factor]
            at = [x[names.index(entry["level"])] for entry in own]
            values, intervals = [entry["value"] for entry in own], [entry["interval"] for entry in own]
            interval_bars(axes, at, values, intervals, color=BLUE, marker="o")
            level_axis(axes, places, study, titled=False)
            axes.set_title(factor, fontsize=9, fontweight="normal")
        panels.flat[0].set_ylim(bottom=0)  # shared by all, so only once all of them are drawn
        for axes in list(panels.flat)[len(factors) :]:
            axes.set_visible(False)
        figure.supylabel(f"component / {study.unit}", fontsize=10)
        numeric = all(isinstance(at, float | int) for at in places)
        figure.supxlabel(f"level / {study.unit}" if numeric else "level", fontsize=10)
        figure.suptitle(_components_title(shown, factors), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _components_title(shown: list[dict], factors: list[str]) -> str:
    if len(factors) == 1:
        return f"What the {factors[0]} contributes, by level"
    by_level: dict[str, list[dict]] = {}
    for entry in shown:
        by_level.setdefault(entry["level"], []).append(entry)
    largest = [max(own, key=lambda entry: entry["value"])["factor"] for own in by_level.values()]
    first = max(factors, key=largest.count)
    return f"The {first} comes out largest at {largest.count(first)} of {len(largest)} levels; the intervals reach far"
