"""What a characteristic's notebook calls: open the study, show readings, estimates and figures, save the evaluation."""

from __future__ import annotations

import inspect
import json
import sys
from collections.abc import Mapping, Sequence
from decimal import Decimal
from importlib import import_module
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from validation import resources
from validation.characteristics.registry import characteristics, evaluated
from validation.figures.style import alternative_text, dossier_style, svg_text
from validation.stats.estimate import Estimate
from validation.study.history.plan_lock import plan_sha256
from validation.study.load import held_study
from validation.study.model import ExperimentData
from validation.study.ordering import natural_order
from validation.study.quantity import At, Evaluation, Quantity
from validation.words import counted, level_text, table_cells
from validation.worked import Goal, NotComputed, Sentences, middle, offer_worked_cells, refuse_unknown_parameters

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


class Chapter:
    """One characteristic of one study, as its notebook works through it."""

    def __init__(self, name: str, study_folder: str, output_folder: str, draft: bool = False):
        self.characteristic = characteristics()[name]
        self._study_folder = study_folder
        folder = Path(study_folder) if study_folder else resources.folder("demo_data") / DEMO
        self.study = held_study(folder, draft=draft)
        self.output_folder = Path(output_folder) if output_folder else None
        self._alts: dict[str, str] = {}
        self._done: dict[str, Evaluation] = {}

    @property
    def evaluation(self) -> Evaluation:
        """The estimates, computed once."""
        return evaluated(self.characteristic, self.study, self._done)

    # Which study ------------------------------------------------------------------------------------------------

    def _opening(self) -> tuple[str, ...]:
        """Which study this is: the first thing a notebook shows."""
        facts, experiment = self.study.plan.study, self.characteristic.experiment
        given = f"The study in the folder {Path(self._study_folder).resolve().name}, as study_folder says."
        data = self.study.ready(experiment)
        enter = "This chapter has no worksheet of its own." if not experiment else "No reading enters."
        if data is not None:
            count = counted(len(data.table), "reading")
            enter = f"{count} of {data.worksheet} {'enters' if len(data.table) == 1 else 'enter'}."
        return (
            f"{facts.id}: {facts.title}",
            f"{facts.laboratory}",
            given if self._study_folder else "The demonstration study, invented throughout: study_folder is empty.",
            enter,
            f"Plan: {plan_sha256(self.study.folder)[:12]} (first 12 digits of the SHA-256 of plan.yaml).",
        )

    def _repr_markdown_(self) -> str:
        return Sentences(self._opening())._repr_markdown_()

    def __repr__(self) -> str:
        return "\n".join(self._opening())

    # What is worked through --------------------------------------------------------------------------------------

    @property
    def confidence(self) -> float:
        """Level of the two-sided intervals, as the plan states it."""
        return self.study.confidence

    def quantities(self, key: str) -> tuple[Quantity, ...]:
        """The quantities of one key, in the order of the chapter; "uncertainty.combined" is one of another chapter.

        Raises
        ------
        NotComputed
            The chapter is missing.
        """
        name, _, own = key.rpartition(".")
        chapter = evaluated(characteristics()[name], self.study, self._done) if name else self.evaluation
        if chapter.missing:
            raise NotComputed(chapter.missing)
        return tuple(q for q in chapter.quantities if q.key == f"{chapter.name}.{own}")

    def goal(self, key: str, at: At = None) -> Goal:
        """The quantity that is worked towards: the middle one of this key, or the one at a named place.

        Raises
        ------
        NotComputed
            The chapter has none.
        """
        if at is None:
            return middle(self.quantities(key), key)
        named = [q for q in self.quantities(key) if q.at == at]
        self.need(bool(named), f"this chapter gives no {key} at {level_text(at)}.")
        return Goal(named[0], "as named above")

    def readings(self, of: Goal | None = None) -> pd.DataFrame:
        """The readings that enter the chapter, or those behind one quantity, in worksheet order."""
        data = self.study.ready(self.characteristic.experiment)
        if data is None:
            return pd.DataFrame()
        return data.table if of is None else data.table[data.table["reading"].isin(of.quantity.readings)]

    def values(self, column: str, rows: pd.DataFrame, by: str | Sequence[str] = ()) -> list[Any]:
        """The numbers of a column as written, exact; by run, say, a list for each run.

        Parameters
        ----------
        column : a column of numbers; also `reference`, the assigned value or else the level, and `error`, the result
            minus that
        rows : readings of this chapter, as `readings` gives them
        by : one column, or one within the other, whose groups become lists, in the order of their names. A worksheet
            that lacks the column has one group; a reading that names no preparation is one of its own.

        Raises
        ------
        NotComputed
            There are no readings, or the worksheet holds no numbers there.
        """
        numbers = self._numbers(column)
        groups = [self._groups(name, rows) for name in ([by] if isinstance(by, str) else by)]
        return _grouped(_positions(rows), numbers, groups)

    def names(self, column: str, rows: pd.DataFrame) -> list[str] | None:
        """What each reading has in a column of names, such as its run; None where the worksheet lacks it."""
        return [str(name) for name in rows[column]] if column in rows else None

    def mean_of(self, column: str, rows: pd.DataFrame) -> float | None:
        """The mean of a column over readings; None where the worksheet lacks it."""
        return float(rows[column].mean()) if column in rows else None

    def members(self, key: str, rows: pd.DataFrame) -> list[At]:
        """For each reading the place of the quantity of this key that it belongs to, such as its oil.

        Raises
        ------
        NotComputed
            A reading belongs to none.
        """
        places = {reading: q.at for q in self.quantities(key) for reading in q.readings}
        strange = [reading for reading in rows["reading"] if reading not in places]
        self.need(not strange, f"{counted(len(strange), 'reading')} of the worksheet belong to no {key}.")
        return [places[reading] for reading in rows["reading"]]

    def need(self, holds: bool, otherwise: str) -> None:
        """Stop a worked step with a sentence where it would not apply to this study.

        Raises
        ------
        NotComputed
            The condition does not hold.
        """
        if not holds:
            raise NotComputed(otherwise)

    def setting(self, name: str) -> Any:
        """What the plan says under this name for the experiment.

        Raises
        ------
        NotComputed
            The plan says nothing there.
        """
        value = self._data.settings.get(name)
        if value is None:
            raise NotComputed(f"the plan states no {name}.")
        return value

    def show(self, **estimates: Estimate | Quantity | float | None) -> pd.DataFrame:
        """Estimates side by side, their intervals at the confidence of the plan; what does not exist is left out."""
        columns = ["value", "standard uncertainty", "degrees of freedom", "low", "high"]
        rows = {name: self._shown(item) for name, item in estimates.items() if item is not None}
        return pd.DataFrame.from_dict(rows, orient="index", columns=columns).dropna(axis="columns", how="all")

    def _shown(self, item: Estimate | Quantity | float) -> list[float | None]:
        if not isinstance(item, Estimate | Quantity):
            return [float(item), None, None, None, None]
        interval = item.interval(self.confidence) if isinstance(item, Estimate) else item.interval
        return [item.value, item.standard_uncertainty, item.degrees_of_freedom, *(interval or (None, None))]

    @property
    def _data(self) -> ExperimentData:
        data = self.study.ready(self.characteristic.experiment)
        if data is None:
            raise NotComputed(self.evaluation.missing or "there are no readings.")
        return data

    def _numbers(self, column: str) -> Sequence[Decimal]:
        exact = self._data.exact
        if column == "reference":
            return self._numbers("assigned" if "assigned" in exact else "level")
        if column == "error":
            pairs = zip(self._numbers("result"), self._numbers("reference"), strict=True)
            return [result - reference for result, reference in pairs]
        if column not in exact:
            raise NotComputed(f"the worksheet holds no numbers in the column {column}.")
        return exact[column]

    def _groups(self, column: str, rows: pd.DataFrame) -> Mapping[int, str]:
        """The group of each reading."""
        names = [name.strip() for name in self.names(column, rows) or [""] * len(rows)]
        alone = column == "preparation"
        return {row: name or (f"\0{row}" if alone else "") for row, name in zip(_positions(rows), names, strict=True)}

    # What the chapter computed -----------------------------------------------------------------------------------

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

    def table(self, name: str) -> pd.DataFrame:
        """A further table by its name, rounded as in the dossier; empty without it.

        Several tables of one name and one head, such as one a limit, are joined.
        """
        named = [table for table in self.evaluation.display.tables if table.name == name]
        chosen = [table for table in named if table.head == named[0].head]
        if len(chosen) > 1:
            rows = [[t.caption, *table_cells(t.head, row)] for t in chosen for row in t.rows]
            return pd.DataFrame(rows, columns=["table", *chosen[0].head])
        rows = [list(table_cells(table.head, row)) for table in chosen for row in table.rows]
        return pd.DataFrame(rows, columns=list(chosen[0].head)) if chosen else pd.DataFrame()

    def numbers(self, name: str) -> pd.DataFrame:
        """A further table by its name, with every digit.

        Raises
        ------
        NotComputed
            The chapter has no such table.
        """
        tables = [table for table in self.evaluation.display.tables if table.name == name]
        if not tables:
            raise NotComputed(self.evaluation.missing or f"this chapter has no table {name}.")
        return pd.DataFrame(tables[0].rows, columns=list(tables[0].head))

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


