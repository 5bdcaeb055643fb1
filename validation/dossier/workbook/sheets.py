"""The workbook as it is written: sheets with a title, a note and a frozen head; text that is never a formula."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from io import BytesIO
from typing import Any, Final

import xlsxwriter
from xlsxwriter.utility import xl_rowcol_to_cell

from validation.dossier.workbook.formulas import Column, Formula
from validation.study.quantity import At

#: The row of the heads, counted from 0; what is under it scrolls.
HEAD: Final = 3
#: Characters of a cell beyond which a text is cut: a spreadsheet holds no more than 32,767 of 16 bits.
LONGEST: Final = 16_000
#: What a spreadsheet may take for a formula at the start of a text.
_LIKE_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
#: The clock is not read: the same inputs give the same bytes.
_CREATED = datetime(2000, 1, 1)
_FORMATS: Mapping[str, Mapping[str, Any]] = {
    "title": {"bold": True, "font_size": 14},
    "note": {"italic": True, "font_color": "#555555"},
    "head": {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"},
    "text": {},
    "quoted": {"quote_prefix": True},
    "number": {},
    "live": {"bg_color": "#eaf3ea"},
    "difference": {"num_format": "0.0E+00", "bg_color": "#eaf3ea"},
    "whole": {"bg_color": "#eaf3ea", "num_format": "0"},
}


class _Whole(float):
    """A number written with every digit that it has; the writer alone would keep sixteen."""

    def __format__(self, spec: str) -> str:
        return repr(float(self))


@dataclass(frozen=True, slots=True)
class Compared:
    """One number of results.json and the workbook's own: where both stand.

    `stiff`: the readings behind it are far from zero beside their spread.
    """

    quantity: Mapping[str, Any]
    part: str
    sheet: str
    live: Formula
    dossier: Formula
    stiff: bool


@dataclass
class Book:
    """The workbook under way, and what was compared so far."""

    quantities: Mapping[tuple[str, At], Mapping[str, Any]]
    compared: list[Compared] = field(default_factory=list)
    stream: BytesIO = field(default_factory=BytesIO)

    def __post_init__(self) -> None:
        self.file = xlsxwriter.Workbook(self.stream, {"in_memory": True})
        self.file.set_properties({"title": "Audit workbook", "author": "", "created": _CREATED})
        self.formats = {name: self.file.add_format(dict(how)) for name, how in _FORMATS.items()}

    def quantity(self, key: str, at: At = None) -> Mapping[str, Any] | None:
        """The line of results.json; None without one."""
        return self.quantities.get((key, at))

    def of_key(self, key: str) -> list[Mapping[str, Any]]:
        """Every line of a key, in the order of results.json."""
        return [line for (name, _), line in self.quantities.items() if name == key]

    def lived(self) -> set[tuple[str, At]]:
        """Key and place of every quantity whose value is compared."""
        return {(one.quantity["key"], one.quantity["at"]) for one in self.compared if one.part == "value"}

    def close(self) -> bytes:
        """The finished file."""
        self.file.close()
        return self.stream.getvalue()


class Sheet:
    """A sheet of the book.

    Parameters
    ----------
    book : the workbook
    name : of the sheet, at most 31 characters
    note : what is live and what is by value
    heads : text and width of each column; a column without text separates two tables
    """

    def __init__(self, book: Book, name: str, note: str, heads: Sequence[tuple[str, int]]) -> None:
        self.book, self.name = book, name
        self.page = book.file.add_worksheet(name)
        self._write("title", 0, 0, name)
        self._write("note", 1, 0, note)
        for column, (head, width) in enumerate(heads):
            self.page.set_column(column, column, width)
            if head:
                self._write("head", HEAD, column, head)
        self.page.freeze_panes(HEAD + 1, 0)

    def text(self, row: int, column: int, text: At) -> None:
        """A text as text, whatever it looks like; a number as a number."""
        if isinstance(text, float | int):
            self.number(row, column, text)
        elif text:
            self._write("quoted" if text.startswith(_LIKE_A_FORMULA) else "text", row, column, text)

    def _write(self, style: str, row: int, column: int, text: str) -> None:
        self.page.write_string(row, column, _writable(text), self.book.formats[style])

    def number(self, row: int, column: int, value: float) -> Formula:
        """A number by value, with every digit; answers the reference to its cell."""
        self.page.write_number(row, column, _Whole(value), self.book.formats["number"])
        return Formula(xl_rowcol_to_cell(row, column), value)

    def live(self, row: int, column: int, formula: Formula, style: str = "live") -> Formula:
        """A live formula with its value; answers the reference to its cell."""
        self.page.write_formula(row, column, f"={formula.text}", self.book.formats[style], formula.value)
        return Formula(xl_rowcol_to_cell(row, column), formula.value)

    def abroad(self, cell: Formula) -> Formula:
        """A reference to a cell of this sheet as another sheet writes it."""
        return Formula(f"'{self.name}'!{cell.text}", cell.value)


def stretch(cells: Sequence[Formula]) -> Column:
    """Cells that stand under one another; there may be empty ones between them."""
    return Column(f"{cells[0].text}:{cells[-1].text}", [cell.value for cell in cells])


def _writable(text: str) -> str:
    text = text.encode("utf-8", "replace").decode("utf-8").replace("\ufffe", "\ufffd").replace("\uffff", "\ufffd")
    return text if len(text) <= LONGEST else f"{text[:LONGEST]} ... (cut here: a cell holds no more)"
