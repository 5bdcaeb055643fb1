"""The table of simulated studies, docs/coverage.md: does every interval cover?

Run it with `python tests/coverage_table.py`, from a clone, after any change in validation/stats/ or
validation/simulation/; it takes a few minutes on one processor. `tests/test_coverage.py` fails while the page was made
with other sources.
"""

from __future__ import annotations

import ast
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


#: Modules of the statistics that only ask; docs/questions.md has how often.
NO_INTERVAL = ("raw_patterns",)


def sources() -> str:
    """SHA-256 over the paths, sorted, and the code of the statistics and of the generator.

    Docstrings, comments and empty lines change no rate, and are left out; so is what gives no interval.
    """
    digest = hashlib.sha256()
    folders = (ROOT / "validation" / name for name in ("stats", "simulation"))
    for path in sorted(path for folder in folders for path in folder.rglob("*.py") if path.stem not in NO_INTERVAL):
        digest.update(f"{path.relative_to(ROOT).as_posix()}\n{code_of(path.read_text(encoding='utf-8'))}\n".encode())
    return digest.hexdigest()


def code_of(text: str) -> str:
    """The lines of a module that are neither docstring nor comment nor empty."""
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
    nodes = [node for node in ast.walk(ast.parse(text)) if isinstance(node, documented)]
    docstrings = [node.body[0] for node in nodes if ast.get_docstring(node)]
    left_out = {line for node in docstrings for line in range(node.lineno, (node.end_lineno or 0) + 1)}
    lines = (line for number, line in enumerate(text.splitlines(), start=1) if number not in left_out)
    return "\n".join(line for line in lines if line.strip() and not line.lstrip().startswith("#"))


if __name__ == "__main__":
    before = sources()
    rows = table(progress=lambda name: print(name, flush=True))
    PAGE.write_text(page(rows, before), encoding="utf-8", newline="\n")
    print(PAGE)
