"""Worksheets as people write them: each is read right or refused with its place and mend, and none is read wrong.

Files that are read must give the readings of `READINGS`, which stand here as numbers, whatever the file looks like.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import openpyxl
import pytest
from openpyxl.styles import Font
from study_folder import PLAN, write_study

from validation.study.design import Design
from validation.study.load import load_study, read_study
from validation.study.start import start_study
from validation.study.text_files import bound_of
from validation.study.worksheets import read_sheet

LIBREOFFICE = Path(__file__).parent / "written_files" / "libreoffice-precision.xlsx"

HEAD = ("reading", "level", "run", "result", "time")
#: identifier, level, run, result, day
READINGS = (
    ("P-1", "2", "1", "2.01", "2026-07-01"),
    ("P-2", "2", "1", "2.07", "2026-07-01"),
    ("P-3", "4", "1", "4.05", "2026-07-01"),
    ("P-4", "2", "2", "1.98", "2026-07-02"),
    ("P-5", "4", "2", "3.96", "2026-07-02"),
    ("P-6", "4", "2", "4.10", "2026-07-02"),
)
ROWS = tuple(
    (name, int(level), int(run), float(result), date.fromisoformat(day)) for name, level, run, result, day in READINGS
)

DAY_FIRST = PLAN.replace("  unit:", "  date_order: day-month-year\n  unit:")
MONTH_FIRST = PLAN.replace("  unit:", "  date_order: month-day-year\n  unit:")
IN_MG = PLAN.replace('unit: "%"', "unit: mg/kg").replace("[0.5, 10.0]", "[500, 100000]")

Cells = Sequence[object]
#: What a person does to a workbook before it is saved.
Doing = Callable[[openpyxl.Workbook], object]


def nothing(workbook: openpyxl.Workbook) -> None:
    """Leave it as it is."""


# ---- how a file is written


def text(*rows: Cells, by: str = ",", end: str = "\n") -> bytes:
    """Rows as a text file in UTF-8."""
    return "".join(by.join(map(str, row)) + end for row in rows).encode()


def sheets(*pages: tuple[str, Sequence[Cells]], then: Doing = nothing) -> bytes:
    """Pages by title as a workbook; `then` does to it what a person does."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in pages:
        page = book.create_sheet(title)
        for row in rows:
            page.append(list(row))
    then(book)
    raw = io.BytesIO()
    book.save(raw)
    return raw.getvalue()


def sheet(*rows: Cells, then: Doing = nothing) -> bytes:
    """Rows as a workbook of one page."""
    return sheets(("readings", rows), then=then)


def changed(place: tuple[int, int], cell: object, rows: Sequence[Cells] = READINGS) -> list[list[object]]:
    """The rows, counted from 1 without the headings, with one cell written otherwise."""
    lists = [list(row) for row in rows]
    lists[place[0] - 1][place[1] - 1] = cell
    return lists


def with_commas(rows: Sequence[Cells]) -> list[list[str]]:
    return [[name, *(str(cell).replace(".", ",") for cell in cells)] for name, *cells in rows]


def dated(written: str, rows: Sequence[Sequence[str]] = READINGS) -> list[list[str]]:
    """The readings with their days written as a pattern says: "{2}.{1}.{0}"."""
    return [[*cells, written.format(*day.split("-"))] for *cells, day in rows]


@dataclass(frozen=True)
class Written:
    """A file: its bytes and suffix, the plan that it goes with."""

    raw: bytes
    suffix: str = ".csv"
    plan: str = PLAN


def book(*rows: Cells, plan: str = PLAN, then: Doing = nothing) -> Written:
    return Written(sheet(*rows, then=then), ".xlsx", plan)


def hide(title: str) -> Doing:
    def hiding(workbook: openpyxl.Workbook) -> None:
        workbook[title].sheet_state = "hidden"

    return hiding


def on_the_page(action: Callable[[object], object]) -> Doing:
    return lambda workbook: action(workbook.worksheets[0])