def _positions(rows: pd.DataFrame) -> list[int]:
    """Where the rows stand in the table of the experiment."""
    return [int(row) for row in rows.index.to_numpy()]


def _grouped(rows: Sequence[int], numbers: Sequence[Decimal], groups: Sequence[Mapping[int, str]]) -> list[Any]:
    """The numbers of rows, as lists within lists, one for each group."""
    if not rows:
        raise NotComputed("there are no readings.")
    if not groups:
        return [numbers[row] for row in rows]
    names, *inner = groups
    held: dict[str, list[int]] = {}
    for row in rows:
        held.setdefault(names[row], []).append(row)
    return [_grouped(held[name], numbers, inner) for name in sorted(held, key=natural_order)]


def open_chapter(name: str, study_folder: str = "", output_folder: str = "", draft: bool = False) -> Chapter:
    """Open a study for one characteristic's notebook.

    Parameters
    ----------
    name : the characteristic, such as "repeatability"
    study_folder : folder of the study; empty for the demonstration study
    output_folder : where evaluation and figures are saved; empty to save nothing
    draft : readings without a result are left out instead of refused

    Raises
    ------
    Refusal
        The notebook was handed a parameter that it does not know.
    """
    caller = sys._getframe(1).f_globals
    opened = any(isinstance(value, Chapter) for value in caller.values())
    refuse_unknown_parameters(caller, PARAMETERS, opened=opened)
    offer_worked_cells()
    return Chapter(name, study_folder, output_folder, draft)


#: What every notebook declares in its cell tagged `parameters`.
PARAMETERS = tuple(inspect.signature(open_chapter).parameters)[1:]
