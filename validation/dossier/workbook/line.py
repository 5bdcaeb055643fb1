"""Sheet Calibration: the straight line through all readings, each run's own, and the departures from those."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from validation.dossier.workbook.formulas import (
    Column,
    Formula,
    average,
    count,
    intercept,
    residual_deviation,
    slope,
    weighted_mean,
)
from validation.dossier.workbook.raw import Raw
from validation.dossier.workbook.results import ASIDE, HEADS, LIVE, Results
from validation.dossier.workbook.sheets import HEAD, Book, Sheet, stretch

NOTE: Final = (
    f"{LIVE} Weighted lines and their tests are by value, on the sheet By value. Beside the results: every level and "
    "run with the run's own line, then every reading by run and level."
)
_CELL_HEADS: Final = (
    ("Level", 10),
    ("Run", 10),
    ("Readings", 9),
    ("Mean level", 12),
    ("Mean response", 14),
    ("Slope of the run", 14),
    ("Intercept of the run", 14),
    ("Departure", 14),
    ("", 3),
)
_READING_HEADS: Final = (("Level", 10), ("Run", 10), ("Reading", 14), ("Level as used", 12), ("Response", 14))
_CELLS, _READINGS = ASIDE, ASIDE + len(_CELL_HEADS)
#: Levels that a run must hold to have a line of its own to depart from.
LEAST_LEVELS: Final = 3


@dataclass(frozen=True, slots=True)
class _Cell:
    """One run at one level."""

    readings: Formula
    level: Formula
    response: Formula
    departure: Formula | None


class _Calibration:
    """The sheet under way."""

    def __init__(self, book: Book, raw: Raw, readings: Sequence[str], outside: Formula) -> None:
        self.book, self.raw, self.outside = book, raw, outside
        self.sheet = Sheet(book, "Calibration", NOTE, (*HEADS, *_CELL_HEADS, *_READING_HEADS))
        self.reference = "assigned" if "assigned" in raw.data.exact else "level"
        self.offset = raw.offset("response", readings)
        self.results = Results(self.sheet, stiff=bool(self.offset))
        self.row = HEAD + 1
        self.x: dict[tuple[str, Any], list[Formula]] = {}
        self.y: dict[tuple[str, Any], list[Formula]] = {}

    def readings(self, by_run: Mapping[str, Mapping[Any, Sequence[str]]]) -> None:
        """Write every reading, by run and level."""
        for run, by_level in by_run.items():
            for at, own in by_level.items():
                for reading in own:
                    self._reading(run, at, reading)

    def _reading(self, run: str, at: Any, reading: str) -> None:
        for column, text in enumerate((at, run, reading)):
            self.sheet.text(self.row, _READINGS + column, text)
        used = self.raw.used
        x = used(self.sheet, self.row, _READINGS + 3, self.reference, reading, Decimal(0))
        y = used(self.sheet, self.row, _READINGS + 4, "response", reading, self.offset)
        self.x.setdefault((run, at), []).append(x)
        self.y.setdefault((run, at), []).append(y)
        self.row += 1

    def of(self, run: str | None = None, at: Any = None) -> tuple[Column, Column]:
        """Level and response of all readings, of a run, or of a run at a level."""
        places = [place for place in self.x if run in (None, place[0]) and at in (None, place[1])]
        x, y = ([cell for place in places for cell in part[place]] for part in (self.x, self.y))
        return stretch(x), stretch(y)

    def line(self) -> Formula:
        """The line through all readings; answers its slope."""
        x, y = self.of()
        steep = self.results.live(self.book.quantity("calibration.slope"), slope(y, x), "least squares, all readings")
        at_zero = intercept(y, x) + float(self.offset) if self.offset else intercept(y, x)
        self.results.live(self.book.quantity("calibration.intercept"), at_zero, "least squares, all readings")
        spread = self.book.quantity("calibration.residual_sd")
        if spread is not None:
            self.results.live(spread, residual_deviation(y, x), "root of squares about the line / (n - 2)")
        return steep

    def cells(self, at: Any, runs: Sequence[str], steep: Formula, row: int) -> list[_Cell]:
        """Every run that holds a level."""
        return [self._cell(at, run, steep, row + number) for number, run in enumerate(runs)]

    def _cell(self, at: Any, run: str, steep: Formula, row: int) -> _Cell:
        sheet, (x, y) = self.sheet, self.of(run, at)
        sheet.text(row, _CELLS, at)
        sheet.text(row, _CELLS + 1, run)
        readings = sheet.live(row, _CELLS + 2, count(x), "whole")
        level, response = (sheet.live(row, _CELLS + at, average(part)) for at, part in ((3, x), (4, y)))
        if not self._has_line(run):
            return _Cell(readings, level, response, None)
        own_x, own_y = self.of(run)
        own = sheet.live(row, _CELLS + 5, slope(own_y, own_x))
        at_zero = sheet.live(row, _CELLS + 6, intercept(own_y, own_x))
        departure = sheet.live(row, _CELLS + 7, (response - (at_zero + own * level)) / steep)
        return _Cell(readings, level, response, departure)

    def _has_line(self, run: str) -> bool:
        levels = {place[1] for place in self.x if place[0] == run}
        return min(len(levels), len(set(self.of(run)[0].values))) >= LEAST_LEVELS

    def departure(self, at: Any, cells: Sequence[_Cell], several: bool) -> None:
        """The departure at a level: the mean of the runs' own, or of all readings from the common line."""
        quantity = self.book.quantity("calibration.departure", at)
        if quantity is None:
            return
        own = [cell.departure for cell in cells if cell.departure is not None]
        if several and len(own) > 1:
            self.results.mean(quantity, stretch(own), self.outside, "mean of the runs' own departures")
            return
        counts = stretch([cell.readings for cell in cells])
        response = weighted_mean(counts, stretch([cell.response for cell in cells]))
        level = weighted_mean(counts, stretch([cell.level for cell in cells]))
        x, y = self.of()
        read_back = (response - intercept(y, x)) / slope(y, x) - level
        self.results.live(quantity, read_back, "mean of all readings, read back through the line, - level")


def write_calibration(book: Book, raw: Raw, outside: Formula) -> None:
    """Write the sheet; nothing where the dossier has no line.

    Parameters
    ----------
    book : the workbook
    raw : the worksheet of the calibration experiment
    outside : 1 - confidence, as this sheet refers to it
    """
    quantity = book.quantity("calibration.slope")
    if quantity is None:
        return
    readings, levels = quantity["readings"], raw.entries("level")
    runs = raw.entries("run") if "run" in raw.data.table else {}
    by_run: dict[str, dict[Any, list[str]]] = {}
    for reading in readings:
        by_run.setdefault(str(runs.get(reading, "")), {}).setdefault(levels[reading], []).append(reading)
    sheet = _Calibration(book, raw, readings, outside)
    sheet.readings(by_run)
    steep = sheet.line()
    row = HEAD + 1
    for at in dict.fromkeys(levels[reading] for reading in readings):
        own = [run for run, by_level in by_run.items() if at in by_level]
        cells = sheet.cells(at, own, steep, row)
        sheet.departure(at, cells, len(by_run) > 1)
        row += len(cells)
