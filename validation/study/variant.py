"""The same study with one reading left out, put back, or as it was written: for looking, never for reporting."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pandas as pd

from validation.study.model import ExperimentData, Reading, Study


def without(study: Study, reading: str) -> Study:
    """The study without one reading, whatever experiment holds it."""
    return _changed(study, reading, _drop)


def as_written(study: Study, reading: str, column: str, old: str) -> Study:
    """The study with one cell as it was before its correction."""

    def restore(data: ExperimentData, item: Reading) -> ExperimentData:
        return _row(data, replace(item, values={**item.values, column: old}))

    return _changed(study, reading, restore)


def put_back(study: Study, reading: str) -> Study:
    """The study with an excluded reading in it again."""
    return _changed(study, reading, _row)


def _changed(study, reading, change):
    experiments = dict(study.experiments)
    for name, data in experiments.items():
        item = next((r for r in data.readings if r.reading == reading), None)
        if item is not None:
            experiments[name] = change(data, item)
    return replace(study, experiments=experiments)


def _drop(data: ExperimentData, item: Reading) -> ExperimentData:
    keep = [position for position, name in enumerate(data.table["reading"]) if name != item.reading]
    exact = {column: tuple(values[position] for position in keep) for column, values in data.exact.items()}
    return replace(data, table=data.table.iloc[keep].reset_index(drop=True), exact=exact)


def _row(data: ExperimentData, item: Reading) -> ExperimentData:
    """Put the reading's values in its place by line, instead of the row that is there if there is one."""
    rest = _drop(data, item)
    numbers = {column: _decimal(item.values.get(column, "")) for column in rest.exact}
    before = int((rest.table["line"] < item.line).sum())
    cells: dict[str, object] = {}
    for column in rest.table.columns:
        if column in numbers:
            cells[column] = float(numbers[column])
        elif column == "level" and rest.numeric_levels:
            cells[column] = float(_decimal(item.values.get("level", "")))
        else:
            cells[column] = {"reading": item.reading, "line": item.line}.get(column, item.values.get(column, ""))
    row = pd.DataFrame([cells]).astype(rest.table.dtypes.to_dict())
    table = pd.concat([rest.table.iloc[:before], row, rest.table.iloc[before:]], ignore_index=True)
    exact = {column: (*values[:before], numbers[column], *values[before:]) for column, values in rest.exact.items()}
    return replace(data, table=table, exact=exact)


def _decimal(text: str) -> Decimal:
    return Decimal(text.strip().replace(",", ".") or "0")
