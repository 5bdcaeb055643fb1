"""What a characteristic's notebook calls: open the study, show readings, estimates and figures, save the evaluation."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from functools import cached_property
from importlib import import_module
from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

from validation import resources
from validation.characteristics.registry import characteristics, evaluated
from validation.figures.style import alternative_text, dossier_style, svg_text
from validation.study.load import load_study
from validation.study.quantity import Evaluation
from validation.words import table_cells

DEMO = "new-grade"


class Drawing:
    """A figure as a notebook shows it: SVG, the same bytes on every rerun."""

    def __init__(self, figure: Figure):
        self.figure = figure
        self.svg = svg_text(figure)

    def _repr_svg_(self) -> str:
        return self.svg

    def __repr__(self) -> str:
        return f"figure: {alternative_text(self.figure)}"


class Sentences:
    """Sentences as a notebook shows them: whole, one a line."""

    def __init__(self, sentences: Iterable[str]):
        self.sentences = tuple(sentences)

    def _repr_markdown_(self) -> str:
        # A sentence may hold what Markdown would take for a mark, such as s_r.
        escaped = (re.sub(r"([\\`*_{}\[\]<>#$|])", r"\\\1", sentence) for sentence in self.sentences)
        return "\n".join(f"- {sentence}" for sentence in escaped) or "None."

    def __repr__(self) -> str:
        return "\n".join(self.sentences) or "None."


class Chapter:
    """One characteristic of one study, as its notebook works through it."""

    def __init__(self, name: str, study_folder: str, output_folder: str, draft: bool = False):
        self.characteristic = characteristics()[name]
        folder = Path(study_folder) if study_folder else resources.folder("demo_data") / DEMO
        self.study = load_study(folder, draft=draft)
        self.output_folder = Path(output_folder) if output_folder else None
        self._alts: dict[str, str] = {}

    @cached_property
    def evaluation(self) -> Evaluation:
        """The estimates, computed once."""
        return evaluated(self.characteristic, self.study, {})

    def readings(self) -> pd.DataFrame:
        """The readings that enter, in worksheet order."""
        data = self.study.ready(self.characteristic.experiment)
        return pd.DataFrame() if data is None else data.table

    def estimates(self) -> pd.DataFrame:
        """Every quantity with interval, unit, degrees of freedom, count, source; results.json holds every digit."""
        columns = ["key", "at", "value", "low", "high", "unit", "degrees of freedom", "n", "source"]
        rows = [
            [q.key, q.at, q.value, *(q.interval or (None, None)), q.unit, q.degrees_of_freedom, q.n, q.source]
            for q in self.evaluation.quantities
        ]
        return pd.DataFrame(rows, columns=columns)

    def notes(self) -> Sentences:
        """What an auditor must know, once each."""
        sentences = [*self.evaluation.notes, *(note for q in self.evaluation.quantities for note in q.notes)]
        return Sentences(dict.fromkeys(sentences))

    def flags(self) -> pd.DataFrame:
        """Readings that a statistical test points at; all of them are kept."""
        return pd.DataFrame([flag.to_dict() for flag in self.evaluation.flags])

    def table(self, position: int | str) -> pd.DataFrame:
        """A further table, by position or by how its caption begins, rounded as in the dossier; empty without it.

        Several tables of one beginning and one head, such as one a limit, are joined.
        """
        tables = self.evaluation.display.tables
        if isinstance(position, str):
            named = [table for table in tables if table.name == position or table.caption.startswith(position)]
            chosen = [table for table in named if table.head == named[0].head]
        else:
            chosen = list(tables[position : position + 1])
        if len(chosen) > 1:
            rows = [[t.caption, *table_cells(t.head, row)] for t in chosen for row in t.rows]
            return pd.DataFrame(rows, columns=["table", *chosen[0].head])
        rows = [list(table_cells(table.head, row)) for table in chosen for row in table.rows]
        return pd.DataFrame(rows, columns=list(chosen[0].head)) if chosen else pd.DataFrame()

    def figure(self, name: str) -> Drawing | None:
        """A figure of this chapter, also saved for the dossier; None where its data are missing."""
        if self.evaluation.missing:
            return None
        module = import_module(f"validation.figures.{self.characteristic.name}")
        with dossier_style():
            drawing = getattr(module, name)(self.evaluation, self.study)
        if drawing is None:
            return None
        self._alts[name] = alternative_text(drawing)
        picture = Drawing(drawing)
        if self.output_folder is not None:
            target = self.output_folder / f"{self.characteristic.name}-{name}.svg"
            target.write_bytes(picture.svg.encode("utf-8"))
        return picture

    def in_words(self) -> Sentences:
        """The reading in words."""
        return Sentences(self._words())

    def _words(self) -> Sequence[str]:
        if self.evaluation.missing:
            return [self.evaluation.missing]
        return list(self.characteristic.in_words(self.evaluation, self.study.unit))

    def save(self) -> None:
        """Hand the evaluation to the dossier; without an output folder nothing is written."""
        if self.output_folder is not None:
            saved = {**self.evaluation.to_dict(), "words": list(self._words()), "figures": self._alts}
            target = self.output_folder / f"{self.characteristic.name}.json"
            target.write_bytes(json.dumps(saved, allow_nan=False, indent=1).encode("utf-8"))


def open_chapter(name: str, study_folder: str = "", output_folder: str = "", draft: bool = False) -> Chapter:
    """Open a study for one characteristic's notebook.

    Parameters
    ----------
    name : the characteristic, such as "repeatability"
    study_folder : folder of the study; empty for the demonstration study
    output_folder : where evaluation and figures are saved; empty to save nothing
    draft : readings without a result are left out instead of refused
    """
    return Chapter(name, study_folder, output_folder, draft)
