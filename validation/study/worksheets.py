"""Worksheets: one row a reading, read as the columns of its experiment ask for, with every fault it can have."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from validation.faults import Fault
from validation.study.columns import COLUMNS, KNOWN, NUMERIC
from validation.study.experiments import EXPERIMENTS, Columns
from validation.study.grids import Grid, filled, place, read_grid
from validation.study.names import readings_of
from validation.study.text_files import NUMBER, censored, decimal, hidden_character, moment, whole_of, why_no_moment
from validation.words import counted

_HEADING = re.compile(r"(?P<name>[^\[\]]+?)\s*\[(?P<unit>[^\[\]]*)\]")


@dataclass(frozen=True)
class Row:
    """One row as written, and with decimal points throughout."""

    line: int
    reading: str
    written: Mapping[str, str]
    values: Mapping[str, str]


@dataclass(frozen=True)
class Sheet:
    """One worksheet, read but not yet amended or judged cell by cell. `unit`: that of the study."""

    experiment: str
    file: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    kind: Columns
    unit: str = ""

    @property
    def whole(self) -> float | None:
        """What no content can exceed, where the unit of the study is one of mass fraction."""
        return whole_of(self.unit)


def read_sheet(
    folder: Path,
    file: str,
    experiment: str,
    *,
    unit: str,
    response_unit: str | None = None,
    factors: Mapping[str, Mapping[str, str]] | None = None,
) -> tuple[Sheet | None, list[Fault]]:
    """Read one worksheet: headings, rows, identifiers, decimal marks, formulas.

    Parameters
    ----------
    folder, file : the study folder, and the worksheet as the plan names it
    experiment : whose columns hold
    unit, response_unit : what a unit in a heading must be; None lets any response unit pass
    factors : the plan's factors of a screening, with their settings

    Returns
    -------
    The sheet, or None where it has no usable headings; and every fault found.
    """
    path, faults = place(folder, file)
    if path is None:
        return None, faults
    grid, faults = read_grid(path, file, KNOWN)
    if grid is None:
        return None, faults
    kind = EXPERIMENTS[experiment].columns.with_factors(factors)
    heads, head_faults = _headings(grid, experiment, kind, unit, response_unit)
    faults += head_faults
    if heads is None:
        return None, faults
    rows, row_faults = _rows(grid, heads)
    return Sheet(experiment, file, tuple(heads.values()), rows, kind, unit), faults + row_faults


def _headings(
    grid: Grid, experiment: str, kind: Columns, unit: str, response_unit: str | None
) -> tuple[dict[int, str] | None, list[Fault]]:
    """The column names by position; a known name loses its unit, which must be the study's."""
    if not grid.rows or not any(grid.rows[0][1]) or grid.rows[0][0] != 1:
        expected = ", ".join(kind.required)
        mend = "Write the column names into line 1."
        return None, [Fault(grid.file, "The worksheet has no headings.", mend, row=1, expected=expected)]
    faults: list[Fault] = []
    heads: dict[int, str] = {}
    for position, heading in enumerate(grid.rows[0][1]):
        if not heading:
            faults += _nameless(grid, position)
            continue
        name, stated = _split(heading)
        wanted = {"study": unit, "response": response_unit}.get(COLUMNS[name].unit) if name in KNOWN else None
        if stated is not None and wanted is not None and stated != wanted:
            mend = f"Give the values in {wanted} and write {name} [{wanted}], or correct the unit in plan.yaml."
            reason = "The unit in the heading is not that of the study."
            faults.append(Fault(grid.file, reason, mend, 1, None, name, f"[{stated}]", f"[{wanted}]"))
        if name in heads.values():
            mend = "Keep one of the two columns, or rename the other."
            faults.append(Fault(grid.file, "The heading appears twice.", mend, row=1, column=name, value=heading))
        heads[position] = name
        faults += _misspelt(grid, heading, name, kind)
    faults += _missing_columns(grid, heads, experiment, kind)
    fatal = any(fault.column in kind.required for fault in faults if "appears" not in fault.reason)
    return (None if fatal and not set(kind.required) <= set(heads.values()) else heads), faults


def _split(heading: str) -> tuple[str, str | None]:
    """ "result [%]" as name and unit; a column that is not known keeps its heading whole."""
    match = _HEADING.fullmatch(heading)
    if match and match["name"].strip() in KNOWN:
        return match["name"].strip(), match["unit"].strip()
    return heading, None


