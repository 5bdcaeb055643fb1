"""The same study without a reading or a run, or with numbers for censored readings: for looking, never reporting."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from decimal import Decimal

import pandas as pd

from validation.study.experiments import EXPERIMENTS
from validation.study.model import ExperimentData, Study
from validation.study.text_files import bound_of, is_below


def without(study: Study, reading: str) -> Study:
    """The study without one reading, whatever experiment holds it."""
    experiments = {name: _drop(data, reading) for name, data in study.experiments.items()}
    return replace(study, experiments=experiments)


def without_runs(study: Study, experiment: str, runs: Collection[str]) -> Study:
    """The study without the readings of some runs of one experiment."""
    data = study.experiments[experiment]
    kept = _keep(data, ~data.table["run"].isin(runs))
    return replace(study, experiments={**study.experiments, experiment: kept})


def with_bounds(data: ExperimentData, *, zero: bool) -> ExperimentData | None:
    """The experiment with its censored readings as numbers: each at its limit, with `zero` those below one at zero.

    None where there is no such reading.
    """
    column = EXPERIMENTS[data.name].columns.value
    if not any(is_below(reading.values[column]) or not zero for reading in data.censored):
        return None
    rows = [
        {
            **reading.values,
            "reading": reading.reading,
            "line": reading.line,
            column: "0" if zero and is_below(reading.values[column]) else str(bound_of(reading.values[column])),
        }
        for reading in data.censored
    ]
    exact = {name: (*values, *(Decimal(str(row[name])) for row in rows)) for name, values in data.exact.items()}
    table = pd.concat([data.table, pd.DataFrame(rows)[list(data.table.columns)]], ignore_index=True)
    numbers = {name: [float(value) for value in values] for name, values in exact.items()}
    readings = tuple(replace(r, status="used") if r.status == "censored" else r for r in data.readings)
    return replace(data, table=table.assign(**numbers), exact=exact, readings=readings)


def _drop(data: ExperimentData, reading: str) -> ExperimentData:
    if "reading" not in data.table or reading not in data.identifiers:
        return data
    return _keep(data, data.table["reading"] != reading)


def _keep(data: ExperimentData, wanted: pd.Series) -> ExperimentData:
    positions = [position for position, keep in enumerate(wanted.tolist()) if keep]
    exact = {column: tuple(values[position] for position in positions) for column, values in data.exact.items()}
    return replace(data, table=data.table.iloc[positions].reset_index(drop=True), exact=exact)
