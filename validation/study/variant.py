"""The same study with one reading left out: for looking, never for reporting."""

from __future__ import annotations

from dataclasses import replace

from validation.study.model import ExperimentData, Study


def without(study: Study, reading: str) -> Study:
    """The study without one reading, whatever experiment holds it."""
    experiments = {name: _drop(data, reading) for name, data in study.experiments.items()}
    return replace(study, experiments=experiments)


def _drop(data: ExperimentData, reading: str) -> ExperimentData:
    if reading not in set(data.table.get("reading", ())):
        return data
    keep = [position for position, name in enumerate(data.table["reading"]) if name != reading]
    exact = {column: tuple(values[position] for position in keep) for column, values in data.exact.items()}
    return replace(data, table=data.table.iloc[keep].reset_index(drop=True), exact=exact)