OLD = [(name, level, run, result + 1, day) for name, level, run, result, day in ROWS]
TITLE = ("Precision, grade OG-N, July 2026",)

# ---- what is read

READ: dict[str, Written] = {
    "plain, comma and point": Written(text(HEAD, *READINGS)),
    "semicolon and decimal comma": Written(text(HEAD, *with_commas(READINGS), by=";")),
    "semicolon and decimal point": Written(text(HEAD, *READINGS, by=";")),
    "tabs, Windows line ends": Written(text(HEAD, *READINGS, by="\t", end="\r\n"), ".txt"),
    "byte order mark, Windows line ends": Written(b"\xef\xbb\xbf" + text(HEAD, *READINGS, by=";", end="\r\n")),
    "a first line that names the delimiter": Written(b"sep=;\n" + text(HEAD, *with_commas(READINGS), by=";")),
    "title rows above, with a comma of their own": Written(
        text(('"Fuel dilution, July"',), (), ("Operator:", "A1"), HEAD, *READINGS)
    ),
    "title rows above, filled up by the spreadsheet": Written(
        text((*TITLE, "", "", "", ""), ("", "", "", "", ""), HEAD, *with_commas(READINGS), by=";")
    ),
    "headings in row 10": Written(text(*[("note", str(i)) for i in range(9)], HEAD, *READINGS)),
    "unit in round brackets": Written(text(("Reading", "Level (%)", "Run", "Result (%)", "Time"), *READINGS)),
    "unit in square and curly brackets, capitals": Written(
        text(("READING", "LEVEL {%}", "RUN", "RESULT[%]", "TIME"), *READINGS)
    ),
    "every cell in quotes": Written(text(*[[f'"{cell}"' for cell in row] for row in (HEAD, *READINGS)])),
    "blank rows between the runs": Written(text(HEAD, *READINGS[:3], ("", "", "", "", ""), (), *READINGS[3:])),
    "blanks around the cells": Written(text(*[[f" {cell} " for cell in row] for row in (HEAD, *READINGS)])),
    "other order of columns and columns of one's own": Written(
        text(
            ("vial", "result", "time", "room temperature", "run", "level", "reading"),
            *[(f"V{i}", r, t, "21.5", n, v, p) for i, (p, v, n, r, t) in enumerate(READINGS)],
        )
    ),
    "workbook": book(HEAD, *ROWS),
    "workbook with a merged title above": book(
        TITLE, (), HEAD, *ROWS, then=on_the_page(lambda page: page.merge_cells("A1:E1"))
    ),
    "workbook with numbers as text with a decimal comma": book(HEAD, *with_commas(READINGS)),
    "workbook with numbers as text and as numbers": book(HEAD, *changed((1, 4), "2,01", ROWS)),
    "workbook with old data in a hidden sheet": Written(
        sheets(("old", [HEAD, *OLD]), ("new", [HEAD, *ROWS]), then=hide("old")), ".xlsx"
    ),
    "workbook whose first sheet explains": Written(
        sheets(("Read me", [("How to fill in",), ("Result", "in %")]), ("readings", [HEAD, *ROWS])), ".xlsx"
    ),
    "workbook with the row of the headings frozen and cells coloured far below": book(
        HEAD, *ROWS, then=on_the_page(lambda page: setattr(page["H900"], "number_format", "0.00"))
    ),
    "workbook with more decimals than are shown": book(
        HEAD, *ROWS, then=on_the_page(lambda page: setattr(page["D2"], "number_format", "0.0"))
    ),
    "days first, as the plan says": Written(text(HEAD, *dated("{2}.{1}.{0}")), plan=DAY_FIRST),
    "days first with strokes": Written(text(HEAD, *dated("{2}/{1}/{0}")), plan=DAY_FIRST),
    "months first, as the plan says": Written(text(HEAD, *dated("{1}/{2}/{0}")), plan=MONTH_FIRST),
    "words of a mean as names and remarks": Written(
        text((*HEAD, "grade", "note", "volume"), *[(*row, "Total", "mean", "total") for row in READINGS])
    ),
    "days first with a time of day": Written(text(HEAD, *dated("{2}.{1}.{0} 00:00")), plan=DAY_FIRST),
    "three decimals and a comma throughout, too many per cent to be thousands": Written(
        text(HEAD, *with_commas([(*row[:3], f"{row[3]}0", row[4]) for row in READINGS]), by=";")
    ),
    "headings with blanks and capitals, and a column without use": Written(
        text((*HEAD, "Pad Lot", "Vial"), *[(*row, "L1", i) for i, row in enumerate(READINGS)])
    ),
    "ISO dates where the plan says days first": Written(text(HEAD, *READINGS), plan=DAY_FIRST),
    "workbook with dates as text, days first": book(HEAD, *dated("{2}.{1}.{0}"), plan=DAY_FIRST),
}


