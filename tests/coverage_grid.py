"""The grid of designs: does every interval hold over many designs that nobody chose?

Run it with `python tests/coverage_grid.py`, from a clone; it writes docs/coverage_grid.md, in less than ten minutes on
one processor. The designs and what is simulated of each are in `grid_entries`.
"""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np
from coverage_table import ROOT, sources
from grid_entries import ENTRIES, Design, Entry, Simulated

SEED = 20_261_128
PAGE = ROOT / "docs" / "coverage_grid.md"
#: Studies of a design at first, and of the worst cells with fresh seeds.
FIRST, AGAIN = 3000, 20_000
#: Studies held at once.
BLOCK = 2000
#: Cells simulated again: of those that the claim reaches, and of the others, of which the worst few of each statistic.
WORST, EACH = 50, 3
#: The claim: attained and nominal differ by no more.
SLACK = 0.015


@dataclass(frozen=True)
class Cell:
    """One statistic of one design: its rate, and how it came about."""

    entry: Entry
    number: int
    design: Design
    simulated: Simulated
    studies: int

    @property
    def attained(self) -> float:
        return float(np.mean(self.simulated.shares))

    @property
    def error(self) -> float:
        return float(np.std(self.simulated.shares)) / len(self.simulated.shares) ** 0.5

    @property
    def claimed(self) -> bool:
        return self.design.claimed and self.simulated.claimed

    @property
    def short(self) -> float:
        """How far the rate lies on the wrong side: covering less than nominal, or erring more often."""
        beyond = self.simulated.nominal - self.attained
        return beyond if self.simulated.nominal > 0.5 else -beyond

    @property
    def miss(self) -> float:
        """How far it lies from nominal, on the side that counts."""
        return self.short if self.simulated.more else abs(self.short)


def designs_of(entry: Entry, share: float = 1.0) -> Iterator[tuple[int, Design]]:
    """The designs of an entry, each from a seed of its own; a share of them for an extract."""
    for number in range(max(1, round(share * entry.designs))):
        yield number, entry.family(_generator(entry, number, 0))


