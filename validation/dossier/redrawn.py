"""All figures of a chapter at once, as its notebook shows them, to compare with those of a dossier."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from importlib import import_module

from validation import resources
from validation.figures.style import alternative_text, dossier_style, svg_text
from validation.study.model import Study
from validation.study.quantity import Evaluation


@dataclass(frozen=True, slots=True)
class Redrawn:
    """A figure as SVG, and what it says to those who do not see it."""

    svg: str
    alt: str


def figure_names(chapter: str) -> tuple[str, ...]:
    """The figures that the notebook of a chapter asks for, in its order."""
    raw = (resources.folder("notebooks") / f"{chapter}.ipynb").read_text(encoding="utf-8")
    cells = [cell for cell in json.loads(raw)["cells"] if cell["cell_type"] == "code"]
    return tuple(name for cell in cells for name in re.findall(r'chapter\.figure\("(\w+)"\)', "".join(cell["source"])))


def redrawn(chapter: str, evaluation: Evaluation, study: Study) -> dict[str, Redrawn]:
    """The figures of a chapter by name; those whose data are missing are left out."""
    if evaluation.missing:
        return {}
    module = import_module(f"validation.figures.{chapter}")
    drawings = {}
    for name in figure_names(chapter):
        with dossier_style():
            figure = getattr(module, name)(evaluation, study)
        if figure is not None:
            drawings[f"{chapter}-{name}"] = Redrawn(svg_text(figure), alternative_text(figure))
    return drawings
