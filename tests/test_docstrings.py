"""The reference of the statistics: every public function says what goes in and out, and its examples are run."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from pathlib import Path

import pytest

STATS = Path(__file__).parent.parent / "validation" / "stats"
MODULES = {path.stem: ast.parse(path.read_text(encoding="utf-8")) for path in sorted(STATS.glob("[a-z]*.py"))}

SECTIONS = ("Parameters", "Returns", "Raises", "References")
#: What a parameter is: its shape, its type, its unit or range, or the function that says so.
MEASURE = re.compile(
    r"\b(shapes?|floats?|int|units?|probabilit(?:y|ies)|level|degrees of freedom|confidence|ratio|as)\b"
    r"|\d+ (?:or|to)|above (?:0|zero)"
)
FUNCTIONS = [
    (module, node)
    for module, tree in MODULES.items()
    for node in tree.body
    if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
]
CLASSES = [
    (module, node)
    for module, tree in MODULES.items()
    for node in tree.body
    if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
]


def sections_of(node: ast.FunctionDef | ast.ClassDef) -> dict[str, str]:
    """Heading -> text of each numpydoc section."""
    parts = re.split(r"(?m)^(\w+)\n-{3,}\n", ast.get_docstring(node) or "")
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def name_of(item: object) -> str:
    return item if isinstance(item, str) else getattr(item, "name", "")


@pytest.mark.parametrize(("module", "node"), FUNCTIONS, ids=name_of)
def test_a_public_function_has_its_whole_reference(module: str, node: ast.FunctionDef) -> None:
    sections = sections_of(node)
    assert [name for name in SECTIONS if not sections.get(name, "").strip()] == []
    parameters = [argument.arg for argument in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
    named = re.findall(r"(?m)^([\w, ]+) : ", sections["Parameters"])
    assert sorted(parameters) == sorted(name for group in named for name in group.split(", "))
    assert MEASURE.search(sections["Parameters"])


@pytest.mark.parametrize(("module", "node"), CLASSES, ids=name_of)
def test_a_public_class_has_its_attributes(module: str, node: ast.ClassDef) -> None:
    assert sections_of(node).get("Attributes", "").strip()


@pytest.mark.parametrize("module", MODULES)
def test_a_module_has_an_example_that_comes_out(module: str) -> None:
    result = doctest.testmod(importlib.import_module(f"validation.stats.{module}"))
    assert result.failed == 0
    assert result.attempted > 0
