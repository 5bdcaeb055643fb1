"""A study as the characteristics see it: plan, experiments, readings, all with their amendments applied."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from validation.study.export_comparison import Comparison
from validation.study.folder import AMENDMENTS
from validation.study.history.losses import Change, Loss
from validation.study.lot_record import LotRecord
from validation.study.plan import Plan
from validation.study.quantity import judged_level


@dataclass(frozen=True)
class Reading:
    """One row of a worksheet, as written and as amended. `line` is that of the file, counted from 1.

    `written` and `values` hold the texts of every column, `values` after amendments. `status` is "used", "excluded"
    (reason given), "censored" ("<0.1") or "empty".
    """

    reading: str
    experiment: str
    file: str
    line: int
    written: Mapping[str, str]
    values: Mapping[str, str]
    status: str = "used"
    reason: str = ""
    time: datetime | None = None
    time_is_a_date: bool = False


@dataclass(frozen=True, eq=False)
class ExperimentData:
    """The readings of one experiment; one object is equal to itself alone, so that what is made of it can be kept.

    Attributes
    ----------
    table : one row a usable reading, in worksheet order. Always `reading` (str) and `line` (int); then the columns
        of the worksheet under the contract's names: `level` as float or, where any level is a label, as str
        throughout; `response`, `result`, `assigned`, `u_level`, `u` as float; every other column as str.
        A column that the worksheet lacks is absent. Censored, excluded and empty readings are not in it.
    exact : the numeric columns again, row by row, as the decimals that were written
    settings : the plan's further keys for this experiment, such as `routine_level`
    censored : readings such as "<0.1", which count in the notes of every quantity they would have entered
    awaiting : the worksheet has headings only, or no result yet
    """

    name: str
    worksheet: str
    table: pd.DataFrame
    exact: Mapping[str, tuple[Decimal, ...]]
    settings: Mapping[str, Any] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
    awaiting: bool = False
    notes: tuple[str, ...] = ()

    @cached_property
    def identifiers(self) -> list[str]:
        """Of the rows of the table."""
        return self.table["reading"].astype(str).tolist()

    @cached_property
    def censored(self) -> tuple[Reading, ...]:
        return tuple(reading for reading in self.readings if reading.status == "censored")

    @property
    def numeric_levels(self) -> bool:
        """Whether `level` is a number throughout; a label forbids trueness, tolerance and percentage limits."""
        return "level" in self.table and pd.api.types.is_numeric_dtype(self.table["level"])

    def decimals(self, column: str, rows: Any = None) -> list[Decimal]:
        """The exact values of a numeric column, all of them or those at the positions in `rows`."""
        values = self.exact[column]
        return list(values) if rows is None else [values[row] for row in rows]

    def censored_at(self, column: str, value: object) -> int:
        """How many censored readings carry `value` in `column`: what a note of that level must count."""
        return sum(_same(reading.values.get(column, ""), value) for reading in self.censored)


def _same(text: str, value: object) -> bool:
    try:
        return float(text.replace(",", ".")) == float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return text == str(value)


@dataclass(frozen=True)
class Study:
    """One study folder, read and checked. `lot_records`: the records of the standards lots that the plan names, by lot.

    `lost_amendments`: what of amendments.csv is not as first seen; `changes`: every cell that is not, without an
    amendment; `lost_history`: what no longer shows how it was first seen; `plan_change`: the sentence that the plan was
    changed after it was frozen. What a person acknowledged is in none of them, but among the `amendments`. `exports`:
    worksheets held against the exports of instruments.
    """

    folder: Path
    plan: Plan
    experiments: Mapping[str, ExperimentData]
    amendments: tuple[Mapping[str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    draft: bool = False
    lot_records: Mapping[str, LotRecord] = field(default_factory=dict)
    lost_amendments: tuple[Loss, ...] = ()
    changes: tuple[Change, ...] = ()
    lost_history: tuple[Loss, ...] = ()
    plan_change: str = ""
    exports: tuple[Comparison, ...] = ()

    @property
    def unit(self) -> str:
        return self.plan.study.unit

    @property
    def confidence(self) -> float:
        """Level of the two-sided intervals."""
        return self.plan.confidence

    @property
    def judged_confidence(self) -> float:
        """Level 1 - 2 * alpha of the interval that rules look at; its ends are one-sided 1 - alpha bounds."""
        return judged_level(self.plan.confidence)

    @property
    def silent_changes(self) -> list[str]:
        """What changed without an amendment, and what no longer shows how it was first seen, by file."""
        losses = [loss.text for loss in self.lost_history]
        amendments = [f"{AMENDMENTS}: {loss.text}" for loss in self.lost_amendments]
        return [*map(str, self.changes), *losses, *amendments, *([self.plan_change] if self.plan_change else [])]

    def amendments_of(self, data: ExperimentData) -> list[Mapping[str, str]]:
        """Those of its readings; amendments.csv need not name the file of a reading."""
        names = {reading.reading for reading in data.readings}
        return [entry for entry in self.amendments if entry["reading"] in names]

    def ready(self, experiment: str) -> ExperimentData | None:
        """The experiment where it is planned and has readings, else None."""
        data = self.experiments.get(experiment)
        return None if data is None or data.awaiting or data.table.empty else data