def _misspelt(grid: Grid, heading: str, name: str, kind: Columns) -> list[Fault]:
    """A heading that is nearly that of a known column would keep the column, and what it changes, out of everything."""
    match = _HEADING.fullmatch(heading)
    parts = readings_of(match["name"] if match else heading)
    near = next((known for known in sorted(KNOWN) if not set(parts).isdisjoint(readings_of(known))), None)
    # A missing required column is reported elsewhere, and a factor is named by the plan.
    if name in (*KNOWN, *kind.needed) or near is None or near in kind.required:
        return []
    written = "".join(mark if not hidden_character(mark) else f"<U+{ord(mark):04X}>" for mark in heading)
    reason, mend = "The heading is nearly that of a known column.", f'Write "{near}", or another name.'
    return [Fault(grid.file, reason, mend, 1, None, near, written, near)]


def _nameless(grid: Grid, position: int) -> list[Fault]:
    row = next((line for line, cells in grid.rows[1:] if position < len(cells) and cells[position]), None)
    if row is None:
        return []
    mend = "Name the column in line 1, or delete it."
    return [Fault(grid.file, f"Column {position + 1} holds values but has no heading.", mend, row=row)]


def _missing_columns(grid: Grid, heads: Mapping[int, str], experiment: str, kind: Columns) -> list[Fault]:
    faults = []
    names = list(heads.values())
    for column in kind.required:
        if column in names:
            continue
        close = get_close_matches(column, [name.lower() for name in names], n=1, cutoff=0.75)
        near = next((name for name in names if close and name.lower() == close[0]), None)
        mend = f'Rename "{near}" to "{column}".' if near else f'Add the column "{column}".'
        headings = ", ".join(names)
        expected = ", ".join(kind.required)
        reason = f"The column is missing; {experiment} needs it."
        faults.append(Fault(grid.file, reason, mend, 1, None, column, headings, expected))
    return faults


def _rows(grid: Grid, heads: Mapping[int, str]) -> tuple[tuple[Row, ...], list[Fault]]:
    faults: list[Fault] = []
    rows = []
    width = len(grid.rows[0][1])
    name = Path(grid.file).name
    faults += _mark_faults(grid, heads)
    for line, cells in filled(grid.rows[1:]):
        written: dict[str, str] = {}
        for position, column in heads.items():
            # Of two columns with one name, a fault already, the first is checked further.
            written.setdefault(column, cells[position] if position < len(cells) else "")
        reading = written.get("reading", f"{name}:{line}")
        if "reading" in written and not reading:
            mend = "Give the reading an identifier that is its own in the whole study."
            faults.append(Fault(grid.file, "The identifier is empty.", mend, row=line, column="reading"))
            reading = f"{name}:{line}"
        if not grid.workbook:
            faults += _ragged(grid, line, reading, cells, width)
        faults += _formulas(grid, heads, line, reading, cells)
        faults += _shown_otherwise(grid, heads, line, reading, cells)
        values = {
            column: text.replace(",", ".") if column in NUMERIC and _is_marked(text, ",") else text
            for column, text in written.items()
        }
        rows.append(Row(line, reading, written, values))
    return tuple(rows), faults


def _ragged(grid: Grid, line: int, reading: str, cells: Sequence[str], width: int) -> list[Fault]:
    extra = [cell for cell in cells[width:] if cell]
    if not extra and len(cells) >= width:
        return []
    mend = "Fill the row up with empty cells."
    if extra:
        mend = "Put a text that holds the delimiter in quotes"
        mend += "; write decimal points in a file with commas." if grid.marks == "." else "."
    width_there, expected = f"{len(cells)} cells", f"{width} cells, as in the heading"
    reason = "The row and the heading have different numbers of cells."
    return [Fault(grid.file, reason, mend, line, reading, None, width_there, expected)]


def _formulas(grid: Grid, heads: Mapping[int, str], line: int, reading: str, cells: Sequence[str]) -> list[Fault]:
    """A formula is not a record: it changes with the cells around it. In CSV only a numeric column can mean one."""
    faults = []
    for position, text in enumerate(cells):
        column = heads.get(position)
        in_text = not grid.workbook and text.startswith("=") and column in NUMERIC
        if (line, position) in grid.formulas or in_text:
            mend = "Replace the formula with the value as it was read."
            expected = "a number" if column in NUMERIC else "a text"
            faults.append(Fault(grid.file, "The cell holds a formula.", mend, line, reading, column, text, expected))
    return faults


def _shown_otherwise(
    grid: Grid, heads: Mapping[int, str], line: int, reading: str, cells: Sequence[str]
) -> list[Fault]:
    """A cell of a workbook that shows something else than it stores; in a column of texts only an error matters."""
    faults = []
    for position, text in enumerate(cells):
        reason, mend = grid.otherwise.get((line, position), ("", ""))
        column = heads.get(position)
        if reason and column is not None and (column in NUMERIC) != text.startswith("#"):
            expected = "a number in the format General" if column in NUMERIC else "a text"
            faults.append(Fault(grid.file, reason, mend, line, reading, column, text, expected))
    return faults


