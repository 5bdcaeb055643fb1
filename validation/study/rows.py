"""The rows below the headings of a worksheet: which are readings, and what their cells write."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from validation.faults import Fault
from validation.study.columns import COLUMNS, KNOWN, NUMERIC
from validation.study.grids import STRUCK_OUT, Grid, filled
from validation.study.headings import Head, Headings
from validation.study.text_files import UNITS, censored, decimal, is_written_date, iso_of_written, moment, whole_of

#: What names a row of results computed from the rows above. The short ones are also names of grades and fuels.
_SUMMARIES = frozenset(
    ("mean", "average", "median", "sum", "total", "grand total", "mean value", "standard deviation", "stdev", "std dev")
) | frozenset(("std. dev.", "mittelwert", "mittel", "durchschnitt", "summe", "stabw", "standardabweichung"))
_SHORT_SUMMARIES = frozenset(("sd", "s.d.", "std", "avg", "avg.", "rsd", "cv"))
#: As identifiers they name such a row too; elsewhere they may be somebody's name for a thing.
_OF_READINGS = frozenset(("max", "min", "maximum", "minimum", "range", "s", "n"))
_PERCENT = re.compile(r"\s*(?:\(\s*%\s*\)|\[\s*%\s*\]|%)$")
_NAMES_OF_ROWS = frozenset(("reading", "order", "level", "run", "sample", "trial", "sequence", "replicate", "time"))
#: Columns in which such a word may be a remark or somebody's name for a thing.
_OWN_WORDS = ("note", "record", "grade", "fuel", "material", "matrix")
#: A number of three digits behind its only mark, which can part thousands or decimals: 1,234; never 0,123.
_EITHER_WAY = re.compile(r"(?:[<>≤≥]\s*=?\s*)?[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
#: Columns that hold a day: where the plan states the order of day and month they are read by it.
_DATED = ("time", "day")


@dataclass(frozen=True)
class Row:
    """One row as written, and with decimal points throughout."""

    line: int
    reading: str
    written: Mapping[str, str]
    values: Mapping[str, str]


class Rows:
    """The rows below the headings of one sheet."""

    def __init__(
        self,
        grid: Grid,
        head: Head,
        headings: Headings,
        unit: str,
        response_unit: str | None,
        date_order: str | None,
    ):
        self.grid = grid
        self.head = head
        self.headings = headings
        self.units = {unit, response_unit, *UNITS}
        self.whole = whole_of(unit)
        self.date_order = date_order
        self.positions: dict[str, int] = {}
        for position, column in head.names.items():
            # Of two columns with one name, a fault already, the first is checked further.
            self.positions.setdefault(column, position)
        self.value = self.positions[headings.kind.value]
        self.below = list(filled([row for row in grid.rows if row[0] > head.line]))
        self.cells = dict(self.below)

    def read(self) -> tuple[tuple[Row, ...], list[Fault]]:
        faults = [*self._merged(), *self._hidden()]
        rows, kept = [], []
        for line, cells in self.below:
            why = self._no_reading(cells)
            if why:
                written = ", ".join(cell for cell in cells if cell)
                mend = "Keep one row a reading: delete this row, or move it above the headings or to another sheet."
                faults.append(Fault(self.grid.file, f"The row is no reading: {why}.", mend, line, value=written))
            else:
                kept.append((line, cells))
        self.below = kept
        self.cells = dict(kept)
        faults += [*self._mark_faults(), *self._turned_dates()]
        for line, cells in kept:
            row = self._row(line, cells)
            faults += self._row_faults(row, cells)
            rows.append(row)
        return tuple(rows), faults

    def _merged(self) -> Iterator[Fault]:
        """Areas above the headings hold a title and no reading."""
        for first, last, area in self.grid.merged:
            if last >= self.head.line:
                mend = "Unmerge them and fill every cell."
                reason = "Merged cells leave readings without their values."
                yield Fault(self.grid.file, reason, mend, row=first, value=area)

    def _hidden(self) -> Iterator[Fault]:
        """What is hidden would count all the same, and whoever looks at the workbook would not know."""
        lines, positions = self.grid.hidden
        reason, mend = "The {} is hidden, and would count all the same.", "Show it; exclude readings with a reason."
        for line, _ in self.below if lines else ():
            if line in lines:
                yield Fault(self.grid.file, reason.format("row"), mend, line, value="a hidden row")
        for position, column in self.head.names.items():
            if position in positions and column in (*KNOWN, *self.headings.kind.needed):
                mend = "Show it, or delete it."
                yield Fault(
                    self.grid.file, reason.format("column"), mend, self.head.line, None, column, "a hidden column"
                )

    def _no_reading(self, cells: Sequence[str]) -> str:
        """Why a row is none of the readings; empty for one that may be."""
        if self._is_computed(cells):
            return "it is computed from others"
        value = _at(cells, self.value)
        if value.strip("[](){} ") in self.units and decimal(value) is None and value:
            return "it holds the units"
        if value[:1].isalpha() and self.headings.name_and_unit(value)[0] == self.headings.kind.value:
            return "it holds the headings once more"
        if len(self.headings.kind.required) > 1 and sum(map(bool, cells)) == 1:
            return "one cell alone is filled"
        return ""

    def _is_computed(self, cells: Sequence[str]) -> bool:
        """Whether a word such as "mean" names the row, or stands in a row that lacks what every reading has."""
        needed = self.headings.kind.needed
        whole = bool(needed) and all(_at(cells, self.positions[name]) for name in needed)
        for position, text in enumerate(_PERCENT.sub("", cell.casefold().rstrip(":")) for cell in cells):
            column = self.head.names.get(position, "")
            summary = text in _SUMMARIES
            if (summary or text in _SHORT_SUMMARIES) and column in _NAMES_OF_ROWS:
                return True
            if column == "reading" and (text in _OF_READINGS or re.split(r"[\s(\[]", text)[0] in _SUMMARIES):
                return True
            if summary and not whole and column not in _OWN_WORDS:
                return True
        return False

    def _row(self, line: int, cells: Sequence[str]) -> Row:
        written = {column: _at(cells, position) for column, position in self.positions.items()}
        values = {
            column: text.replace(",", ".") if "," in text and column in NUMERIC and is_marked(text, ",") else text
            for column, text in written.items()
        }
        if self.date_order:
            for column in _DATED:
                if values.get(column):
                    values[column] = iso_of_written(values[column], self.date_order) or values[column]
        return Row(line, written.get("reading") or f"{Path(self.grid.file).name}:{line}", written, values)

    def _row_faults(self, row: Row, cells: Sequence[str]) -> Iterator[Fault]:
        if "reading" in row.written and not row.written["reading"]:
            mend = "Give the reading an identifier that is its own in the whole study."
            yield Fault(self.grid.file, "The identifier is empty.", mend, row=row.line, column="reading")
        if self.grid.workbook:
            yield from self._shown_otherwise(row, cells)
        else:
            yield from self._ragged(row, cells)
        yield from self._formulas(row, cells)

    def _ragged(self, row: Row, cells: Sequence[str]) -> Iterator[Fault]:
        width = self.head.least
        extra = any(cells[self.head.most :])
        if not extra and len(cells) >= width:
            return
        mend = "Fill the row up with empty cells."
        if extra:
            mend = "Put a text that holds the delimiter in quotes"
            mend += "; write decimal points in a file with commas." if self.grid.marks == "." else "."
        width_there, expected = f"{len(cells)} cells", f"{width} cells, as in the heading"
        reason = "The row and the heading have different numbers of cells."
        yield Fault(self.grid.file, reason, mend, row.line, row.reading, None, width_there, expected)

    def _formulas(self, row: Row, cells: Sequence[str]) -> Iterator[Fault]:
        """A formula is not a record: it changes with the cells around it. In CSV only a numeric column can mean one."""
        for position, column in self.head.names.items():
            text = _at(cells, position)
            in_text = text.startswith("=") and not self.grid.workbook and column in NUMERIC
            if in_text or (row.line, position) in self.grid.formulas:
                mend = "Replace the formula with the value as it was read."
                expected = "a number" if column in NUMERIC else "a text"
                yield Fault(
                    self.grid.file, "The cell holds a formula.", mend, row.line, row.reading, column, text, expected
                )

    def _shown_otherwise(self, row: Row, cells: Sequence[str]) -> Iterator[Fault]:
        """A cell that shows something else than it stores; in a column of texts only an error or a stroke matters."""
        for position, column in self.head.names.items():
            reason, mend = why = self.grid.otherwise.get((row.line, position), ("", ""))
            struck = why == STRUCK_OUT and column in (*KNOWN, *self.headings.kind.needed)
            if reason and (struck or (column in NUMERIC) != cells[position].startswith("#")):
                expected = "a number in the format General" if column in NUMERIC else "a text"
                yield Fault(self.grid.file, reason, mend, row.line, row.reading, column, cells[position], expected)

    def _turned_dates(self) -> Iterator[Fault]:
        """Dates next to dates as text: a program that expects the other order stores days up to 12 turned round."""
        for position, column in self.head.names.items():
            if column not in _DATED:
                continue
            dates = [(line, _at(texts, position)) for line, texts in self.below]
            stored = [cell for cell in dates if (cell[0], position) in self.grid.stored and moment(cell[1])]
            if stored and any(is_written_date(text) for _, text in dates):
                reason = (
                    "Some dates of this column are stored as dates and others as text: were days and months turned?"
                )
                mend = "Compare them with the record at the bench; write all of them as 2026-07-01."
                for line, text in stored:
                    yield Fault(self.grid.file, reason, mend, line, None, column, text, "dates of one kind")

    def _mark_faults(self) -> list[Fault]:
        """A fault for each number written as text whose decimal mark is not that of the others, or not certain."""
        cells = [
            (line, position, texts[position])
            for position, column in self.head.names.items()
            if column in NUMERIC
            for line, texts in self.below
            if position < len(texts) and (line, position) not in self.grid.stored
        ]
        with_comma = [cell for cell in cells if "," in cell[2] and is_marked(cell[2], ",")]
        if "," not in self.grid.marks:
            reason = "A decimal comma is not allowed in a CSV file with commas."
            return [self._wrong_mark(cell, reason, ".") for cell in with_comma]
        with_point = [cell for cell in cells if "." in cell[2] and is_marked(cell[2], ".")]
        if not (with_comma and with_point):
            return self._either_way(with_comma or with_point)
        fewer, right = (with_point, ",") if len(with_comma) >= len(with_point) else (with_comma, ".")
        return [self._wrong_mark(cell, "The file mixes decimal point and decimal comma.", right) for cell in fewer]

    def _either_way(self, cells: Sequence[tuple[int, int, str]]) -> list[Fault]:
        """Nothing says whether the mark is that of decimals where each number can be read with thousands too."""
        if not all(_EITHER_WAY.fullmatch(text) for _, _, text in cells):
            return []
        if any(self._too_much_in_thousands(position, text) for _, position, text in cells):
            return []
        return [self._mark_fault(cell, *_either_way(cell[2], self.grid.workbook), "a number") for cell in cells]

    def _too_much_in_thousands(self, position: int, text: str) -> bool:
        """Whether 2,012 cannot be 2012, since no content and no result is more than the whole."""
        number = decimal(re.sub("[^0-9]", "", text))
        of_the_study = COLUMNS[self.head.names[position]].unit == "study"
        return of_the_study and self.whole is not None and number is not None and number > self.whole

    def _wrong_mark(self, cell: tuple[int, int, str], reason: str, right: str) -> Fault:
        other, word = (".", "comma") if right == "," else (",", "point")
        mend = f"Write {cell[2].replace(other, right)}."
        return self._mark_fault(cell, reason, mend, f"a number with decimal {word}")

    def _mark_fault(self, cell: tuple[int, int, str], reason: str, mend: str, expected: str) -> Fault:
        line, position, text = cell
        own = self.positions.get("reading")
        texts = self.cells[line]
        reading = ("" if own is None else _at(texts, own)) or f"{Path(self.grid.file).name}:{line}"
        return Fault(self.grid.file, reason, mend, line, reading, self.head.names[position], text, expected)


def _at(cells: Sequence[str], position: int) -> str:
    """The cell at a position; rows of a workbook end with their last filled cell."""
    return cells[position] if position < len(cells) else ""


def _either_way(text: str, workbook: bool) -> tuple[str, str]:
    """Reason and correction for a number such as 1,234."""
    mark = "," if "," in text else "."
    word, whole, decimals = ("comma" if mark == "," else "point"), text.replace(mark, ""), f"{text}0"
    mend = "Store it as a number and not as text" if workbook else "Save it with commas and decimal points"
    return (
        f"The {word} can part thousands or decimals, and no number of the file tells which.",
        f"{mend}, or write {whole} or {decimals}.",
    )


def is_marked(text: str, mark: str) -> bool:
    """Whether the text is a number, or a censored one, that uses this decimal mark."""
    if text.count(mark) != 1 or (mark == "," and "." in text):
        return False
    plain = text.replace(",", ".")
    return decimal(plain) is not None or censored(plain)
