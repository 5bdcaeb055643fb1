"""A study as it would be without some of its readings or amendments: what a conclusion hangs on."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from validation.study.load import load_study
from validation.study.model import ExperimentData, Study


def without_readings(study: Study, readings: Collection[str]) -> Study:
    """The same study with these readings left out of every table; nothing is written."""
    experiments = {name: _without(data, readings) for name, data in study.experiments.items()}
    return replace(study, experiments=experiments)


def without_amendment(study: Study, number: int) -> Study:
    """The study read again without one amendment.

    Raises
    ------
    StudyDataError
        The study cannot be read without it: a later amendment builds on it, or the cell that it mends is no number.
    """
    return load_study(study.folder, draft=study.draft, left_out=(number,))


def _without(data: ExperimentData, readings: Collection[str]) -> ExperimentData:
    keep = [position for position, name in enumerate(data.table["reading"]) if name not in readings]
    if len(keep) == len(data.table):
        return data
    exact = {column: tuple(values[position] for position in keep) for column, values in data.exact.items()}
    return replace(data, table=data.table.iloc[keep].reset_index(drop=True), exact=exact)
