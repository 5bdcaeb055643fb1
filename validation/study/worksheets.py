"""Worksheets: one row a reading, read as the columns of its experiment ask for, with every fault it can have."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path

from validation.faults import Fault
from validation.study.columns import COLUMNS, NUMERIC
from validation.study.experiments import EXPERIMENTS, Columns
from validation.study.grids import place, read_grids
from validation.study.headings import Headings
from validation.study.plan import Plan
from validation.study.rows import Row, Rows, is_marked
from validation.study.text_files import (
    NUMBER,
    censored,
    decimal,
    is_written_date,
    moment,
    ordinary,
    whole_of,
    why_no_moment,
)
from validation.words import counted

#: What stands in a cell where nothing was measured.
_NO_RESULT = frozenset(("nd", "n.d", "n.a", "n.b", "n.n", "nb", "k.a", "ka", "-", "–", "—", "/", "?")) | frozenset(
    ("missing", "failed", "bdl", "bql", "lod", "<lod", "loq", "<loq")
)


@dataclass(frozen=True)
class Sheet:
    """One worksheet, read but not yet amended or judged cell by cell.

    `unit` and `date_order` are those of the study; `title` is that of the sheet in a workbook.
    """

    experiment: str
    file: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    kind: Columns
    unit: str = ""
    title: str = ""
    date_order: str | None = None

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
    date_order: str | None = None,
) -> tuple[Sheet | None, list[Fault]]:
    """Read one worksheet: headings, rows, identifiers, decimal marks, written dates, formulas.

    Parameters
    ----------
    folder, file : the study folder, and the worksheet as the plan names it
    experiment : whose columns hold
    unit, response_unit : what a unit in a heading must be; None lets any response unit pass
    factors : the plan's factors of a screening, with their settings
    date_order : the order of day, month and year in dates that are not ISO 8601, as the plan states it

    Returns
    -------
    The sheet, or None where it has no usable headings; and every fault found.
    """
    path, faults = place(folder, file)
    if path is None:
        return None, faults
    kind = EXPERIMENTS[experiment].columns.with_factors(factors)
    headings = Headings(experiment, kind, unit, response_unit)
    grids, faults = read_grids(path, file, headings.score)
    if not grids:
        return None, faults
    grid, head, faults = headings.find(grids)
    if grid is None or head is None:
        return None, faults
    rows, row_faults = Rows(grid, head, headings, unit, response_unit, date_order).read()
    columns = tuple(dict.fromkeys(head.names.values()))
    return Sheet(experiment, file, columns, rows, kind, unit, grid.sheet, date_order), faults + row_faults


def read_sheets(folder: Path, plan: Plan) -> tuple[dict[str, Sheet], list[Fault]]:
    """The worksheet of each planned experiment by its name, and the faults within and between them."""
    sheets: dict[str, Sheet] = {}
    faults: list[Fault] = []
    for name, experiment in plan.experiments.items():
        if name not in EXPERIMENTS:
            continue
        sheet, sheet_faults = read_sheet(
            folder,
            experiment.worksheet,
            name,
            unit=plan.study.unit,
            response_unit=experiment.settings.get("response_unit"),
            factors=experiment.settings.get("factors"),
            date_order=plan.study.date_order,
        )
        faults += sheet_faults
        if sheet is not None:
            sheets[name] = sheet
    read = list(sheets.values())
    return sheets, [*faults, *shared_workbook_faults(read), *duplicate_faults(read)]


#: Column, reason, correction, what was expected.
_CellFault = tuple[str, str, str, str]


def value_faults(sheet: Sheet, row: Row, values: Mapping[str, str], *, excluded: bool, labels: bool) -> list[Fault]:
    """Every fault of one row after its amendments, but for an empty reading, which the whole worksheet decides.

    `labels`: no level of the worksheet is a number, so that each may be a label.
    """
    cells = [*([] if excluded else _empty(sheet, values)), *_words(sheet, values)]
    if not excluded:
        cells += _numbers(sheet, values, labels)
    if values.get("time") and moment(values["time"]) is None:
        cells.append(("time", *why_no_moment(values["time"], sheet.date_order), "an ISO 8601 date or time"))
    if is_written_date(values.get("day", "")):  # 1.7. and 01.07. would be two days
        cells.append(("day", *why_no_moment(values["day"], sheet.date_order), "an ISO 8601 date"))
    return [
        Fault(sheet.file, reason, mend, row.line, row.reading, column, values.get(column) or "an empty cell", expected)
        for column, reason, mend, expected in cells
    ]


def _empty(sheet: Sheet, values: Mapping[str, str]) -> Iterator[_CellFault]:
    for column in sheet.kind.needed:
        if not values.get(column):
            yield column, "The cell is empty.", "Fill it in, or exclude the reading with a reason.", "a value"


def _words(sheet: Sheet, values: Mapping[str, str]) -> Iterator[_CellFault]:
    """Words outside their list, and settings at the bench that are none of the plan's."""
    of_the_experiment = EXPERIMENTS[sheet.experiment].columns.words
    for column, words in sheet.kind.words.items():
        text, expected = values.get(column, ""), " or ".join(words)
        if not text or text in words:
            continue
        if column in of_the_experiment:
            close = get_close_matches(text.lower(), words, n=1, cutoff=0.5)
            yield column, "The word is unknown here.", f"Write {close[0] if close else expected}.", expected
        else:
            mend = "Write it as in the plan; if another setting was used, exclude the reading and give that reason."
            yield column, "The setting is not one of the two in the plan.", mend, expected