def _is_marked(text: str, mark: str) -> bool:
    """Whether the text is a number, or a censored one, that uses this decimal mark."""
    if text.count(mark) != 1 or (mark == "," and "." in text):
        return False
    plain = text.replace(",", ".")
    return decimal(plain) is not None or censored(plain)


def _mark_faults(grid: Grid, heads: Mapping[int, str]) -> list[Fault]:
    """A fault for each number whose decimal mark is not the one of the file, or not allowed in such a file."""
    cells = [
        (line, position, texts[position])
        for line, texts in filled(grid.rows[1:])
        for position, column in heads.items()
        if column in NUMERIC and position < len(texts)
    ]
    with_comma = [cell for cell in cells if _is_marked(cell[2], ",")]
    with_point = [cell for cell in cells if _is_marked(cell[2], ".")]
    if "," not in grid.marks:
        where = "a workbook" if grid.workbook else "a CSV file with commas"
        return _wrong_marks(grid, heads, with_comma, f"A decimal comma is not allowed in {where}.", ".")
    if not (with_comma and with_point):
        return []
    fewer, right = (with_point, ",") if len(with_comma) >= len(with_point) else (with_comma, ".")
    return _wrong_marks(grid, heads, fewer, "The file mixes decimal point and decimal comma.", right)


def _wrong_marks(
    grid: Grid, heads: Mapping[int, str], cells: Sequence[tuple[int, int, str]], reason: str, right: str
) -> list[Fault]:
    identifiers = next((position for position, column in heads.items() if column == "reading"), None)
    lines = dict(grid.rows)
    other, word = (".", "comma") if right == "," else (",", "point")
    faults = []
    for line, position, text in cells:
        cells_there = lines[line]
        own = cells_there[identifiers] if identifiers is not None and identifiers < len(cells_there) else ""
        reading = own or f"{Path(grid.file).name}:{line}"
        mend, expected = f"Write {text.replace(other, right)}.", f"a number with decimal {word}"
        faults.append(Fault(grid.file, reason, mend, line, reading, heads[position], text, expected))
    return faults


def value_faults(sheet: Sheet, row: Row, values: Mapping[str, str], *, excluded: bool) -> list[Fault]:
    """Every fault of one row after its amendments, but for an empty reading, which the whole worksheet decides."""
    faults = []

    def fault(column: str, reason: str, mend: str, expected: str) -> None:
        written = values.get(column) or "an empty cell"
        faults.append(Fault(sheet.file, reason, mend, row.line, row.reading, column, written, expected))

    kind = sheet.kind
    for column in kind.needed:
        if not values.get(column) and not excluded:
            fault(column, "The cell is empty.", "Fill it in, or exclude the reading with a reason.", "a value")
    for column, words in kind.words.items():
        text = values.get(column, "")
        if text and text not in words:
            if column not in EXPERIMENTS[sheet.experiment].columns.words:  # a setting at the bench, not a word misspelt
                mend = "Write it as in the plan; if another setting was used, exclude the reading and give that reason."
                fault(column, "The setting is not one of the two in the plan.", mend, " or ".join(words))
                continue
            close = get_close_matches(text.lower(), words, n=1, cutoff=0.5)
            mend = f"Write {close[0] if close else ' or '.join(words)}."
            fault(column, "The word is unknown here.", mend, " or ".join(words))
    for column in NUMERIC:
        text = values.get(column, "")
        may_be_label = column == "level" and kind.labels and not NUMBER.fullmatch(text) and moment(text) is None
        if not text or excluded or may_be_label or text.startswith("=") or (column == kind.value and censored(text)):
            continue
        if column not in kind.used:
            continue
        reason, mend = _why_no_number(text, column == kind.value)
        number, meaning = decimal(text), COLUMNS[column]
        if reason:
            fault(column, reason, mend, "a number")
        elif number is not None and number < 0 and meaning.not_negative:
            what = "A standard uncertainty" if meaning.uncertainty else f"The {column}"
            fault(column, f"{what} is negative.", "Write its size without a sign.", "zero or more")
        elif number is not None and meaning.content and sheet.whole is not None and not 0 <= number <= sheet.whole:
            what = "is negative" if number < 0 else f"is more than the whole, {sheet.whole:g} {sheet.unit}"
            mend = f"Write the content in {sheet.unit}; a reading beyond is a result, not a {column}."
            fault(column, f"The {column} {what}.", mend, f"0 to {sheet.whole:g} {sheet.unit}")
    if values.get("time") and moment(values["time"]) is None:
        mend = "Write 2026-07-01 or 2026-07-01T09:30."
        fault("time", why_no_moment(values["time"]), mend, "an ISO 8601 date or time")
    return faults


