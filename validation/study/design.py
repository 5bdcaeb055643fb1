"""The answers that `start` gets, what contradicts itself in them, and what is chosen where nothing is given."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from itertools import pairwise
from math import floor, log10

from validation.faults import Refusal
from validation.study.text_files import hidden_character


@dataclass(frozen=True, slots=True)
class Design:
    """The answers that `start` gets; `levels` empty means: choose from range, customer limits and routine standard.

    `grades`, `fuels` and `lots` name first the one that the others are compared with; `purges` are the settings at
    which carry-over is read, `factors` a name with its low and high setting each, `states` those of a stored standard.
    """

    title: str
    laboratory: str
    range: tuple[float, float]
    unit: str = "%"
    measurand: str = ""
    id: str = ""
    procedure: str = ""
    routine_level: float | None = None
    customer_limits: tuple[float, ...] = ()
    levels: tuple[float, ...] = ()
    runs: int = 8
    replicates: int = 3
    people: tuple[str, ...] = ()
    laboratories: tuple[str, ...] = ()
    grades: tuple[str, ...] = ()
    fuels: tuple[str, ...] = ()
    lots: tuple[str, ...] = ()
    purges: tuple[str, ...] = ()
    factors: tuple[tuple[str, str, str], ...] = ()
    states: tuple[str, ...] = ()
    workbooks: bool = False
    seed: int | None = None


def refuse_contradictions(design: Design) -> None:
    """Refuse what no study can be made of.

    Raises
    ------
    Refusal
        With the first answer that contradicts another one, or that no worksheet and no file can hold.
    """
    _refuse_texts(design)
    low, high = design.range
    for name, number in (("runs", design.runs), ("replicates", design.replicates)):
        if not 1 <= number <= 1000:
            raise Refusal(f"The number of {name} must be between 1 and 1000; found {number}.")
    if not low < high:
        raise Refusal(f"The range must rise from low to high; found {low:g} to {high:g}.")
    if len(set(design.levels)) != len(design.levels):
        raise Refusal("A level is named twice.")
    if len(design.factors) > 11:
        raise Refusal(f"A screening of 12 trials holds 11 factors at most; found {len(design.factors)}.")
    for what, named in (("grade", design.grades), ("fuel", design.fuels), ("lot", design.lots)):
        if len(set(named)) != len(named):
            raise Refusal(f"A {what} is named twice.")
    for lot in design.lots:
        if not re.fullmatch(r"[\w-][\w.-]*", lot):
            raise Refusal(f'The lot "{lot}" cannot name a file; use letters, digits, - and _.')
    if len(design.levels) > 100:
        raise Refusal(f"At most 100 levels; found {len(design.levels)}.")


def _refuse_texts(design: Design) -> None:
    for item in fields(design):
        given = getattr(design, item.name)
        texts = [part for one in (given if isinstance(given, tuple) else (given,)) for part in _texts(one)]
        hidden = next((text for text in texts if hidden_character(text)), None)
        if hidden is not None:
            raise Refusal(f'{item.name}: the text "{hidden}" holds a character that cannot be seen. Write it without.')
    if re.search(r"[\[\]]", design.unit):
        raise Refusal(
            f'The unit "{design.unit}" holds a bracket, which marks the unit in a worksheet heading: write '
            f'"{re.sub(r"[][]", "", design.unit)}", or "% (m/m)".'
        )


def _texts(value: object) -> tuple[str, ...]:
    """The texts of one answer: itself, or the parts of a factor."""
    return tuple(part for part in (value if isinstance(value, tuple) else (value,)) if isinstance(part, str))


def usual_levels(design: Design) -> tuple[float, ...]:
    """Both ends of the range, customer limits and routine standard inside it, and more where a gap is widest."""
    low, high = design.range
    inside = [level for level in (*design.customer_limits, design.routine_level) if level is not None]
    levels = sorted({low, high, *(level for level in inside if low < level < high)})
    while len(levels) < 5:
        gap, start = max((after - before, before) for before, after in pairwise(levels))
        level = two_digits(start + gap / 2)
        if level in levels:
            break
        levels = sorted([*levels, level])
    return tuple(levels)


def two_digits(value: float) -> float:
    """A number as a person chooses it, with few digits."""
    return value if value == 0 else round(value, 1 - floor(log10(abs(value))))
