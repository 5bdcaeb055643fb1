"""A study held in memory, for tests of the characteristics: one experiment, its rows given as columns of texts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd

from validation.characteristics.registry import characteristics, evaluated
from validation.stats.confidence import ConfidenceDistribution
from validation.study.columns import NUMERIC
from validation.study.model import ExperimentData, Reading, Study
from validation.study.plan import Plan
from validation.study.quantity import Evaluation


def small_study(
    experiment: str,
    columns: Mapping[str, Sequence[object]],
    *,
    unit: str = "%",
    range_: tuple[float, float] = (0.0, 1000.0),
    customer_limits: Sequence[float] = (),
    requirements: Sequence[Mapping[str, Any]] = (),
    confidence: float = 0.95,
    settings: Mapping[str, Any] | None = None,
) -> Study:
    """A study of one experiment; a result such as "<0.1" is censored, and so is not in the table."""
    plan = Plan.model_validate(
        {
            "format": 1,
            "study": {
                "id": "T-1",
                "title": "Test",
                "laboratory": "Test laboratory",
                "measurand": "Test",
                "unit": unit,
                "range": list(range_),
                "customer_limits": list(customer_limits),
            },
            "confidence": confidence,
            "experiments": {experiment: {"worksheet": "worksheets/test.csv", **(settings or {})}},
            "requirements": list(requirements),
        }
    )
    rows = [dict(zip(columns, map(str, row), strict=True)) for row in zip(*columns.values(), strict=True)]
    readings, kept, exact = [], [], {name: [] for name in columns if name in NUMERIC}
    labelled = any(not _is_number(row["level"]) for row in rows) if "level" in columns else False
    if labelled:
        exact.pop("level")
    for number, row in enumerate(rows):
        name = f"T-{number + 1:03d}"
        status = "censored" if row.get("result", "").startswith(("<", ">")) else "used"
        readings.append(Reading(name, experiment, "worksheets/test.csv", number + 2, row, row, status=status))
        if status == "used":
            for column in exact:
                exact[column].append(Decimal(row[column]))
            kept.append({"reading": name, "line": number + 2, **row})
    table = pd.DataFrame(kept, columns=["reading", "line", *columns])
    for column in exact:
        table[column] = [float(value) for value in exact[column]]
    data = ExperimentData(
        name=experiment,
        worksheet="worksheets/test.csv",
        table=table,
        exact={name: tuple(values) for name, values in exact.items()},
        settings=plan.experiments[experiment].settings,
        readings=tuple(readings),
        awaiting=not rows,
    )
    return Study(Path("study"), plan, {experiment: data})


@dataclass(frozen=True)
class FixedEnds(ConfidenceDistribution):
    """The same ends at every level: for tests of what is made of an interval."""

    low: float
    high: float

    def interval(self, level: float) -> tuple[float, float]:
        return self.low, self.high


def evaluation_of(name: str, study: Study) -> Evaluation:
    """The evaluation of one characteristic, after those that it depends on."""
    return evaluated(characteristics()[name], study, {})


def precision_study(runs: Sequence[Sequence[object]], *, level: str = "4", **columns: Sequence[object]) -> Study:
    """A precision experiment at one level; `runs` as lists of results, further columns as given."""
    rows = [(level, f"R{i + 1}", value) for i, run in enumerate(runs) for value in run]
    levels, names, results = zip(*rows, strict=True)
    return small_study("precision", {"level": levels, "run": names, "result": results, **columns})


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
