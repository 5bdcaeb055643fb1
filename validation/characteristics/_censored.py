"""Readings such as "<0.1" that leave a level, or a whole worksheet, without a number; every chapter says so."""

from __future__ import annotations

from collections import Counter

from validation.study.model import ExperimentData, Study
from validation.words import counted, level_text


def all_censored(study: Study, experiment: str) -> str:
    """The sentence where a worksheet holds nothing but censored readings, else empty."""
    data = study.experiments.get(experiment)
    if data is None or not data.censored or not data.table.empty:
        return ""
    count = len(data.censored)
    which = f"The one reading of {data.worksheet} is" if count == 1 else f"All {count} readings of {data.worksheet} are"
    return f"{which} censored: nothing can be estimated. Readings without a reporting limit would supply it."


def why_not(study: Study, experiment: str, columns: str) -> str:
    """Why an experiment has no reading to evaluate, and what would supply it."""
    planned = study.experiments.get(experiment)
    if planned is None:
        return f"The plan has no {experiment} experiment: a worksheet with {columns} would supply it."
    return all_censored(study, experiment) or f"The worksheet {planned.worksheet} is awaiting readings."


def left_out(count: int, where: str = "", *, noun: str = "censored reading") -> tuple[str, ...]:
    """The sentence on readings without which a quantity is estimated; none where all are there.

    `where`: which ones, such as "of this blank".
    """
    which = f" {where}" if where else ""
    return (f"{counted(count, noun)}{which} {'was' if count == 1 else 'were'} left out.",) if count else ()


def lost_levels(data: ExperimentData) -> tuple[str, ...]:
    """A sentence for each level that holds nothing but censored readings, and so has no quantity at all."""
    if "level" not in data.table or not data.censored:
        return ()
    held = {_place(level) for level in data.table["level"].unique()}
    counts = Counter(_place(reading.values.get("level", "")) for reading in data.censored)
    return tuple(
        f"Level {level_text(level)}: {_all_of(count)} censored, so nothing can be estimated there."
        for level, count in counts.items()
        if level not in held
    )


def _all_of(count: int) -> str:
    return "its one reading is" if count == 1 else f"all of its {count} readings are"


def _place(level: object) -> float | str:
    """A level as a number where it is one, however it was written."""
    try:
        return float(str(level).replace(",", "."))
    except ValueError:
        return str(level)
