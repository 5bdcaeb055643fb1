"""The table of simulated studies, docs/coverage.md: does every interval cover?

Run it with `python tests/coverage_table.py`, from a clone, after any change in validation/stats/ or
validation/simulation/; it takes a few minutes on one processor. `tests/test_coverage.py` fails while the page was made
with other sources.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

from coverage_groups import groups
from coverage_page import page

from validation.selftest.checks import CoverageRow
from validation.selftest.coverage import SEED

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "docs" / "coverage.md"


def table(seed: int = SEED, *, progress: Callable[[str], None] = lambda text: None) -> list[CoverageRow]:
    """The whole table; the same seed and versions give the same rows. `progress` hears the name of each group."""
    rows: list[CoverageRow] = []
    for group in groups():
        progress(group.name)
        rows += group.simulate(seed)
    return rows


def sources() -> str:
    """SHA-256 over the paths, sorted, and the bytes of the statistics and of the generator."""
    digest = hashlib.sha256()
    folders = (ROOT / "validation" / name for name in ("stats", "simulation"))
    for path in sorted(path for folder in folders for path in folder.rglob("*.py")):
        digest.update(path.relative_to(ROOT).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


if __name__ == "__main__":
    before = sources()
    rows = table(progress=lambda name: print(name, flush=True))
    PAGE.write_text(page(rows, before), encoding="utf-8", newline="\n")
    print(PAGE)
