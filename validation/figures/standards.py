"""Figures of the chapter on standards: the chain each lot hangs on, and the parts of its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from validation.figures.style import BLUE, GREY, INK, ORANGE, VERMILION, dossier_style, new_figure
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import fixed, places_for, sentence_list

#: Left edges of the five boxes of a chain, and their width, on an axis from 0 to 1.
LEFT, WIDTH = (0.0, 0.165, 0.41, 0.64, 0.865), (0.115, 0.195, 0.18, 0.175, 0.135)
UPPER, LOWER, TALL = 0.66, 0.17, 0.50
MOST_CHAINS = 12


def traceability_chain(evaluation: Evaluation, study: Study) -> Figure | None:
    """From the kilogram through certificate and weighings to the lot and the routine result; fuel as second branch."""
    chains = evaluation.details.get("chains", ())
    if not chains:
        return None
    drawn = _first_chains(chains)
    title = _chain_title(chains)
    if len(drawn) < len(chains):
        title += f"\n({len(drawn)} of {len(chains)} lots drawn, open ones and those in use first; the table lists all)"
    with dossier_style():
        figure, axes = new_figure(len(drawn), 1, height=0.5 + 1.75 * len(drawn))
        for area, chain in zip(axes, drawn, strict=True):
            _chain(area, chain, study.unit)
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _first_chains(chains: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """As many as can be looked at, in their order: open ones, then covered ones, then those with readings."""

    def rank(chain: Mapping[str, Any]) -> tuple[bool, bool, bool]:
        states = _states(chain)
        return "open" not in states, "covered by an impact note" not in states, not chain["readings"]

    wanted = sorted(range(len(chains)), key=lambda position: rank(chains[position]))[:MOST_CHAINS]
    return [chains[position] for position in sorted(wanted)]


def _chain_title(chains: Sequence[Mapping[str, Any]]) -> str:
    broken = [chain["lot"] for chain in chains if _states(chain) & {"open"}]
    covered = [chain["lot"] for chain in chains if "covered by an impact note" in _states(chain)]
    if broken:
        return f"The chain of lot{'' if len(broken) == 1 else 's'} {sentence_list(broken)} is open"
    if covered:
        number = "lot" if len(covered) == 1 else "lots"
        return f"Every chain is closed; {number} {sentence_list(covered)} by an impact note"
    return "Every chain is closed from the kilogram to the lot"


def _states(chain: Mapping[str, Any]) -> set[str]:
    return {link["state"] for link in chain["links"]}


def _chain(axes: Axes, chain: Mapping[str, Any], unit: str) -> None:
    axes.set_axis_off()
    axes.set_xlim(-0.01, 1.01)
    axes.set_ylim(-0.12, 1.0)
    places = places_for(chain["u"])
    scales = [link for link in chain["links"] if link["link"].startswith("kilogram")]
    fuel = next(link for link in chain["links"] if link["link"].startswith("identity"))
    result = next(link for link in chain["links"] if link["link"] == "lot to result")
    value = f"{fixed(chain['value'], places)} {unit}\nu = {fixed(chain['u'], places)} {unit}"
    expires = f"\nexpires {chain['expires']}" if chain["expires"] else ""
    _box(axes, 0, UPPER, TALL, "kilogram\n(SI)")
    _box(axes, 1, UPPER, TALL, "\n".join(_certificate(link) for link in scales), state=_worst(scales))
    _box(axes, 2, UPPER, TALL, f"weighed {chain['made']}\n" + "\n".join(chain["masses"]))
    _box(axes, 3, (UPPER + LOWER) / 2, 0.72, f"lot {chain['lot']}\n{value}{expires}", strong=True)
    used = (
        f"{chain['readings']} reading{'' if chain['readings'] == 1 else 's'}"
        if chain["readings"]
        else "not used in\nthis study"
    )
    _box(axes, 4, (UPPER + LOWER) / 2, TALL, f"results\n{used}")
    _box(axes, 1, LOWER, 0.30, f"identity of {chain['fuel']}\n{fuel['evidence']}", state=fuel["state"])
    opened = f"can opened\n{chain['opened']}" if chain["opened"] else "opening of the can\nnot stated"
    if chain["open_days"]:
        opened += f",\n{chain['open_days']} days before"
    _box(axes, 2, LOWER, 0.30, opened)
    _arrow(axes, 0, UPPER, 1, UPPER, _worst(scales))
    _arrow(axes, 1, UPPER, 2, UPPER, _worst(scales))
    _arrow(axes, 2, UPPER, 3, UPPER, "closed")
    _arrow(axes, 1, LOWER, 2, LOWER, fuel["state"])
    _arrow(axes, 2, LOWER, 3, LOWER, "closed")
    _arrow(axes, 3, (UPPER + LOWER) / 2, 4, (UPPER + LOWER) / 2, result["state"])


def _certificate(link: Mapping[str, Any]) -> str:
    balance = link["link"].removeprefix("kilogram to ")
    evidence = link["evidence"].replace(", valid until", "\nvalid until").replace("; impact", "\nimpact")
    return f"{balance}: {evidence}" if len(evidence.splitlines()[0]) + len(balance) < 24 else f"{balance}:\n{evidence}"


def _worst(links: Sequence[Mapping[str, Any]]) -> str:
    states = {link["state"] for link in links}
    return "open" if "open" in states else next(iter(sorted(states - {"closed"})), "closed")


def _box(
    axes: Axes, column: int, middle: float, tall: float, text: str, *, state: str = "closed", strong: bool = False
) -> None:
    dashed = state == "open"
    edge = VERMILION if dashed else ORANGE if state.startswith("covered") else BLUE if strong else GREY
    axes.add_patch(
        FancyBboxPatch(
            (LEFT[column], middle - tall / 2),
            WIDTH[column],
            tall,
            boxstyle="round,pad=0,rounding_size=0.012",
            mutation_aspect=4,
            fc="white",
            ec=edge,
            lw=1.4 if strong or state != "closed" else 0.8,
            ls=(0, (3, 2)) if dashed else "-",
        )
    )
    axes.text(
        LEFT[column] + WIDTH[column] / 2,
        middle,
        text,
        ha="center",
        va="center",
        fontsize=8,
        color=INK,
        fontweight="bold" if strong else "normal",
        linespacing=1.15,
    )


def _arrow(axes: Axes, first: int, y1: float, second: int, y2: float, state: str) -> None:
    """A link: an arrow where evidence carries it, a gap with the word where none does."""
    start, end = LEFT[first] + WIDTH[first], LEFT[second]
    if state == "open":
        third = (end - start) / 3
        axes.plot([start, start + 0.8 * third], [y1, y1], color=VERMILION, lw=1.2, ls=":")
        axes.plot([end - 0.8 * third, end], [y2, y2], color=VERMILION, lw=1.2, ls=":")
        axes.text(
            (start + end) / 2, (y1 + y2) / 2 + 0.11, "open", ha="center", va="bottom", fontsize=8, color=VERMILION
        )
        return
    unused = state == "not used here"
    color = ORANGE if state.startswith("covered") else GREY if unused else INK
    style = {"arrowstyle": "-|>", "color": color, "lw": 1.0, "ls": ":" if unused else "-", "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (end, y2), (start, y1), arrowprops=style)


def budget_bars(evaluation: Evaluation, study: Study) -> Figure | None:
    """Standard uncertainty that each component brings, beside the combined one; lots with alike budgets share a panel.

    What alike lots share is drawn from the first of them.
    """
    lots = {shown["lot"]: shown for shown in evaluation.details.get("lots", ())}
    if not lots:
        return None
    groups = evaluation.details["alike"]
    rows = [[("combined", lots[names[0]]["u"]), *lots[names[0]]["bars"]] for names in groups]
    with dossier_style():
        figure, axes = new_figure(len(groups), 1, height=0.6 + 0.25 * sum(map(len, rows)) + 0.3 * len(groups))
        top = max(shown["u"] for shown in lots.values())
        for area, names, bars in zip(axes, groups, rows, strict=True):
            _lot_bars(area, lots[names[0]], bars, 1.18 * top)
            if len(groups) > 1:
                area.set_ylabel(f"lot{'' if len(names) == 1 else 's'} {sentence_list(names)}")
            area.sharex(axes[0])
        axes[-1].set_xlabel(f"standard uncertainty / {study.unit}")
        axes[0].set_title(_budget_title([(names, lots[names[0]]) for names in groups]))
    return figure


def _lot_bars(axes: Axes, shown: Mapping[str, Any], bars: Sequence[Any], right: float) -> None:
    places = places_for(shown["u"]) + 1
    for position, (name, size) in enumerate(bars):
        axes.barh(-position, size, height=0.62, color=BLUE if name == "combined" else "white", ec=BLUE, lw=0.9)
        text = fixed(size, places) if size >= 0.5 * 10**-places else f"below {fixed(10**-places, places)}"
        relative = 100 * size / shown["value"]
        share = f"{text} ({relative:.2g} % of the value)" if relative >= 0.01 else text
        axes.annotate(share, (size, -position), xytext=(4, 0), textcoords="offset points", va="center", fontsize=8)
    axes.set_yticks([-position for position in range(len(bars))], [name for name, _ in bars])
    axes.tick_params(axis="y", length=0)
    axes.set_xlim(0, 1.35 * right)


def _budget_title(groups: Sequence[tuple[Sequence[str], Mapping[str, Any]]]) -> str:
    largest = [max(shown["parts"], key=lambda part: part["share"])["component"] for _, shown in groups]
    if len(set(largest)) == 1:
        count = sum(len(names) for names, _ in groups)
        whose = "of the uncertainty" if count == 1 else "of the uncertainty of every lot"
        return f"The largest part {whose} is the {largest[0]}"
    pairs = [
        f"{part} (lot{'' if len(names) == 1 else 's'} {sentence_list(list(names))})"
        for part, (names, _) in zip(largest, groups, strict=True)
    ]
    return f"The largest parts are {sentence_list(pairs)}"