@pytest.mark.parametrize("name", READ)
def test_a_file_as_people_write_it_is_read_right(tmp_path: Path, name: str) -> None:
    written = READ[name]
    study = load_study(write_study(tmp_path, {"precision": written.raw}, plan=written.plan, suffix=written.suffix))
    data = study.experiments["precision"]
    assert list(data.table["reading"]) == [row[0] for row in READINGS]
    assert data.decimals("level") == [Decimal(row[1]) for row in READINGS]
    assert list(data.table["run"]) == [row[2] for row in READINGS]
    assert data.decimals("result") == [Decimal(row[3]) for row in READINGS]
    assert [reading.time for reading in data.readings] == [datetime.fromisoformat(row[4]) for row in READINGS]


# ---- what is refused


@dataclass(frozen=True)
class Refused:
    """A file that is refused: where, and words of the reason and of the mend."""

    file: Written
    row: int | None
    column: str | None
    reason: str
    mend: str
    faults: int = 1


def cell(written: object, reason: str, mend: str, column: str = "result", plan: str = PLAN) -> Refused:
    """One cell of reading P-3, in row 4 of a file with points and commas, written otherwise."""
    return Refused(
        Written(text(HEAD, *changed((3, HEAD.index(column) + 1), written)), plan=plan), 4, column, reason, mend
    )


def workbook_cell(written: object, reason: str, mend: str, then: Doing = nothing) -> Refused:
    """The result of P-3, in row 4 of a workbook, written otherwise."""
    return Refused(book(HEAD, *changed((3, 4), written, ROWS), then=then), 4, "result", reason, mend)


def row_of_no_reading(row: Cells, reason: str) -> Refused:
    """A row below the readings."""
    return Refused(Written(text(HEAD, *READINGS, row)), 8, None, reason, "Keep one row a reading")


ENCODED = text((*HEAD, "note"), *[(*row, "Öl") for row in READINGS]).decode()
KILO = [(name, "2000", run, "2,012") for name, _, run, _, _ in READINGS]
DAYS = ("1.7.2026", "01.07.2026", "01.07.2026", "2.7.2026", "2.7.2026", "02.07.2026")
#: 1, 2 and 13 July, as a program that expects months first stores what is typed with the day first.
MIXED = (date(2026, 1, 7), date(2026, 1, 7), date(2026, 2, 7), "13.07.2026", "13.07.2026", "13.07.2026")
WHICH = "holds every column that precision needs: which are the headings?"

STATISTICS = ("Mean run 1", "Max", "RSD(%)", "s")

