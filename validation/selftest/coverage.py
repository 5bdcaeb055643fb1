"""Does every interval cover? The table of simulated studies, its page in docs/, and the extract of the self-test.

`python -m validation.selftest.coverage` writes docs/coverage.md anew; it takes a few minutes on one processor.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from validation.selftest.checks import CoverageRow
from validation.selftest.coverage_page import page
from validation.selftest.simulation import (
    blanks,
    evidence,
    laboratories,
    low_range,
    other_models,
    pairs,
    runs,
    straight_lines,
    suspects,
)
from validation.selftest.simulation.rates import Group

SEED = 20_260_701
PAGE = Path(__file__).parents[2] / "docs" / "coverage.md"

#: In the order of the page.
SIMULATIONS = (runs, other_models, laboratories, straight_lines, blanks, low_range, pairs, suspects, evidence)


def groups() -> list[Group]:
    """Every group of rows, in order."""
    return [group for module in SIMULATIONS for group in module.groups()]


def table(seed: int = SEED, *, progress: Callable[[str], None] = lambda text: None) -> list[CoverageRow]:
    """The whole table.

    Parameters
    ----------
    seed : the same seed and versions give the same rows
    progress : called with the name of each group before it is simulated
    """
    rows: list[CoverageRow] = []
    for group in groups():
        progress(group.name)
        rows += group.simulate(seed)
    return rows


def extract(seed: int = SEED) -> list[CoverageRow]:
    """Rows of a few groups with fewer studies: seconds, not minutes. Each says whether it lies in its band.

    The band is nominal +- 1.5 points and three Monte Carlo errors; about the documented rate where a definition is
    known to miss its nominal one.

    Parameters
    ----------
    seed : the same seed and versions give the same rows
    """
    return [row for group in groups() for row in group.simulate(seed, extract=True)]


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the page, to the file named or to docs/coverage.md beside the package."""
    given = sys.argv[1:] if arguments is None else arguments
    target = Path(given[0]) if given else PAGE
    target.write_text(page(table(progress=lambda name: print(name, flush=True))), encoding="utf-8")
    print(target)


if __name__ == "__main__":
    main()
