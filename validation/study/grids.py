"""A CSV file or the visible sheets of a workbook as grids of texts, each row with the line that the file counts."""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from validation.faults import Fault
from validation.study.text_files import LARGEST, decode

TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
_DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}


#: The row of the headings is among the first so many.
FIRST_ROWS = 10


@dataclass
class Grid:
    """Rows of stripped texts.

    Attributes
    ----------
    file, sheet : the file as messages name it; of a workbook the title of the sheet, else empty
    marks : the decimal marks that a number written as text may use
    formulas, stored : line and column index of cells of a workbook that hold a formula, or a number or date and no text
    otherwise : for a cell of a workbook that shows something other than it stores, reason and correction
    merged : first and last row and name of each merged area
    hidden : lines and column indices that the workbook hides
    """

    file: str
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    marks: str = ".,"
    sheet: str = ""
    formulas: set[tuple[int, int]] = field(default_factory=set)
    stored: set[tuple[int, int]] = field(default_factory=set)
    otherwise: dict[tuple[int, int], tuple[str, str]] = field(default_factory=dict)
    merged: list[tuple[int, int, str]] = field(default_factory=list)
    hidden: tuple[frozenset[int], frozenset[int]] = (frozenset(), frozenset())

    @property
    def workbook(self) -> bool:
        return bool(self.sheet)

    def line_named(self, line: int) -> str:
        """ "row 3", with the sheet where there is one."""
        return f'row {line} of sheet "{self.sheet}"' if self.sheet else f"row {line}"


def place(folder: Path, file: str) -> tuple[Path | None, list[Fault]]:
    """The path of a worksheet that the plan names, or the fault: it is not there, or a link leads out of the study."""
    path = folder / file
    try:
        resolved = path.resolve(strict=True)
    except FileNotFoundError:
        names = [entry.name for entry in path.parent.iterdir()] if path.parent.is_dir() else []
        close = get_close_matches(path.name, names, n=1, cutoff=0.8)
        hint = f' A file "{close[0]}" is there: rename it or change the plan.' if close else ""
        mend = f"Put the worksheet there, or correct the path in plan.yaml.{hint}"
        return None, [Fault(file, "The worksheet is not there.", mend, value="no file", expected=f"a file {file}")]
    except (OSError, RuntimeError) as error:
        return None, [Fault(file, f"The worksheet cannot be reached: {error}.", "Check the path and its links.")]
    if not resolved.is_relative_to(folder.resolve()):
        mend = "Copy the file itself into the study folder."
        reason = "The path leads out of the study folder through a link."
        return None, [Fault(file, reason, mend, value=str(resolved), expected="a file inside the study folder")]
    if not resolved.is_file():
        return None, [Fault(file, "The worksheet is not a file.", "Name a CSV or XLSX file.", value="a folder")]
    return path, []


def read_grids(path: Path, file: str, heading_score: Callable[[Sequence[str]], int]) -> tuple[list[Grid], list[Fault]]:
    """Read a worksheet file: one grid, or one for each visible sheet of a workbook; none where there is a fault.

    Parameters
    ----------
    path, file : where it is, and how it is named in messages
    heading_score : how many cells of a row are known headings; this decides between comma, semicolon and tab
    """
    suffix = path.suffix.lower()
    if suffix not in (*TEXT_SUFFIXES, ".xlsx"):
        mend = "Save it as XLSX or as CSV UTF-8, and name that file in plan.yaml."
        return [], [
            Fault(file, "The kind of file is unknown.", mend, value=suffix or "no suffix", expected=".csv, .xlsx")
        ]
    try:
        raw = path.read_bytes()
    except OSError as error:
        mend = "Check the access rights, and close it in other programs."
        return [], [Fault(file, f"The file cannot be read: {error.strerror or error}.", mend)]
    return _workbook(raw, file) if suffix == ".xlsx" else _text(raw, file, heading_score)


def _text(raw: bytes, file: str, heading_score: Callable[[Sequence[str]], int]) -> tuple[list[Grid], list[Fault]]:
    text, faults = decode(raw, file)
    if faults:
        return [], faults
    stated = re.match(r'"?sep=([,;\t])"?[ \t,;]*(?:\r\n?|\n|$)', text, re.IGNORECASE)
    delimiter = stated[1] if stated else _delimiter(text, heading_score)
    grid = Grid(file, marks="." if delimiter == "," else ".,")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    try:
        for cells in reader:
            if line > 1 or not stated:
                grid.rows.append((line, [cell.strip() for cell in cells]))
            line = reader.line_num + 1
    except csv.Error as error:
        mend = "Close the quotes of this row; a quote inside a quoted text is written twice."
        return [], [Fault(file, f"The row cannot be read as CSV ({error}).", mend, row=line)]
    return [grid], []


def _delimiter(text: str, heading_score: Callable[[Sequence[str]], int]) -> str:
    """The delimiter under which a row among the first shows most known headings, then most cells."""
    first = [line for line, _ in zip(io.StringIO(text, newline=None), range(FIRST_ROWS), strict=False)]

    def score(delimiter: str) -> tuple[int, int]:
        rows = list(csv.reader(first, delimiter=delimiter))
        return max(map(heading_score, rows), default=0), max(map(len, rows), default=0)

    return max(_DELIMITERS, key=score)


