"""The same study with a reading or a run left out: for looking, never for reporting."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import pandas as pd

from validation.study.model import ExperimentData, Study


def without(study: Study, reading: str) -> Study:
    """The study without one reading, whatever experiment holds it."""
    experiments = {name: _drop(data, reading) for name, data in study.experiments.items()}
    return replace(study, experiments=experiments)


def without_runs(study: Study, experiment: str, runs: Collection[str]) -> Study:
    """The study without the readings of some runs of one experiment."""
    data = study.experiments[experiment]
    kept = _keep(data, ~data.table["run"].isin(runs))
    return replace(study, experiments={**study.experiments, experiment: kept})


def _drop(data: ExperimentData, reading: str) -> ExperimentData:
    if "reading" not in data.table or reading not in data.identifiers:
        return data
    return _keep(data, data.table["reading"] != reading)


def _keep(data: ExperimentData, wanted: pd.Series) -> ExperimentData:
    positions = [position for position, keep in enumerate(wanted.tolist()) if keep]
    exact = {column: tuple(values[position] for position in positions) for column, values in data.exact.items()}
    return replace(data, table=data.table.iloc[positions].reset_index(drop=True), exact=exact)
