"""A worksheet as `start` prepares it: headings, identifiers, a random measuring order, empty results."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Prepared:
    """One worksheet, not yet written: headings and rows."""

    head: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...]

    def with_column(self, name: str, value: object) -> Prepared:
        """The same with one more column before the last, filled throughout."""
        rows = tuple((*row[:-1], value, row[-1]) for row in self.rows)
        return Prepared((*self.head[:-1], name, self.head[-1]), rows)


def in_random_order(
    letter: str,
    planned: Sequence[str],
    empty: Sequence[str],
    groups: Iterable[tuple[str, Sequence[tuple[object, ...]]]],
    seed: int,
    *,
    on_and_on: bool = False,
) -> Prepared:
    """Readings in random order within each group, such as a run; `order` begins again in each unless it continues.

    Parameters
    ----------
    letter : what each identifier begins with; its number counts in the order of the design
    planned, empty : the columns in addition to `reading` and `order` that are filled here, and those left to the bench
    groups : what the random order depends on in addition to the seed, and the planned cells of each reading
    """
    rows: list[tuple[object, ...]] = []
    number = 0
    for group, cells in groups:
        one = [(f"{letter}-{place:03d}", cell) for place, cell in enumerate(cells, start=number + 1)]
        number += len(one)
        first = len(rows) + 1 if on_and_on else 1
        for order, (name, cell) in enumerate(shuffled(one, seed, group), start=first):
            rows.append((name, order, *cell, *("" for _ in empty)))
    return Prepared(("reading", "order", *planned, *empty), tuple(rows))


def shuffled(rows: Iterable[Row], seed: int, group: str) -> list[Row]:
    """One run in random order. Measured by rising level, a drift would look like curvature."""
    order = list(rows)
    random.Random(f"{seed} {group}").shuffle(order)
    return order


def level_cell(value: float) -> float | int:
    """A level as a cell holds it: 4 rather than 4.0."""
    return int(value) if float(value).is_integer() else value