def _workbook(raw: bytes, file: str) -> tuple[list[Grid], list[Fault]]:
    """The visible sheets of an XLSX workbook."""
    if len(raw) > LARGEST:
        mend = "Keep documents and instrument exports in records/."
        return [], [Fault(file, f"The file has {len(raw)} bytes.", mend, expected=f"at most {LARGEST} bytes")]
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            unpacked = sum(item.file_size for item in archive.infolist())
        if unpacked > 10 * LARGEST:
            mend = "Keep only the readings in the workbook."
            return [], [Fault(file, f"The workbook unpacks to {unpacked} bytes.", mend)]
        import openpyxl

        with warnings.catch_warnings():
            # What openpyxl leaves unread (print settings, validation lists) holds no reading.
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(raw), data_only=False)
    except Exception as error:  # openpyxl raises whatever the damaged part makes it raise
        mend = "Open it in a spreadsheet program and save it again as XLSX without a password."
        error_name = f"{type(error).__name__}"
        return [], [Fault(file, "The file is not a readable XLSX workbook.", mend, value=error_name, expected="XLSX")]
    visible = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"]
    if not visible:
        return [], [Fault(file, "The workbook has no visible sheet.", "Show the sheet that holds the readings.")]
    return [_sheet(sheet, file) for sheet in visible], []


def _sheet(sheet: Any, file: str) -> Grid:
    grid = Grid(file, sheet=str(sheet.title))
    areas = sorted(sheet.merged_cells.ranges, key=lambda area: (area.min_row, area.min_col))
    grid.merged = [(area.min_row, area.max_row, str(area)) for area in areas]
    grid.hidden = _hidden(sheet)
    rows: dict[int, dict[int, str]] = {}
    # Not `iter_rows`: it makes a cell of every empty place up to the last one that was coloured.
    for cell in sheet._cells.values():
        value = cell.value
        if value is None:
            continue
        number_format = str(cell.number_format)
        text = _cell_text(value, number_format)
        if not text:
            continue
        position = (cell.row, cell.column - 1)
        rows.setdefault(cell.row, {})[cell.column - 1] = text
        if not isinstance(value, str):
            grid.stored.add(position)
        if cell.data_type == "f":
            grid.formulas.add(position)
        elif cell.has_style and cell.font.strike:
            grid.otherwise[position] = STRUCK_OUT
        elif reason_and_mend := _otherwise(value, text, str(cell.data_type), number_format):
            grid.otherwise[position] = reason_and_mend
    for line in sorted(rows):
        grid.rows.append((line, [rows[line].get(column, "") for column in range(max(rows[line]) + 1)]))
    return grid


def _hidden(sheet: Any) -> tuple[frozenset[int], frozenset[int]]:
    lines = frozenset(line for line, row in sheet.row_dimensions.items() if row.hidden)
    groups = [column for column in sheet.column_dimensions.values() if column.hidden]
    return lines, frozenset(index - 1 for group in groups for index in range(group.min, group.max + 1))


STRUCK_OUT = (
    "The cell is struck out, and would count all the same.",
    "Take the stroke away, and exclude the reading with its reason (validation amend --exclude).",
)

#: What a number format adds as text, in quotes, brackets or behind a backslash.
_ASIDE = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]|_.|\*.')


def _otherwise(value: Any, text: str, kind: str, number_format: str) -> tuple[str, str] | None:
    """Why a cell shows a number other than the one it stores, and the correction; None where both are one."""
    if kind == "e":
        return "The cell holds an error of the spreadsheet program.", "Write what was read, or leave the cell empty."
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    shape = _ASIDE.sub("", number_format)
    if "%" in shape:
        share = f"{Decimal(text).scaleb(2).normalize():f} %"
        return (
            f"The cell shows a percentage, {share}, and stores {text}: which is meant?",
            f"Give the cell the format General, then write {share} as {share[:-2]} where the unit is %, or {text}.",
        )
    if re.search(r"[0#?],+(?:[^0#?,]|$)", shape):
        reason = f"The format of the cell shows the number without its thousands, and it stores {text}."
        return reason, "Give the cell the format General, then write the number that is meant."
    return None


def _cell_text(value: Any, number_format: str) -> str:
    """The text of a workbook cell: a float by its shortest exact form, a date as ISO 8601."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        midnight = value.time() == time(0)
        return value.date().isoformat() if midnight and "h" not in number_format.lower() else value.isoformat()
    if isinstance(value, date | time):
        return value.isoformat()
    # Array formulas arrive as objects that carry their text.
    return str(getattr(value, "text", value)).strip()


def filled(rows: Sequence[tuple[int, list[str]]]) -> Iterator[tuple[int, list[str]]]:
    """The rows in which any cell holds a text."""
    return ((line, cells) for line, cells in rows if any(cells))
