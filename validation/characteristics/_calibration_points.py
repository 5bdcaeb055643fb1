"""The readings of the calibration worksheet as the statistics take them; shared by calibration and detection."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from validation.study.model import ExperimentData
from validation.study.quantity import At
from validation.words import counted

NO_ASSIGNED = "The worksheet has no column `assigned`: the level is taken as the reference value."


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationPoints:
    """Parallel columns, one entry a reading, in worksheet order. `names` are the levels, lowest first."""

    x: list[float]
    y: list[Decimal]
    levels: NDArray[np.int_]
    names: tuple[At, ...]
    runs: NDArray[np.int_] | None
    readings: tuple[str, ...]
    lines: tuple[int, ...]
    notes: tuple[str, ...]
    missing: str = ""

    @property
    def several_runs(self) -> bool:
        """Whether the worksheet names two runs or more."""
        return self.runs is not None and len(np.unique(self.runs)) > 1

    def mean_x(self, level: int) -> float:
        """The mean reference value of a level."""
        return float(np.array(self.x)[self.levels == level].mean())

    def readings_at(self, level: int, runs: Sequence[int] | None = None) -> list[str]:
        """The identifiers of a level's readings, of all runs or of these."""
        at = self.levels == level
        if runs is not None and self.runs is not None:
            at = at & np.isin(self.runs, runs)
        return [self.readings[row] for row in np.flatnonzero(at)]


def calibration_points(data: ExperimentData) -> CalibrationPoints:
    """Reference values, responses, levels and runs of the calibration worksheet.

    The reference value is `assigned` where the worksheet has that column, else `level`. Without either as a number,
    or with fewer than two levels, `missing` says what would supply it.
    """
    table, notes = data.table, []
    if "assigned" in table:
        x = np.array(table["assigned"], dtype=float)
    elif data.numeric_levels:
        x = np.array(table["level"], dtype=float)
        notes.append(NO_ASSIGNED)
    else:
        x = np.full(len(table), np.nan)
    kept = np.flatnonzero(np.isfinite(x))
    missing = ""
    if not len(kept):
        missing = "The levels are labels and no column `assigned` gives their values: no line can be fitted."
        return CalibrationPoints([], [], np.array([], dtype=int), (), None, (), (), tuple(notes), missing)
    if len(kept) < len(x):
        lost = len(x) - len(kept)
        verb = "was" if lost == 1 else "were"
        notes.append(f"{counted(lost, 'reading')} without a value in `assigned` {verb} left out.")
    table, x = table.iloc[kept], x[kept]
    names, levels = _levels(list(table["level"]), x)
    if len(np.unique(x)) < 2:
        missing = "All readings are at one level: a line needs two levels or more, a test of its straightness three."
    return CalibrationPoints(
        x=[float(value) for value in x],
        y=data.decimals("response", kept),
        levels=levels,
        names=names,
        runs=_runs([str(run) for run in table["run"]] if "run" in table else []),
        readings=tuple(str(reading) for reading in table["reading"]),
        lines=tuple(int(line) for line in table["line"]),
        notes=tuple(notes),
        missing=missing,
    )


def _levels(written: list[float | str], x: NDArray[np.float64]) -> tuple[tuple[At, ...], NDArray[np.int_]]:
    """The levels in order of their mean reference value, and the code of each reading."""
    rows: dict[float | str, list[int]] = {}
    for row, name in enumerate(written):
        rows.setdefault(name, []).append(row)
    means = {name: float(x[own].mean()) for name, own in rows.items()}
    ordered = sorted(means, key=lambda name: (means[name], str(name)))
    codes = {name: code for code, name in enumerate(ordered)}
    names = tuple(name if isinstance(name, str) else float(name) for name in ordered)
    return names, np.array([codes[value] for value in written], dtype=int)


def _runs(written: list[str]) -> NDArray[np.int_] | None:
    """The run of each reading as a code, in order of appearance; None where the worksheet names none."""
    codes = {name: code for code, name in enumerate(dict.fromkeys(written))}
    if not any(name.strip() for name in codes):
        return None
    return np.array([codes[name] for name in written], dtype=int)
