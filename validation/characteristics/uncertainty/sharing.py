"""One standard for several grades and fuels: what each reads under it, and whether the budget covers it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from validation.characteristics._precision_runs import place_text, unit_text
from validation.characteristics.uncertainty.budgets import LevelBudget, Sized, expanded_with
from validation.characteristics.uncertainty.checks import size_of
from validation.characteristics.uncertainty.sources import Sources
from validation.stats.intervals import Interval
from validation.stats.uncertainty import REACH, Cover, cover_of, root_sum_of_squares
from validation.study.quantity import Cell, Quantity, Table
from validation.words import fixed, places_for, sentence_list, significant

#: Where a slope ratio comes from, and the question of the budget whose components stand for it.
SHIFTS = {"matrix.slope_ratio": "oil", "fuel.slope_ratio": "fuel"}
COVERED: Mapping[Cover, str] = {
    "whole": "yes, with all of its interval",
    "estimate": "yes, but not all of its interval",
    "none": "no",
}


@dataclass(frozen=True, slots=True)
class Shared:
    """A grade or fuel read against the common standard; shares of the level, `expanded` at the level of the budget.

    `together`: one of each at once, which nobody measured.
    """

    name: str
    shift: float
    uncertainty: float
    interval: Interval | None
    components: tuple[str, ...]
    size: float
    cover: Cover
    expanded: float
    together: bool = False

    @property
    def reach(self) -> float:
        """How far its components reach, as a share of the level."""
        return REACH * self.size


def shared(one: LevelBudget, sources: Sources) -> list[Shared]:
    """Every grade and fuel with a slope ratio, and the two that the budget covers and that add up furthest."""
    if not one.level:
        return []
    by_key: dict[str, list[Shared]] = {}
    for key, question in SHIFTS.items():
        parts = [c for c in one.components if c.question == question and c.part_of is None]
        by_key[key] = [_shared(one, q, parts) for q in sources.quantities(key)]
    grades, fuels = ([entry for entry in entries if entry.cover != "none"] for entries in by_key.values())
    pairs = [_together(one, grade, fuel) for grade in grades for fuel in fuels]
    furthest = max(pairs, key=lambda pair: abs(pair.shift), default=None)
    return [*(entry for entries in by_key.values() for entry in entries), *([] if furthest is None else [furthest])]


def _shared(one: LevelBudget, q: Quantity, parts: Sequence[Sized]) -> Shared:
    shift, u = q.value - 1, q.standard_uncertainty or 0.0
    interval = None if q.interval is None else (q.interval[0] - 1, q.interval[1] - 1)
    size = size_of(parts) / abs(one.level)
    return Shared(
        str(q.at), shift, u, interval, tuple(part.name for part in parts), size,
        cover_of(shift, interval, size), expanded_with(one, shift * one.level, u * one.level),
    )  # fmt: skip


def _together(one: LevelBudget, grade: Shared, fuel: Shared) -> Shared:
    """Both shifts at once, as factors; nobody measured them together."""
    first, second = 1 + grade.shift, 1 + fuel.shift
    shift, u = first * second - 1, root_sum_of_squares([grade.uncertainty * second, fuel.uncertainty * first])
    size = root_sum_of_squares([grade.size, fuel.size])
    return Shared(
        f"{grade.name} with {fuel.name}", shift, u, None, grade.components + fuel.components, size,
        cover_of(shift, None, size),
        expanded_with(one, shift * one.level, u * one.level), together=True,
    )  # fmt: skip


def shared_table(entries: Sequence[Shared], one: LevelBudget, unit: str, confidence: float) -> Table:
    """What each grade and fuel reads under the common standard, and whether the budget covers it."""
    rows: list[tuple[Cell, ...]] = []
    for entry in entries:
        signed = [] if entry.interval is None else [_signed(end) for end in entry.interval]
        low_high = "product, not measured" if entry.together else f"{' to '.join(signed)} %" if signed else ""
        stands = f"{sentence_list(list(entry.components))}, {significant(100 * entry.size, 2)} %"
        places = places_for(one.result.expanded.value)
        rows.append(
            (
                entry.name,
                _read(entry.shift),
                low_high,
                stands if entry.components else "none",
                f"±{fixed(100 * entry.reach, 1)} %",
                "yes" if entry.cover == "estimate" and not signed else COVERED[entry.cover],
                fixed(entry.expanded, places),
            )
        )
    of_u = f"U / {unit} with it" if unit != "1" else "U with it"
    ends = f"{100 * confidence:.4g} % interval"
    head = ("grade or fuel", "reads", ends, "component for it", "it reaches", "covered", of_u)
    caption = f"What sharing the standard adds at {place_text(one.level, unit)}; U without it is "
    caption += f"{fixed(one.result.expanded.value, places_for(one.result.expanded.value))}{unit_text(unit)}"
    return Table("sharing", caption, head, tuple(rows))


def _read(shift: float) -> str:
    """ "1.5 % high"."""
    text = fixed(100 * abs(shift), 1)
    return f"{text} %" if not text.strip("0.") else f"{text} % {'high' if shift > 0 else 'low'}"


def _signed(share: float) -> str:
    text = fixed(100 * share, 1)
    return f"+{text}" if share > 0 and text.strip("0.") else text


def shared_words(entries: Sequence[Shared], at: float, expanded: float, unit: str) -> list[str]:
    """Which shifts the components cover, what each would add as a bias of its own, and which lie beyond."""
    of, places, place = unit_text(unit), places_for(expanded), place_text(at, unit)
    inside = [entry for entry in entries if entry.cover != "none"]
    beyond = [entry for entry in entries if entry.cover == "none"]
    sentences = []
    if inside:
        single = [entry for entry in inside if not entry.together]
        reads = sentence_list([f"{entry.name} reads {_read(entry.shift)}" for entry in single])
        stands = {name: entry.reach for entry in single for name in entry.components}
        reaches = sentence_list([f"{name} ({fixed(100 * reach, 1)} %)" for name, reach in stands.items()])
        more = sentence_list(
            [
                f"{fixed(entry.expanded, places)}{of} for {entry.name}"
                + (" (the product; not measured together)" if entry.together else "")
                for entry in inside
            ]
        )
        sentences.append(
            f"Against the common standard {reads}, within √3 times the standard uncertainty of {reaches}. Whatever "
            "else these components stand for, by their origin, comes on top: as a bias beside them, U at "
            f"{place} would be {more}, instead of {fixed(expanded, places)}{of}."
        )
    if beyond:
        names = sentence_list([f"{entry.name} ({_read(entry.shift)})" for entry in beyond])
        sentences.append(
            f"Under the common standard the budget does not hold for {names}: no component reaches that far."
        )
    return sentences
