"""Figures of the chapter on stability."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from validation.figures._levels import ring
from validation.figures.style import BLUE, GREY, INK, SKY, VERMILION, WIDTH, dossier_style
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, level_text, places_for, significant

#: Keeps a label readable where points lie under it.
_GROUND: Any = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5}


def result_by_age(evaluation: Evaluation, study: Study) -> Figure | None:
    """Results against age with the line, the bounds of the change, the allowed change and the expiry."""
    shown = [entry for entry in evaluation.details.get("states", ()) if entry["curve"]]
    if not shown:
        return None
    flagged = {flag.reading for flag in evaluation.flags}
    columns = min(2, len(shown))
    rows = -(-len(shown) // columns)
    with dossier_style():
        figure = Figure(figsize=(WIDTH, 0.9 + 2.6 * rows), layout="constrained")
        panels = figure.subplots(rows, columns, squeeze=False, sharey=len({e["at_zero"] > 0 for e in shown}) == 1)
        for axes, entry in zip(panels.flat, shown, strict=False):
            _by_age(axes, entry, flagged)
        for axes in list(panels.flat)[len(shown) :]:
            axes.set_visible(False)
        for row in panels:
            row[0].set_ylabel(f"result / {study.unit}")
        figure.supxlabel("age / day", fontsize=10)
        figure.suptitle(_age_title(shown), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _by_age(axes: Axes, entry: Mapping[str, Any], flagged: set[str]) -> None:
    ages = [row[0] for row in entry["curve"]]
    axes.fill_between(
        ages, [row[2] for row in entry["curve"]], [row[3] for row in entry["curve"]], color=SKY, alpha=0.25, lw=0
    )
    axes.plot(ages, [row[1] for row in entry["curve"]], color=INK, lw=1.0)
    for point in entry["points"]:
        axes.plot([point["age"]], [point["result"]], lw=0, marker="o", ms=4, mfc="none", mec=BLUE)
        if point["reading"] in flagged:
            ring(axes, point["age"], point["result"], point)
    longest = entry["longest"]
    axes.set_xlim(-0.04 * longest, 1.04 * longest)
    if entry["allowed"] is not None:
        for sign in (-1, 1):
            axes.axhline(entry["at_zero"] * (1 + sign * entry["allowed"]), color=VERMILION, lw=0.9, ls="-.")
        axes.annotate(
            "allowed change",
            (1.0, entry["at_zero"] * (1 + entry["allowed"])),
            xycoords=("axes fraction", "data"),
            xytext=(-2, 3),
            textcoords="offset points",
            ha="right",
            color=VERMILION,
            fontsize=8.5,
            bbox=_GROUND,
        )
    if entry["expiry"] is not None and not entry["capped"]:
        axes.axvline(entry["expiry"], color=INK, lw=0.8, ls=":")
        late = entry["expiry"] > 0.7 * longest
        axes.annotate(
            f"expiry\n{significant(entry['expiry'], 3)} days",
            (entry["expiry"], 0.0),
            xycoords=("data", "axes fraction"),
            xytext=(-4 if late else 4, 4),
            textcoords="offset points",
            ha="right" if late else "left",
            fontsize=8.5,
            bbox=_GROUND,
        )
    axes.set_title(
        f"{entry['state']}; ground: one-sided {100 * entry['bound_at']:g} % bounds", fontsize=9, fontweight="normal"
    )


def _age_title(shown: Sequence[Mapping[str, Any]]) -> str:
    ends = [entry for entry in shown if entry["expiry"] is not None]
    if not ends:
        return f"Results against age: {', '.join(entry['state'] for entry in shown)}"
    shortest = min(ends, key=lambda entry: entry["expiry"])
    days = significant(shortest["expiry"], 3)
    allowed = f"{significant(100 * shortest['allowed'], 3)} %"
    if shortest["capped"]:
        return f"The change stays within {allowed} up to {level_text(shortest['longest'])} days in every state"
    state = shortest["state"]
    return f"{state[:1].upper()}{state[1:]}, the bound of the change meets {allowed} at {days} days"


def drift(evaluation: Evaluation, study: Study) -> Figure | None:
    """Residuals against the time in the run, and the drift of each run with the mean over runs."""
    del study  # every figure is called alike
    shown = evaluation.details.get("drift")
    if not shown:
        return None
    unit = shown["unit"]
    with dossier_style():
        figure = Figure(figsize=(WIDTH, 3.0), layout="constrained")
        left, right = figure.subplots(1, 2, gridspec_kw={"wspace": 0.08})
        left.axhline(0, color=INK, lw=0.6)
        left.plot(
            [point["time"] for point in shown["points"]],
            [point["residual"] for point in shown["points"]],
            lw=0,
            marker="o",
            ms=3,
            mfc="none",
            mec=GREY,
            mew=0.7,
        )
        left.set_xlabel("time in the run / hour" if unit == "hour" else "place in the run")
        left.set_ylabel("residual / its standard deviation")
        _runs(right, shown)
        figure.suptitle(_drift_title(shown), x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _runs(axes: Axes, shown: Mapping[str, Any]) -> None:
    axes.axhline(0, color=INK, lw=0.6)
    for place, run in enumerate(shown["runs"]):
        value, error = 100 * run["slope"], 100 * run["error"]
        axes.plot([place, place], [value - error, value + error], color=GREY, lw=0.9)
        axes.plot([place], [value], marker="o", mfc="none", mec=BLUE, lw=0)
    end = len(shown["runs"])
    if shown["interval"] is not None:
        low, high = (100 * value for value in shown["interval"])
        axes.plot([end, end], [low, high], color=INK, lw=1.2, marker="_", ms=6)
    axes.plot([end], [100 * shown["mean"]], color=INK, marker="D", ms=5)
    axes.set_xticks(range(end + 1), [*(run["run"] for run in shown["runs"]), "mean"], rotation=90 if end > 8 else 0)
    axes.set_xlabel("run (bar: standard error; mean: interval)")
    axes.set_ylabel(f"drift / (% per {shown['unit']})")


def _drift_title(shown: Mapping[str, Any]) -> str:
    value, unit = 100 * shown["mean"], shown["unit"]
    if shown["interval"] is None:
        return f"Drift inside a run of {shown['experiment']}: {significant(value, 2)} % per {unit}"
    low, high = (100 * end for end in shown["interval"])
    places = places_for((high - low) / 4)
    ends = f"{fixed(low, places)} % to {fixed(high, places)} %"
    return f"Drift inside a run of {shown['experiment']}: {fixed(value, places)} % per {unit} ({ends})"
