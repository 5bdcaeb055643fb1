"""What blanks of fuel-free used oils scatter by beyond those of new oil, where no component stands for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import stdev

from validation.characteristics._precision_runs import place_text, unit_text
from validation.characteristics.uncertainty.budgets import LevelBudget, expanded_with
from validation.characteristics.uncertainty.checks import size_of
from validation.stats.uncertainty import ExcessScatter, excess_scatter
from validation.words import fixed, places_for, sentence_list, significant


@dataclass(frozen=True, slots=True)
class UsedOils:
    """Standard deviations of the blanks and their numbers; what is in excess; what stands for oil in the budget.

    `levels`: level, U as it is, U with the excess.
    """

    new: float
    used: float
    n_new: int
    n_used: int
    excess: ExcessScatter
    oil: float
    oil_at: float
    levels: tuple[tuple[float, float, float], ...]


def used_oils(
    levels: Sequence[LevelBudget], focus: LevelBudget, new: Sequence[float], used: Sequence[float], confidence: float
) -> UsedOils | None:
    """None where the blanks are too few, or no excess shows, or a component stands for it."""
    if min(len(new), len(used)) < 2 or not stdev(new) > 0:
        return None
    excess = excess_scatter(stdev(used), len(used) - 1, stdev(new), len(new) - 1, confidence=confidence)
    lowest = next((one for one in levels if one.level > 0), focus)
    stands = size_of([c for c in lowest.components if c.question == "oil" and c.part_of is None])
    if not excess.shows or excess.value <= stands:
        return None
    places = [focus] if lowest is focus else [lowest, focus]
    return UsedOils(
        new=stdev(new),
        used=stdev(used),
        n_new=len(new),
        n_used=len(used),
        excess=excess,
        oil=stands,
        oil_at=lowest.level,
        levels=tuple((one.level, one.result.expanded.value, expanded_with(one, excess.value)) for one in places),
    )


def used_oil_words(oils: UsedOils | None, unit: str) -> list[str]:
    """What stands in no component, and what it would make of U."""
    if oils is None:
        return []
    of, places = unit_text(unit), places_for(oils.excess.value)
    new, used, excess, oil = (fixed(size, places) for size in (oils.new, oils.used, oils.excess.value, oils.oil))
    with_it = sentence_list(
        [
            f"{fixed(more, places_for(u))}{of} instead of {fixed(u, places_for(u))}{of} at {place_text(at, unit)}"
            for at, u, more in oils.levels
        ]
    )
    test = (
        f"ratio of the variances {significant(oils.excess.ratio, 2)}, critical {significant(oils.excess.critical, 2)}"
    )
    return [
        f"Blanks of used oils scatter by {used}{of}, those of new oil by {new}{of} ({oils.n_used} and "
        f"{oils.n_new} readings; {test}): what used oils add, {excess}{of}, stands in no component (oil: {oil}{of} "
        f"at {place_text(oils.oil_at, unit)}). With it U would be {with_it}."
    ]
