"""The first sheet: every compared number, the largest relative difference, and what is live."""

from __future__ import annotations

from typing import Final

from validation.dossier.workbook.formulas import Column, Formula
from validation.dossier.workbook.sheets import HEAD, Book, Compared, Sheet

NAME: Final = "Compared"
NOTE: Final = (
    "Every number that this workbook computes from the raw readings, beside the dossier's. Shaded cells are live "
    "formulas; Dossier is by value. A relative difference is taken of the dossier's value or of the floor, the "
    "larger of the two: the floor is a millionth of the quantity with its interval, and of the range."
)
_HEADS: Final = (
    ("Quantity", 36),
    ("At", 26),
    ("Part", 14),
    ("This workbook", 22),
    ("Dossier", 22),
    ("Difference", 13),
    ("Relative difference", 13),
    ("Floor", 11),
    ("Unit", 10),
    ("Sheet", 18),
    ("", 3),
    ("Settings", 30),
    ("", 16),
)
_SETTINGS: Final = 11
#: Share of a quantity with its interval, and of the range, below which its number is as good as zero.
FLOOR: Final = 1e-6


class ComparedSheet:
    """The sheet: made first so that it stands first, filled last.

    Parameters
    ----------
    book : the workbook
    confidence : of the study's intervals
    reach : the largest number of the study's range, without sign
    """

    def __init__(self, book: Book, confidence: float, reach: float) -> None:
        self.book, self.sheet = book, Sheet(book, NAME, NOTE, _HEADS)
        level = self._setting(0, "Confidence of the intervals", confidence)
        self.outside = self.sheet.live(HEAD + 2, _SETTINGS + 1, Formula("1", 1.0) - level)
        self.sheet.text(HEAD + 2, _SETTINGS, "1 - confidence")
        self.reach = reach

    def _setting(self, row: int, text: str, value: float) -> Formula:
        self.sheet.text(HEAD + 1 + row, _SETTINGS, text)
        return self.sheet.number(HEAD + 1 + row, _SETTINGS + 1, value)

    def fill(self) -> None:
        """Write every compared number and, over the table, the largest relative difference."""
        shares = [self._line(HEAD + 1 + number, one) for number, one in enumerate(self.book.compared)]
        if not shares:
            self.sheet.text(2, 0, "Nothing is compared: this study has no reading of which the workbook has a formula.")
            return
        column = Column(f"{shares[0].text}:{shares[-1].text}", [cell.value for cell in shares])
        self.sheet.text(2, 0, "Largest relative difference")
        largest = Formula(f"MAX({column.text})", max(column.values))
        self.sheet.live(2, 1, largest, "difference")
        self.sheet.text(2, 3, "Compared numbers")
        self.sheet.live(2, 4, Formula(f"COUNT({column.text})", float(len(shares))), "whole")

    def _line(self, row: int, one: Compared) -> Formula:
        sheet, line = self.sheet, one.quantity
        for column, text in enumerate((line["key"], line["at"], one.part)):
            sheet.text(row, column, text)
        live, dossier = (
            sheet.live(row, column, Formula(f"'{one.sheet}'!{cell.text}", cell.value))
            for column, cell in ((3, one.live), (4, one.dossier))
        )
        difference = sheet.live(row, 5, live - dossier, "difference")
        floor = sheet.number(row, 7, self._floor(one))
        size = max(abs(dossier.value), floor.value)
        text = f"ABS({difference.text})/MAX(ABS({dossier.text}),{floor.text})"
        share = sheet.live(row, 6, Formula(text, abs(difference.value) / size), "difference")
        sheet.text(row, 8, line["unit"])
        sheet.page.write_url(row, 9, f"internal:'{one.sheet}'!A1", string=one.sheet)
        return share

    def _floor(self, one: Compared) -> float:
        """Where readings are far from zero the range says nothing of their differences."""
        sizes = [one.quantity["value"], *(one.quantity["interval"] or ()), 0.0 if one.stiff else self.reach]
        return FLOOR * max(map(abs, sizes)) or FLOOR