def _numbers(sheet: Sheet, values: Mapping[str, str], labels: bool) -> Iterator[_CellFault]:
    """Cells that must hold a number, and hold none or one that cannot be meant."""
    kind = sheet.kind
    for column in NUMERIC:
        text = values.get(column, "")
        label = labels and column == "level" and kind.labels and moment(text) is None
        if not text or label or text.startswith("=") or (column == kind.value and censored(text)):
            continue
        if column not in kind.used:
            continue
        reason, mend = _why_no_number(text, column == kind.value)
        if reason == _TEXT and column == "level" and kind.labels:
            reason, mend = "A word stands among levels that are numbers.", "Write the number, or label every level."
        if reason:
            yield column, reason, mend, "a number"
        elif (number := decimal(text)) is not None:
            yield from _out_of_bounds(sheet, column, number)


def _out_of_bounds(sheet: Sheet, column: str, number: Decimal) -> Iterator[_CellFault]:
    """A number below zero or more than the whole, in a column that has no such number."""
    meaning, whole = COLUMNS[column], sheet.whole
    if number < 0 and meaning.not_negative:
        what = "A standard uncertainty" if meaning.uncertainty else f"The {column}"
        mend = "Write its size without a sign."
        if meaning.content:
            mend = f"Write the content in {sheet.unit}, 0 for a blank; a reading below zero is a result."
        yield column, f"{what} is negative.", mend, "zero or more"
    elif meaning.content and whole is not None and number > whole:
        mend = f"Write the content in {sheet.unit}; a reading beyond is a result, not a {column}."
        expected = f"0 to {whole:g} {sheet.unit}"
        yield column, f"The {column} is more than the whole, {whole:g} {sheet.unit}.", mend, expected


_TEXT = "The cell holds text, not a number."
_TWO_NUMBERS = re.compile(r"[0-9.,]+\s*(?:±|\+/?-|/|;|\(|\||\band\b|\s)\s*[0-9.,]+\)?")


def _why_no_number(text: str, is_value: bool) -> tuple[str, str]:
    """Why a text is not a number and how to correct it; two empty texts where it is one."""
    if decimal(text) is not None:
        return "", ""
    if NUMBER.fullmatch(text):
        if ordinary(Decimal(text)):
            return "The number has more than 100 decimals.", "Write as many digits as were read."
        return "The number is beyond 1e50, or below 1e-50, in size.", "Check the exponent; no reading has this size."
    if moment(text) is not None:
        mend = "Give the cell the format of a number, and write the number as it was read."
        return "The cell holds a date; spreadsheet programs turn some numbers into dates.", mend
    bare = text.strip("+-. ").lower()
    if bare in ("nan", "inf", "infinity", "na", "n/a", "#n/a", "#num!", "#div/0!", "#value!", "#ref!", "∞"):
        mend = "Leave the cell empty and exclude the reading with its reason (validation amend --exclude)."
        return "The cell holds no finite number.", mend
    if text.lower() in _NO_RESULT or bare in _NO_RESULT:
        mend = "Leave the cell empty and exclude the reading with its reason (validation amend --exclude)"
        mend += ', or write "<0.1", with the limit that held, where it is too small to measure.' if is_value else "."
        return "The cell says that there is no number.", mend
    if is_marked(text, ","):
        return "The cell holds a decimal comma.", f"Write {text.replace(',', '.')}."
    if decimal(text.replace("\u2212", "-").replace("\u2013", "-")) is not None:
        return "The minus sign is a typographic one.", "Write it with the hyphen of the keyboard."
    if decimal(re.sub(r"\s*[^0-9.eE+-]+$", "", text).replace(",", ".")) is not None and text[:1].isdigit():
        return "The cell holds more than a number.", "Write the number alone; the unit belongs in the heading."
    if re.fullmatch(r"[+-]?[0-9]{1,3}([ .,'\u2009\u202f\u00a0][0-9]{3})+([.,][0-9]+)?", text):
        return "The number has a separator of thousands.", "Write it without."
    if _TWO_NUMBERS.fullmatch(text):
        mend = "Write one number a cell: a repeat in a row of its own, an uncertainty in a column of its own."
        return "The cell holds two numbers.", mend
    mend = "Write the number as it was read"
    mend += ', "<0.1" for a reading below what can be measured, or leave the cell empty.' if is_value else "."
    return _TEXT, mend


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


def shared_workbook_faults(sheets: Sequence[Sheet]) -> Iterator[Fault]:
    """Two experiments in two sheets of one workbook: a file and a line would no longer name one reading."""
    first = {sheet.file: sheet for sheet in reversed(sheets)}
    for sheet in sheets:
        other = first[sheet.file]
        if sheet.title != other.title:
            reason = f"Two sheets of this workbook hold {other.experiment} and {sheet.experiment}."
            mend = "Save each of these sheets as a file of its own, and name it in plan.yaml."
            both = f'the sheets "{other.title}" and "{sheet.title}"'
            yield Fault(sheet.file, reason, mend, value=both, expected="one worksheet a file")


def _once_a_file(sheets: Sequence[Sheet]) -> list[Sheet]:
    return list({sheet.file: sheet for sheet in sheets}.values())
