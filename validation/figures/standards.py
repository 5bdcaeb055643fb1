"""Figures of the chapter on standards: the chain each lot hangs on, and the parts of its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from validation.figures.style import BLUE, GREY, INK, ORANGE, VERMILION, dossier_style, new_figure
from validation.stats.propagation import Part
from validation.study.model import Study
from validation.study.quantity import Evaluation
from validation.words import counted, fixed, places_for, sentence_list

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Left edges of the five boxes of a chain, and their width, on an axis from 0 to 1.
LEFT, WIDTH = (0.0, 0.165, 0.41, 0.64, 0.865), (0.115, 0.195, 0.18, 0.175, 0.135)
UPPER, LOWER, TALL = 0.66, 0.17, 0.50
MOST_CHAINS = 12


#: States of a link.
CLOSED, OPEN, COVERED, UNUSED = "closed", "open", "covered by an impact note", "not used here"
#: How the names of the links begin.
KILOGRAM, IDENTITY, TO_RESULT = "kilogram to ", "identity of ", "lot to result"


@dataclass(frozen=True, slots=True)
class Link:
    """One link of a chain: its name, the evidence as stated, its state, and what must be said of it."""

    name: str
    evidence: str
    state: str
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Chain:
    """From the kilogram to the routine result; `masses` and dates as printed, `readings` that name the lot."""

    lot: str
    value: float
    u: float
    made: str
    expires: str | None
    masses: tuple[str, ...]
    fuel: str
    opened: str | None
    open_days: int | None
    readings: int
    links: tuple[Link, ...]

    @property
    def states(self) -> set[str]:
        return {link.state for link in self.links}

    @property
    def certificates(self) -> tuple[Link, ...]:
        """The links from the kilogram to the balances."""
        return tuple(link for link in self.links if link.name.startswith(KILOGRAM))

    @property
    def sentences(self) -> tuple[str, ...]:
        return tuple(link.sentence for link in self.links if link.sentence)


@dataclass(frozen=True, slots=True)
class MonteCarloWords:
    """How the interval of Monte Carlo compares with that of propagation, and why."""

    verb: str
    reason: str


@dataclass(frozen=True, slots=True)
class LotBudget:
    """The assigned value of one lot and what its uncertainty is made of, in the unit of the study.

    `weighed` is the value before any correction, `loss_shift` what the mean loss adds, `loss_most` the largest loss
    where it is one-sided; `masses` in g by component; `bars` the parts by size, those of one kind together.
    """

    lot: str
    value: float
    u: float
    expanded: float
    k: float
    weighed: float
    loss_shift: float
    loss_most: float | None
    parts: tuple[Part, ...]
    bars: tuple[tuple[str, float], ...]
    monte_carlo: MonteCarloWords | None
    masses: tuple[tuple[str, float], ...]
    fuel: str
    oil: str


@dataclass(frozen=True, slots=True)
class StandardsView:
    """What this chapter draws and says; `alike` are the lots whose budgets print the same, `sentences` those on how
    long lots keep and on what has no evidence.
    """

    lots: tuple[LotBudget, ...]
    alike: tuple[tuple[LotBudget, ...], ...]
    chains: tuple[Chain, ...]
    sentences: tuple[str, ...]


def traceability_chain(evaluation: Evaluation, study: Study) -> Figure | None:
    """From the kilogram through certificate and weighings to the lot and the routine result; fuel as second branch."""
    view: StandardsView = evaluation.display.view
    chains = view.chains
    drawn = _first_chains(chains)
    title = _chain_title(chains)
    if len(drawn) < len(chains):
        title += f"\n({len(drawn)} of {len(chains)} lots drawn, open ones and those in use first; the table lists all)"
    with dossier_style():
        figure, axes = new_figure(len(drawn), 1, height=0.5 + 1.5 * len(drawn), wide=True)
        for area, chain in zip(axes, drawn, strict=True):
            _chain(area, chain, study.unit)
        figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="bold")
    return figure


def _first_chains(chains: Sequence[Chain]) -> list[Chain]:
    """As many as can be read, in their order: open ones, then covered ones, then those with readings."""

    def rank(chain: Chain) -> tuple[bool, bool, bool]:
        return OPEN not in chain.states, COVERED not in chain.states, not chain.readings

    wanted = sorted(range(len(chains)), key=lambda position: rank(chains[position]))[:MOST_CHAINS]
    return [chains[position] for position in sorted(wanted)]


def _chain_title(chains: Sequence[Chain]) -> str:
    broken = [chain.lot for chain in chains if OPEN in chain.states]
    covered = [chain.lot for chain in chains if COVERED in chain.states]
    if broken:
        return f"The chain of {_lots(broken)} is open"
    if covered:
        return f"Every chain is closed; {_lots(covered)} by an impact note"
    return "Every chain is closed from the kilogram to the lot"


def _lots(names: Sequence[str]) -> str:
    return f"{'lot' if len(names) == 1 else 'lots'} {sentence_list(list(names))}"


def _chain(axes: Axes, chain: Chain, unit: str) -> None:
    axes.set_axis_off()
    axes.set_xlim(-0.01, 1.01)
    axes.set_ylim(-0.12, 1.0)
    places, middle = places_for(chain.u), (UPPER + LOWER) / 2
    scales, worst = chain.certificates, _worst(chain.certificates)
    fuel = next(link for link in chain.links if link.name.startswith(IDENTITY))
    result = next(link for link in chain.links if link.name == TO_RESULT)
    value = f"{fixed(chain.value, places)} {unit}\nu = {fixed(chain.u, places)} {unit}"
    expires = f"\nexpires {chain.expires}" if chain.expires else ""
    used = counted(chain.readings, "reading") if chain.readings else "not used in\nthis study"
    _box(axes, 0, UPPER, TALL, "kilogram\n(SI)")
    _box(axes, 1, UPPER, TALL, "\n".join(_certificate(link) for link in scales), state=worst)
    _box(axes, 2, UPPER, TALL, f"weighed {chain.made}\n" + "\n".join(chain.masses))
    _box(axes, 3, middle, 0.72, f"lot {chain.lot}\n{value}{expires}", strong=True)
    _box(axes, 4, middle, TALL, f"results\n{used}")
    _box(axes, 1, LOWER, 0.30, f"identity of {chain.fuel}\n{fuel.evidence}", state=fuel.state)
    _box(axes, 2, LOWER, 0.30, _can(chain))
    _arrow(axes, 0, UPPER, 1, UPPER, worst)
    _arrow(axes, 1, UPPER, 2, UPPER, worst)
    _arrow(axes, 2, UPPER, 3, UPPER, CLOSED)
    _arrow(axes, 1, LOWER, 2, LOWER, fuel.state)
    _arrow(axes, 2, LOWER, 3, LOWER, CLOSED)
    _arrow(axes, 3, middle, 4, middle, result.state)


def _can(chain: Chain) -> str:
    opened = f"can opened\n{chain.opened}" if chain.opened else "opening of the can\nnot stated"
    return f"{opened},\n{chain.open_days} days before" if chain.open_days else opened


def _certificate(link: Link) -> str:
    balance = link.name.removeprefix(KILOGRAM)
    evidence = link.evidence.replace(", valid until", "\nvalid until").replace("; impact", "\nimpact")
    return f"{balance}: {evidence}" if len(evidence.splitlines()[0]) + len(balance) < 24 else f"{balance}:\n{evidence}"


def _worst(links: Sequence[Link]) -> str:
    states = {link.state for link in links}
    return OPEN if OPEN in states else next(iter(sorted(states - {CLOSED})), CLOSED)


def _box(
    axes: Axes, column: int, middle: float, tall: float, text: str, *, state: str = CLOSED, strong: bool = False
) -> None:
    from matplotlib.patches import FancyBboxPatch

    dashed = state == OPEN
    edge = VERMILION if dashed else ORANGE if state == COVERED else BLUE if strong else GREY
    axes.add_patch(
        FancyBboxPatch(
            (LEFT[column], middle - tall / 2),
            WIDTH[column],
            tall,
            boxstyle="round,pad=0,rounding_size=0.012",
            mutation_aspect=4,
            fc="white",
            ec=edge,
            lw=1.4 if strong or state != CLOSED else 0.8,
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
    if state == OPEN:
        third = (end - start) / 3
        axes.plot([start, start + 0.8 * third], [y1, y1], color=VERMILION, lw=1.2, ls=":")
        axes.plot([end - 0.8 * third, end], [y2, y2], color=VERMILION, lw=1.2, ls=":")
        axes.text(
            (start + end) / 2, (y1 + y2) / 2 + 0.11, "open", ha="center", va="bottom", fontsize=8, color=VERMILION
        )
        return
    unused = state == UNUSED
    color = ORANGE if state == COVERED else GREY if unused else INK
    style = {"arrowstyle": "-|>", "color": color, "lw": 1.0, "ls": ":" if unused else "-", "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (end, y2), (start, y1), arrowprops=style)


def budget_bars(evaluation: Evaluation, study: Study) -> Figure | None:
    """Standard uncertainty that each component brings, with the combined one; lots with the same budget share a panel.

    What these lots share is drawn from the first of them.
    """
    view: StandardsView = evaluation.display.view
    groups = view.alike
    rows = [[("combined", group[0].u), *group[0].bars] for group in groups]
    with dossier_style():
        figure, axes = new_figure(len(groups), 1, height=0.6 + 0.25 * sum(map(len, rows)) + 0.3 * len(groups))
        top = max(lot.u for lot in view.lots)
        for area, group, bars in zip(axes, groups, rows, strict=True):
            _lot_bars(area, group[0], bars, 1.18 * top)
            if len(groups) > 1:
                area.set_ylabel(_lots([lot.lot for lot in group]))
            area.sharex(axes[0])
        axes[-1].set_xlabel(f"standard uncertainty / {study.unit}")
        axes[0].set_title(_budget_title(groups))
    return figure


def _lot_bars(axes: Axes, lot: LotBudget, bars: Sequence[tuple[str, float]], right: float) -> None:
    places = places_for(lot.u) + 1
    for position, (name, size) in enumerate(bars):
        axes.barh(-position, size, height=0.62, color=BLUE if name == "combined" else "white", ec=BLUE, lw=0.9)
        text = fixed(size, places) if size >= 0.5 * 10**-places else f"below {fixed(10**-places, places)}"
        relative = 100 * size / lot.value
        share = f"{text} ({relative:.2g} % of the value)" if relative >= 0.01 else text
        axes.annotate(share, (size, -position), xytext=(4, 0), textcoords="offset points", va="center", fontsize=8)
    axes.set_yticks([-position for position in range(len(bars))], [name for name, _ in bars])
    axes.tick_params(axis="y", length=0)
    axes.set_xlim(0, 1.35 * right)


def _budget_title(groups: Sequence[Sequence[LotBudget]]) -> str:
    largest = [max(group[0].parts, key=lambda part: part.share).name for group in groups]
    if len(set(largest)) == 1:
        count = sum(len(group) for group in groups)
        whose = "of the uncertainty" if count == 1 else "of the uncertainty of every lot"
        return f"The largest part {whose} is the {largest[0]}"
    pairs = [f"{part} ({_lots([lot.lot for lot in group])})" for part, group in zip(largest, groups, strict=True)]
    return f"The largest parts are {sentence_list(pairs)}"