def cells_of(entry: Entry, number: int, design: Design, studies: int, turn: int) -> Iterator[Cell]:
    """Every statistic of one design; each turn has its own seed, and a block of studies at once."""
    rng, left = _generator(entry, number, turn), max(studies // entry.slow, 20)
    blocks: dict[str, list[Simulated]] = {}
    while left > 0:
        for simulated in entry.simulate(rng, min(left, BLOCK), design):
            blocks.setdefault(simulated.statistic, []).append(simulated)
        left -= BLOCK
    for parts in blocks.values():
        shares = np.concatenate([part.shares for part in parts])
        yield Cell(entry, number, design, replace(parts[0], shares=shares), len(shares))


def _generator(entry: Entry, number: int, turn: int) -> np.random.Generator:
    return np.random.default_rng([SEED, zlib.crc32(entry.name.encode()), number, turn])


def first_pass(
    studies: int = FIRST, share: float = 1.0, *, progress: Callable[[str], None] = lambda text: None
) -> list[Cell]:
    """Every cell of the grid."""
    cells: list[Cell] = []
    for entry in ENTRIES:
        progress(entry.name)
        for number, design in designs_of(entry, share):
            cells += cells_of(entry, number, design, studies, 1)
    return cells


def again(
    cells: Sequence[Cell], studies: int = AGAIN, *, progress: Callable[[str], None] = lambda text: None
) -> list[tuple[Cell, Cell]]:
    """Each of these cells with its fresh simulation: the worst of many is low by chance too, but not twice."""
    fresh: dict[tuple[str, int, str], Cell] = {}
    for entry, number, design in dict.fromkeys((cell.entry, cell.number, cell.design) for cell in cells):
        progress(f"again: {design.words}")
        for cell in cells_of(entry, number, design, studies, 2):
            fresh[entry.name, number, cell.simulated.statistic] = cell
    pairs = [(cell, fresh[cell.entry.name, cell.number, cell.simulated.statistic]) for cell in cells]
    return sorted(pairs, key=lambda pair: -pair[1].miss)


def worst(cells: Iterable[Cell], *, claimed: bool) -> list[Cell]:
    """The cells furthest from nominal that the claim reaches; of the others the worst few of each statistic."""
    chosen: list[Cell] = []
    seen: Counter[str] = Counter()
    for cell in sorted((cell for cell in cells if cell.claimed is claimed), key=lambda cell: -cell.miss):
        seen[cell.simulated.statistic] += 1
        if claimed or seen[cell.simulated.statistic] <= EACH:
            chosen.append(cell)
    return chosen[:WORST]


# The page ----------------------------------------------------------------------------------------------------------

_HEAD = """<!-- Generated by `python tests/coverage_grid.py`; not edited by hand. -->
<!-- SHA-256 of the code of validation/stats and validation/simulation: SOURCES -->

# Coverage over many designs

[Coverage](coverage.md) asks how often the intervals hold for designs that were chosen. Here DESIGNS designs are drawn
from a fixed seed: 3 to 12 runs or laboratories of 1 to 6 readings, equal or not, ratios of variances from 0 to 10,
levels evenly or most of them low, scatter that grows or not, normal or with the tails of Student's t, rounded or not;
CELLS cells of a statistic and a design. Each is simulated FIRST times (loops over single studies less often). The worst
of so many is low by chance, so that the COUNT worst cells of those that the claim reaches, and as many of the others,
EACH of a statistic at most, are simulated again with fresh seeds, AGAIN times; the rates printed are those of the
second simulation.

The claim: with 8 or more runs, laboratories or samples and normal scatter the rate lies within 1.5 points of nominal,
95 % of an interval, 5 % of an error. It may lie on the side of caution, covering more, for the upper bound of a sum,
for a component smaller than what the scatter below it puts into the mean of a unit, and where readings are repeated."""

Pairs = Sequence[tuple[Cell, Cell]]


def page(cells: Sequence[Cell], reached: Pairs, others: Pairs, made_with: str) -> str:
    """The page docs/coverage_grid.md."""
    designs = len({(cell.entry.name, cell.number) for cell in cells})
    numbers = {
        "SOURCES": made_with,
        "DESIGNS": designs,
        "CELLS": len(cells),
        "FIRST": FIRST,
        "COUNT": WORST,
        "EACH": EACH,
    }
    head = _HEAD
    for name, value in {**numbers, "AGAIN": AGAIN}.items():
        head = head.replace(name, str(value))
    outside = [pair for pair in reached if pair[1].miss > SLACK]
    least = min((first.miss for first, _ in reached), default=0.0)
    conclusion = (
        f"Of {sum(cell.claimed for cell in cells)} cells that the claim reaches, {len(outside)} lie outside it after "
        f"the second simulation. The last of the {len(reached)} simulated again had missed by {100 * least:.1f} points "
        "at first."
    )
    parts = [
        head,
        "## What to conclude\n\n" + conclusion,
        "## Outside the claim\n\n" + _table(outside),
        "## The worst that the claim reaches\n\n" + _table([pair for pair in reached if pair not in outside][:15]),
        "## The worst of the others: few units, tails, rounding, definitions without the claim\n\n" + _table(others),
        "## Every statistic, first simulation\n\n" + _summary(cells),
    ]
    return "\n\n".join(part.strip() for part in parts) + "\n"


def _table(pairs: Pairs) -> str:
    lines = [
        "| statistic | design | nominal, % | attained, % | Monte Carlo error | at first, % | studies | said in |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for first, cell in pairs:
        simulated, nominal, rate = cell.simulated, 100 * cell.simulated.nominal, 100 * cell.attained
        lines.append(
            f"| {simulated.statistic} | {cell.design.words} | {nominal:g} | {rate:.1f} | {100 * cell.error:.2f} | "
            f"{100 * first.attained:.1f} | {cell.studies} | {simulated.said} |"
        )
    return "\n".join(lines if pairs else ["None."])


def _summary(cells: Sequence[Cell]) -> str:
    lines = [
        "| statistic | designs | claimed | lowest, % | median, % | highest, % |",
        "|---|---|---|---|---|---|",
    ]
    for statistic in dict.fromkeys(cell.simulated.statistic for cell in cells):
        own = [cell for cell in cells if cell.simulated.statistic == statistic]
        reached = [100 * cell.attained for cell in own if cell.claimed]
        rates = reached or [100 * cell.attained for cell in own]
        ends = " | ".join(f"{value:.1f}" for value in (min(rates), median(rates), max(rates)))
        lines.append(f"| {statistic} | {len(own)} | {len(reached)} | {ends} |")
    return "\n".join([*lines, "", "Rates of the claimed designs; of all where none is."])


def made(*, progress: Callable[[str], None] = lambda text: None) -> str:
    """The whole page, simulated."""
    before = sources()
    cells = first_pass(progress=progress)
    reached, others = (again(worst(cells, claimed=claimed), progress=progress) for claimed in (True, False))
    return page(cells, reached, others, before)


if __name__ == "__main__":
    import sys

    target = Path(sys.argv[1]) if len(sys.argv) > 1 else PAGE
    target.write_text(made(progress=lambda text: print(text, flush=True)), encoding="utf-8", newline="\n")
    print(target)
