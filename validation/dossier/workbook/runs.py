"""Sheet Precision: run means, s_r, s_run, s_I and the bias of each level of the precision experiment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from validation.dossier.workbook.formulas import (
    Formula,
    average,
    count,
    not_below_zero,
    root,
    squared,
    squares_about_mean,
    total,
    variance,
)
from validation.dossier.workbook.raw import Raw
from validation.dossier.workbook.results import ASIDE, HEADS, LIVE, Results
from validation.dossier.workbook.sheets import HEAD, Book, Sheet, stretch
from validation.study.quantity import At

REML: Final = "REML"
PREPARATIONS: Final = "analysis of variance on means of preparations, which were read more than once"
NOTE: Final = (
    f"{LIVE} Of unequal runs s_run and s_I are by value: {REML}. Beside the results: every run, then every reading by "
    "level and run."
)
_RUN_HEADS: Final = (
    ("Level", 10),
    ("Run", 10),
    ("Readings", 9),
    ("Mean result", 14),
    ("Squares about it", 16),
    ("Mean error", 14),
    ("", 3),
)
_READING_HEADS: Final = (("Level", 10), ("Run", 10), ("Reading", 14), ("Result", 12), ("Assigned", 12), ("Error", 12))
_RUNS, _READINGS = ASIDE, ASIDE + len(_RUN_HEADS)


@dataclass(frozen=True, slots=True)
class _Run:
    """The cells of one run at one level."""

    readings: Formula
    mean: Formula
    squares: Formula
    error: Formula | None


class _Precision:
    """The sheet under way."""

    def __init__(self, book: Book, raw: Raw, outside: Formula) -> None:
        self.book, self.raw, self.outside = book, raw, outside
        self.sheet = Sheet(book, "Precision", NOTE, (*HEADS, *_RUN_HEADS, *_READING_HEADS))
        self.run_row = self.reading_row = HEAD + 1
        self.reference = "assigned" if "assigned" in raw.data.exact else "level"
        self.offset = raw.offset("result", raw.data.identifiers)
        self.results = Results(self.sheet, stiff=bool(self.offset))
        names = raw.entries("preparation") if "preparation" in raw.data.table else {}
        self.preparations = {reading: str(name).strip() or reading for reading, name in names.items()}

    def level(self, at: At, by_run: Mapping[str, Sequence[str]]) -> None:
        """Everything of one level."""
        runs = [self._run(at, run, readings) for run, readings in by_run.items()]
        readings = [reading for own in by_run.values() for reading in own]
        prepared = [(run, self.preparations.get(r, r)) for run, own in by_run.items() for r in own]
        if len(set(prepared)) < len(readings):
            self._by_value(at, PREPARATIONS)
        else:
            self._scatter(at, runs)
        self._bias(at, runs)

    def _run(self, at: At, run: str, readings: Sequence[str]) -> _Run:
        cells = [self._reading(at, run, reading) for reading in readings]
        results = stretch([result for result, _ in cells])
        errors = [error for _, error in cells if error is not None]
        row, sheet = self.run_row, self.sheet
        sheet.text(row, _RUNS, at)
        sheet.text(row, _RUNS + 1, run)
        own = _Run(
            sheet.live(row, _RUNS + 2, count(results), "whole"),
            sheet.live(row, _RUNS + 3, average(results)),
            sheet.live(row, _RUNS + 4, squares_about_mean(results)),
            sheet.live(row, _RUNS + 5, average(stretch(errors))) if errors else None,
        )
        self.run_row += 1
        return own

    def _reading(self, at: At, run: str, reading: str) -> tuple[Formula, Formula | None]:
        row, raw, sheet = self.reading_row, self.raw, self.sheet
        for column, text in enumerate((run, reading), start=_READINGS + 1):
            sheet.text(row, column, text)
        self.reading_row += 1
        if isinstance(at, float):
            reference = sheet.number(row, _READINGS, at)
        else:
            sheet.text(row, _READINGS, at)
        result = raw.used(sheet, row, _READINGS + 3, "result", reading, self.offset)
        if self.reference not in raw.data.exact:
            return result, None
        if self.reference != "level":
            reference = raw.used(sheet, row, _READINGS + 4, self.reference, reading, Decimal(0))
        if not self.offset:
            return result, sheet.live(row, _READINGS + 5, result - reference)
        error = raw.exact("result", reading) - raw.exact(self.reference, reading)
        return result, sheet.number(row, _READINGS + 5, float(error))

    def _scatter(self, at: At, runs: Sequence[_Run]) -> None:
        s_r, s_run, s_I = (self.book.quantity(key, at) for key in _KEYS)
        counts, means = stretch([run.readings for run in runs]), stretch([run.mean for run in runs])
        if s_r is None:
            return
        pooled = total(stretch([run.squares for run in runs])) / (total(counts) - count(counts))
        within = self.results.live(s_r, root(pooled), "root of squares about the run means / (readings - runs)")
        limit = self.book.quantity("repeatability.r", at)
        if limit is not None:
            self.results.live(limit, 1.96 * root(Formula("2", 2.0)) * within, "1.96 sqrt(2) s_r")
        if s_run is None or s_I is None:
            return
        if len(set(counts.values)) > 1:
            self._by_value(at, REML, _KEYS[1:])
            return
        between = not_below_zero(variance(means) - squared(within) / runs[0].readings)
        how = "analysis of variance, equal runs: root of max(0, variance of run means - s_r^2 / n)"
        own = self.results.live(s_run, root(between), how)
        self.results.live(s_I, root(squared(own) + squared(within)), "root of s_run^2 + s_r^2")

    def _by_value(self, at: At, name: str, keys: Sequence[str] = ()) -> None:
        for key in keys or _KEYS:
            quantity = self.book.quantity(key, at)
            if quantity is not None:
                self.results.by_value(quantity, name)

    def _bias(self, at: At, runs: Sequence[_Run]) -> None:
        quantity = self.book.quantity("trueness.bias", at)
        errors = [run.error for run in runs if run.error is not None]
        if quantity is None or not errors:
            return
        own = stretch(errors)
        if "u_level" in self.raw.data.table:
            self.results.live(quantity, average(own), "mean of the run means of result - reference; interval by value")
        else:
            self.results.mean(quantity, own, self.outside, "mean of the run means of result - reference")


_KEYS: Final = ("repeatability.s_r", "intermediate_precision.s_run", "intermediate_precision.s_I")


def write_precision(book: Book, raw: Raw, outside: Formula) -> None:
    """Write the sheet.

    Parameters
    ----------
    book : the workbook
    raw : the worksheet of the precision experiment
    outside : 1 - confidence, as this sheet refers to it
    """
    levels, runs = raw.entries("level"), raw.entries("run")
    by_level: dict[Any, dict[str, list[str]]] = {}
    for reading in raw.data.identifiers:
        by_level.setdefault(levels[reading], {}).setdefault(str(runs[reading]), []).append(reading)
    sheet = _Precision(book, raw, outside)
    for at in sorted(by_level) if raw.data.numeric_levels else list(by_level):
        sheet.level(float(at) if raw.data.numeric_levels else at, by_level[at])