def _why_no_number(text: str, is_value: bool) -> tuple[str, str]:
    """Why a text is not a number and how to correct it; two empty texts where it is one."""
    if decimal(text) is not None:
        return "", ""
    if NUMBER.fullmatch(text):
        return "The number is beyond 1e50, or below 1e-50, in size.", "Check the exponent; no reading has this size."
    if moment(text) is not None:
        mend = "Give the cell the format of a number, and write the number as it was read."
        return "The cell holds a date; spreadsheet programs turn some numbers into dates.", mend
    bare = text.strip("+-. ").lower()
    if bare in ("nan", "inf", "infinity", "na", "n/a", "#n/a", "#num!", "#div/0!", "#value!", "#ref!", "∞"):
        mend = "Leave the cell empty and exclude the reading with its reason (validation amend --exclude)."
        return "The cell holds no finite number.", mend
    if _is_marked(text, ","):
        return "The cell holds a decimal comma.", f"Write {text.replace(',', '.')}."
    if decimal(text.replace("\u2212", "-").replace("\u2013", "-")) is not None:
        return "The minus sign is a typographic one.", "Write it with the hyphen of the keyboard."
    if decimal(re.sub(r"\s*[^0-9.eE+-]+$", "", text)) is not None and text[:1].isdigit():
        return "The cell holds more than a number.", "Write the number alone; the unit belongs in the heading."
    if re.fullmatch(r"[+-]?[0-9]{1,3}([ .,'\u2009\u00a0][0-9]{3})+([.,][0-9]+)?", text):
        return "The number has a separator of thousands.", "Write it without."
    mend = "Write the number as it was read"
    mend += ', "<0.1" for a reading below what can be measured, or leave the cell empty.' if is_value else "."
    return "The cell holds text, not a number.", mend


def filling_faults(sheet: Sheet, rows: Sequence[tuple[Row, Mapping[str, str]]]) -> tuple[set[str], list[Fault]]:
    """Columns that are empty throughout count as absent; those that change the statistics are filled in every row else.

    Parameters
    ----------
    rows : the rows that will be used, with their values after amendments

    Returns
    -------
    The columns that count as absent, and the faults.
    """
    absent: set[str] = set()
    faults = []
    for column in sheet.columns:
        empty = [row for row, values in rows if not values.get(column)]
        if len(empty) == len(rows) and column not in sheet.kind.required:
            absent.add(column)
        elif empty and column in sheet.kind.structure:
            mend = "Fill it in every row, or leave the whole column empty."
            reason = f"The column is empty in {counted(len(empty), 'row')} and filled in others."
            first, rows_without = empty[0], _rows_named(empty)
            faults.append(
                Fault(sheet.file, reason, mend, first.line, first.reading, column, rows_without, "a value in each row")
            )
    return absent, faults


def empty_value_fault(sheet: Sheet, rows: Sequence[Row]) -> Fault:
    """Some readings are there and these are not."""
    mend = (
        "Fill them in, exclude them with a reason (validation amend --exclude), or leave them out for now with --draft."
    )
    column = sheet.kind.value
    reason = f"{counted(len(rows), 'reading')} without a {column}, while others have one."
    return Fault(sheet.file, reason, mend, rows[0].line, rows[0].reading, column, _rows_named(rows), "a number")


def _rows_named(rows: Sequence[Row]) -> str:
    named = [f"{row.line} ({row.reading})" for row in rows]
    more = f" and {len(named) - 20} more" if len(named) > 20 else ""
    return f"empty in row {', '.join(named[:20])}{more}"


def duplicate_faults(sheets: Sequence[Sheet]) -> list[Fault]:
    """An identifier must be its own in the whole study; a worksheet that two experiments share counts once."""
    first: dict[str, tuple[str, int]] = {}
    counts = Counter(row.reading for sheet in _once_a_file(sheets) for row in sheet.rows)
    faults = []
    for sheet in _once_a_file(sheets):
        for row in sheet.rows:
            if counts[row.reading] < 2:
                continue
            if row.reading not in first:
                first[row.reading] = (sheet.file, row.line)
                continue
            file, line = first[row.reading]
            mend = f"Give this reading an identifier of its own; the first {row.reading} is in {file}, row {line}."
            reason, expected = "The identifier appears twice in the study.", "an identifier used once"
            faults.append(Fault(sheet.file, reason, mend, row.line, row.reading, "reading", row.reading, expected))
    return faults


def _once_a_file(sheets: Sequence[Sheet]) -> list[Sheet]:
    return list({sheet.file: sheet for sheet in sheets}.values())
