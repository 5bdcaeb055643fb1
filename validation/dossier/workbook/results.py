"""The table at the left of each chapter's sheet: the workbook's number, the dossier's, and the difference."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from validation.dossier.workbook.formulas import Column, Formula, average, count, deviation, root, student
from validation.dossier.workbook.sheets import HEAD, Compared, Sheet

#: Its columns; an empty one separates it from the tables at its right.
HEADS: Final = (
    ("At", 16),
    ("Quantity", 34),
    ("Part", 14),
    ("This workbook", 16),
    ("Dossier", 22),
    ("Difference", 12),
    ("Unit", 10),
    ("How", 46),
    ("", 3),
)
#: The first column of what stands at the right.
ASIDE: Final = len(HEADS)
#: Said of every chapter.
LIVE: Final = (
    "Shaded cells are live formulas; they follow from the sheets of raw readings. The column Dossier is by value, from "
    "results.json."
)


class Results:
    """The table of one sheet, filled line by line; `stiff` where an offset was taken off its readings."""

    def __init__(self, sheet: Sheet, *, stiff: bool = False) -> None:
        self.sheet, self.row, self.stiff = sheet, HEAD + 1, stiff

    def _start(self, quantity: Mapping[str, Any], part: str, how: str) -> None:
        texts = (quantity["at"], quantity["key"], part, None, None, None, quantity["unit"], how)
        for column, text in enumerate(texts):
            self.sheet.text(self.row, column, text)

    def live(self, quantity: Mapping[str, Any] | None, formula: Formula, how: str, part: str = "value") -> Formula:
        """A number computed in the workbook, compared where the dossier has it; answers the reference to its cell."""
        line = quantity or {"at": None, "key": "", "unit": ""}
        self._start(line, part, how)
        cell = self.sheet.live(self.row, 3, formula)
        value = _part(quantity, part)
        if quantity is not None and value is not None:
            dossier = self.sheet.number(self.row, 4, value)
            self.sheet.live(self.row, 5, cell - dossier, "difference")
            self.sheet.book.compared.append(Compared(quantity, part, self.sheet.name, cell, dossier, self.stiff))
        self.row += 1
        return cell

    def interval(self, quantity: Mapping[str, Any], centre: Formula, own: Column, outside: Formula) -> None:
        """The t interval of a mean, where the dossier has one."""
        if quantity["interval"] is None or len(own.values) < 2:
            return
        half = student(outside, count(own) - 1) * deviation(own) / root(count(own))
        how = "mean -/+ t s / sqrt(n), t on n - 1"
        self.live(quantity, centre - half, how, "interval, low")
        self.live(quantity, centre + half, how, "interval, high")

    def mean(self, quantity: Mapping[str, Any], own: Column, outside: Formula, how: str) -> Formula:
        """A mean and its t interval."""
        centre = self.live(quantity, average(own), how)
        self.interval(quantity, centre, own, outside)
        return centre

    def by_value(self, quantity: Mapping[str, Any], name: str) -> Formula:
        """A number that is not computed here."""
        self._start(quantity, "value", f"by value: {name}")
        cell = self.sheet.number(self.row, 4, quantity["value"])
        self.row += 1
        return cell


def _part(quantity: Mapping[str, Any] | None, part: str) -> float | None:
    if quantity is None:
        return None
    if part == "value":
        return float(quantity["value"])
    interval = quantity["interval"]
    return None if interval is None else float(interval[0 if part.endswith("low") else 1])
