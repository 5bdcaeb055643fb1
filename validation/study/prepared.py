"""A worksheet as `start` prepares it: headings, identifiers, a random measuring order, empty results."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Prepared:
    """One worksheet, not yet written: its experiment, file name without ending, headings and rows."""

    experiment: str
    name: str
    head: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...]

    def with_column(self, name: str, value: object) -> Prepared:
        """The same with one more column before the last, filled throughout."""
        rows = tuple((*row[:-1], value, row[-1]) for row in self.rows)
        return Prepared(self.experiment, self.name, (*self.head[:-1], name, self.head[-1]), rows)


def shuffled(rows: Iterable[tuple[object, ...]], seed: int, group: str) -> list[tuple[object, ...]]:
    """One run in random order. Measured by rising level, a drift would look like curvature."""
    found = list(rows)
    random.Random(f"{seed} {group}").shuffle(found)
    return found


def level_cell(value: float) -> float | int:
    """A level as a cell holds it: 4 rather than 4.0."""
    return int(value) if float(value).is_integer() else value