REFUSED: dict[str, Refused] = {
    # statistics among the identifiers, every cell of the row filled
    **{
        f"{name} as an identifier": row_of_no_reading((name, "2", "1", "2.03"), "it is computed from others")
        for name in STATISTICS
    },
    # which rows are readings
    "readings in two visible sheets": Refused(
        Written(sheets(("June", [HEAD, *OLD]), ("July", [HEAD, *ROWS])), ".xlsx"),
        1, None, f'Each of row 1 of sheet "June" and row 1 of sheet "July" {WHICH}', "hide or delete the other sheet",
    ),
    "headings written twice": Refused(
        Written(text(HEAD, HEAD, *READINGS)), 2, None, f"Each of row 1 and row 2 {WHICH}", "below one row of headings"
    ),
    "headings again for the second run": Refused(
        Written(text(HEAD, *READINGS[:3], HEAD, *READINGS[3:])), 5, None, f"Each of row 1 and row 5 {WHICH}", "Keep one"
    ),
    "headings again far below": Refused(
        Written(text(HEAD, *READINGS, *[()] * 5, HEAD)), 13, None, "it holds the headings once more", "delete this row"
    ),
    "headings in row 11": Refused(
        Written(text(*[("note", i) for i in range(10)], HEAD, *READINGS)), 11, None, "headings are in row 11", "away"
    ),
    "no headings": Refused(
        Written(text(*READINGS)), 1, "level, run, result", "No row among the first 10", 'Add the column "run"'
    ),
    "a heading of one's own for the result": Refused(
        Written(text((*HEAD[:3], "Fuel", "time"), *READINGS)), 1, "result", 'lacks "result"', 'Add the column "result"'
    ),
    "a unit without brackets": Refused(
        Written(text((*HEAD[:3], "Result %", "time"), *READINGS)), 1, "result", 'lacks "result"', 'Rename "Result %"'
    ),
    "another unit in the heading": Refused(
        Written(text((*HEAD[:3], "result (mg/kg)", "time"), *READINGS)),
        1, "result", "not that of the study", "Give the values in %",
    ),
    "a column twice": Refused(
        Written(text((*HEAD, "Result"), *[(*row, row[3]) for row in READINGS])),
        1, "result", '"result" (column D) and "Result" (column F)', "Keep one of the two columns",
    ),
    "values without a heading": Refused(
        Written(text((*HEAD, ""), *[(*row, "x") for row in READINGS])), 2, None, "Column 6", "Name the column"
    ),
    "a row of units": Refused(
        Written(text(HEAD, ("", "%", "", "%", ""), *READINGS)), 2, None, "it holds the units", "delete this row"
    ),
    "a row of means": Refused(
        book(HEAD, *ROWS, ("Mean", "", "", 3.028)), 8, None, "computed from others", "move it above the headings"
    ),
    "a row of totals in another language": row_of_no_reading(("", "Summe", "", "18.17", ""), "computed from others"),
    "a footnote": row_of_no_reading(("* diluted 1 in 2", "", "", "", ""), "one cell alone is filled"),
    "levels merged over their rows": Refused(
        book(HEAD, *changed((2, 2), None, ROWS), then=on_the_page(lambda page: page.merge_cells("B2:B3"))),
        2, None, "Merged cells leave readings without their values", "Unmerge them and fill every cell", faults=2,
    ),
    "the level in the first row of a group only": Refused(
        Written(text(HEAD, *changed((2, 2), ""))), 3, "level", "The cell is empty", "Fill it in"
    ),
    "a hidden row": Refused(
        book(HEAD, *ROWS, then=on_the_page(lambda page: setattr(page.row_dimensions[4], "hidden", True))),
        4, None, "The row is hidden", "Show it; exclude readings with a reason",
    ),
    "a hidden column": Refused(
        book(HEAD, *ROWS, then=on_the_page(lambda page: setattr(page.column_dimensions["D"], "hidden", True))),
        1, "result", "The column is hidden", "Show it, or delete it",
    ),
    "a delimiter in a text": Refused(
        Written(text(HEAD, *changed((3, 5), "2026-07-01,repeated"))), 4, None, "different numbers of cells", "in quotes"
    ),
    "a quote that is not closed": Refused(
        Written(text(HEAD, *changed((3, 5), '"2026-07-01'))), 4, None, "cannot be read as CSV", "Close the quotes"
    ),
    "an identifier twice": cell("P-2", "appears twice in the study", "in worksheets/precision.csv, row 3", "reading"),
    "an identifier left out": cell("", "The identifier is empty", "its own in the whole study", "reading"),
    # which kind of file it is
    "UTF-16, as some programs call Unicode text": Refused(
        Written(text(HEAD, *READINGS).decode().encode("utf-16"), ".txt"), 1, None, "encoding is wrong", '"UTF-8"'
    ),
    "an old Windows encoding": Refused(Written(ENCODED.encode("cp1252")), 2, None, "encoding is wrong", "CSV UTF-8"),
    "a workbook under the name of a text file": Refused(
        Written(sheet(HEAD, *ROWS)), None, None, "under the name of a text file", "Name it .xlsx"
    ),
    "a text file under the name of a workbook": Refused(
        Written(text(HEAD, *READINGS), ".xlsx"), None, None, "not a readable XLSX workbook", "save it again as XLSX"
    ),
    "an old binary workbook": Refused(
        Written(b"\xd0\xcf\x11\xe0" + bytes(508), ".xls"), None, None, "kind of file is unknown", "Save it as XLSX"
    ),
    # what is no number
    "a mark of a footnote": cell("4.05*", "more than a number", "Write the number alone"),
    "a unit": cell("4.05 %", "more than a number", "the unit belongs in the heading"),
    "a decimal comma and a unit": Refused(
        Written(text(HEAD, *changed((3, 4), "1,5 %", with_commas(READINGS)), by=";")),
        4, "result", "more than a number", "the unit belongs in the heading",
    ),
    "an uncertainty": cell("4.05 ± 0.05", "two numbers", "an uncertainty in a column of its own"),
    "two results": cell("4.05/4.07", "two numbers", "a repeat in a row of its own"),
    "about": cell("ca. 4", "text, not a number", "Write the number as it was read"),
    "the letter O": cell("4.O5", "text, not a number", "Write the number as it was read"),
    "n.d.": cell("n.d.", "there is no number", "exclude the reading with its reason"),
    "a dash": cell("-", "there is no number", 'or write "<0.1", with the limit that held'),
    "not a number": cell("NaN", "no finite number", "Leave the cell empty"),
    "a typographic minus": cell("\u22120.05", "typographic", "hyphen of the keyboard"),
    "a word among the levels": cell("high", "A word stands among levels", "Write the number", "level"),
    "a level below zero": cell("-4", "The level is negative", "0 for a blank", "level"),
    "a level beyond the whole": cell("400", "more than the whole", "a reading beyond is a result", "level"),
    "levels with their unit": Refused(
        Written(text(HEAD, *[(name, f"{level} %", *rest) for name, level, *rest in READINGS])),
        2, "level", "more than a number", "Write the number alone",
    ),
    # which number it is
    "a decimal comma between commas": cell('"4,05"', "not allowed in a CSV file with commas", "Write 4.05."),
    "two decimal marks": Refused(
        Written(text(HEAD, *changed((3, 4), "4,05"), by=";")), 4, "result", "mixes decimal point", "Write 4.05."
    ),
    "thousands by points": Refused(
        Written(text(HEAD, *changed((3, 4), "40.512,5", with_commas(READINGS)), by=";"), plan=IN_MG),
        4, "result", "separator of thousands", "Write it without",
    ),
    "thousands by apostrophes": cell("40'512", "separator of thousands", "Write it without", plan=IN_MG),
    "thousands by blanks": cell("40 512", "separator of thousands", "Write it without", plan=IN_MG),
    "a comma that parts thousands or decimals": Refused(
        Written(text(HEAD[:4], *KILO, by=";"), plan=IN_MG),
        2, "result", "no number of the file tells which", "write 2012 or 2,0120",
    ),
    "a cell that shows a percentage": workbook_cell(
        0.0405, "shows a percentage, 4.05 %, and stores 0.0405", "the format General",
        on_the_page(lambda page: setattr(page["D4"], "number_format", "0.00%")),
    ),
    "a result that became a date": workbook_cell(datetime(2026, 5, 4), "The cell holds a date", "format of a number"),
    "a formula that was never computed": workbook_cell("=AVERAGE(G4:H4)", "holds a formula", "value as it was read"),
    "an error of the spreadsheet": workbook_cell("#DIV/0!", "no finite number", "exclude the reading"),
    "a result struck out": workbook_cell(
        4.05, "The cell is struck out", "exclude the reading with its reason",
        on_the_page(lambda page: setattr(page["D4"], "font", Font(strike=True))),
    ),
    "a run struck out": Refused(
        book(HEAD, *ROWS, then=on_the_page(lambda page: setattr(page["C4"], "font", Font(strike=True)))),
        4, "run", "The cell is struck out", "exclude the reading with its reason",
    ),
    # which day it was
    "one day written in two ways": Refused(
        Written(text((*HEAD[:4], "day"), *[(*row[:4], day) for row, day in zip(READINGS, DAYS, strict=True)])),
        2, "day", "does not state the order", "study.date_order",
    ),
    "dates as serial numbers": Refused(
        book(HEAD, *[(*row[:4], 46204) for row in ROWS]), 2, "time", "the number behind a date", "the format of a date"
    ),
    "days first, and the plan does not say so": Refused(
        Written(text(HEAD, *dated("{2}.{1}.{0}"))), 2, "time", "does not state the order", "study.date_order"
    ),
    "dates stored as dates next to dates as text": Refused(
        book(HEAD, *[(*row[:4], day) for row, day in zip(ROWS, MIXED, strict=True)], plan=DAY_FIRST),
        2, "time", "were days and months turned?", "write all of them as 2026-07-01",
    ),
    "days first where the plan says months first": cell(
        "13/07/2026", "no date in the order month-day-year", "Correct the date or study.date_order", "time", MONTH_FIRST
    ),
    "a year of two digits": cell("01.07.26", "four digits of the year", "Correct the date", "time", DAY_FIRST),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_could_be_read_wrong_is_refused_with_its_mend(tmp_path: Path, name: str) -> None:
    refused = REFUSED[name]
    written = refused.file
    folder = write_study(tmp_path, {"precision": written.raw}, plan=written.plan, suffix=written.suffix)
    study, faults = read_study(folder)
    assert study is None
    assert len(faults) == refused.faults, faults
    assert (faults[0].file, faults[0].row, faults[0].column) == (
        f"worksheets/precision{written.suffix}",
        refused.row,
        refused.column,
    )
    assert refused.reason in faults[0].reason
    assert refused.mend in faults[0].mend


def test_the_count_of_both() -> None:
    # 32 files that are read right, LibreOffice's below not among them, and 65 that are refused with the mend.
    assert (len(READ), len(REFUSED)) == (32, 65)


# ---- many faults


def test_faults_of_one_kind_in_one_column_are_told_once_and_every_kind_in_one_pass(tmp_path: Path) -> None:
    rows = [[name, level, run, f"{result} %", day] for name, level, run, result, day in READINGS]
    rows[5][1], rows[4][2] = "-4", ""
    faults = read_study(write_study(tmp_path, {"precision": text(HEAD, *rows)}))[1]
    assert [(fault.row, fault.column, len(fault.further)) for fault in faults] == [
        (2, "result", 5),
        (6, "run", 0),
        (7, "level", 0),
    ]
    assert str(faults[0]) == (
        'worksheets/precision.csv, row 2, 3, 4 and 3 more, column "result": The cell holds more than a number. Found: '
        "2.01 %, 2.07 %, 4.05 % and 3 more. Expected: a number. For row 2: Write the number alone; the unit belongs in "
        "the heading."
    )


def test_thousands_of_faults_of_one_kind_are_one_message(tmp_path: Path) -> None:
    rows = [(f"P-{i}", 2, i % 9, "2.0 %") for i in range(20_000)]
    faults = read_study(write_study(tmp_path, {"precision": text(HEAD[:4], *rows)}))[1]
    assert len(faults) == 1
    assert "row 2, 3, 4 and 19997 more" in str(faults[0])


# ---- censored


@pytest.mark.parametrize(
    "written",
    [
        Written(text(HEAD, *changed((1, 4), "<0.5"))),
        Written(text(HEAD, *changed((1, 4), "< 0,5", with_commas(READINGS)), by=";")),
        book(HEAD, *changed((1, 4), "<0,5", ROWS)),
    ],
    ids=["point", "comma", "workbook"],
)
def test_a_result_below_a_limit_is_read_as_such(tmp_path: Path, written: Written) -> None:
    study = load_study(write_study(tmp_path, {"precision": written.raw}, plan=written.plan, suffix=written.suffix))
    (reading,) = study.experiments["precision"].censored
    assert (reading.reading, bound_of(reading.values["result"])) == ("P-1", Decimal("0.5"))


# ---- a workbook that LibreOffice saved

#: Row by row of the template that `start` writes with seed 7: identifier, level, run, then what was typed in.
TYPED = (
    ("P-004", "4", "1", "B1", "4.01", "2026-07-01T08:11:00"),
    ("P-001", "2", "1", "B2", "2.07", "2026-07-01T08:12:00"),
    ("P-002", "2", "1", "B3", "2.05", "2026-07-01T08:13:00"),
    ("P-003", "4", "1", "B4", "3.96", "2026-07-01T08:14:00"),
    ("P-008", "4", "2", "B5", "3.98", "2026-07-02T08:15:00"),
    ("P-005", "2", "2", "B6", "2.03", "2026-07-02T08:16:00"),
    ("P-007", "4", "2", "B7", "4.11", "2026-07-02T08:17:00"),
    ("P-006", "2", "2", "B8", "2.02", "2026-07-02T08:18:00"),
)
DESIGN = Design(
    title="Fuel dilution of grade OG-N",
    laboratory="Quillmere Condition Laboratory",
    range=(0.5, 10.0),
    routine_level=5.0,
    customer_limits=(2.0, 4.0),
    levels=(2.0, 4.0),
    runs=2,
    replicates=2,
    lots=("S-01",),
    workbooks=True,
    seed=7,
)


def test_a_template_filled_in_and_saved_by_libreoffice_reads_back_the_same(tmp_path: Path) -> None:
    # Made with LibreOffice 7.4.7.2, without a window: a Basic macro opened the worksheet that `start` writes for the
    # design above, typed the values in (FormulaLocal, as at the keyboard, times as "2026-07-01 08:11") and stored it
    # as "Calc MS Excel 2007 XML"; the macro is next to the file. LibreOffice cuts
    # the number behind a time to 15 digits: 46204.3409722222 is 08:11.
    start_study(tmp_path / "study", DESIGN)
    sheets_read = []
    for raw in ((tmp_path / "study/worksheets/precision.xlsx").read_bytes(), LIBREOFFICE.read_bytes()):
        (tmp_path / "sheet.xlsx").write_bytes(raw)
        read, faults = read_sheet(tmp_path, "sheet.xlsx", "precision", unit="%")
        assert faults == []
        assert read is not None
        sheets_read.append(read)
    template, filled = sheets_read
    assert template.columns == filled.columns
    names = ("reading", "level", "run", "preparation", "result", "time")
    for before, after, typed in zip(template.rows, filled.rows, TYPED, strict=True):
        assert tuple(after.values[name] for name in names) == typed
        kept = [name for name in template.columns if before.values[name]]
        assert {name: after.values[name] for name in kept} == {name: before.values[name] for name in kept}
    assert [row.values["note"] for row in filled.rows if row.values["note"]] == ["drop fell twice"]
